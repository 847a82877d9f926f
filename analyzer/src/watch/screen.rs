//! The screen: what is going on on top, what was found below, scrolled where it does not fit.

use super::plain::figure;
use super::words;
use crate::live::words as shared;
use crate::live::{self, BankNow, Snapshot, SourceNow, SourceState, Standing};
use crate::report::clock::Clock;
use crate::report::format::{self, plain};
use crate::report::words as report;
use ampwake_schemas::findings::Severity;
use ampwake_schemas::time::Timestamp;
use ratatui::Frame;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use ratatui::layout::{Constraint, Layout};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Paragraph, Wrap};
use std::io;
use std::sync::mpsc;
use std::time::Duration;

/// Characters of a source's name.
const NAME: usize = 20;
/// Characters of a bar.
const BAR: usize = 16;

/// Runs until q, Escape or Ctrl-C. The terminal is put back also when this panics.
pub fn run(options: &live::Options) -> io::Result<()> {
    let (told, snapshots) = mpsc::sync_channel(1);
    let (stop, stopped) = mpsc::channel();
    let options = options.clone();
    let judge = std::thread::Builder::new().name("live".to_owned()).spawn(move || {
        // Waits here while the screen has not taken the last one; a reader that is gone ends it.
        live::follow(&options, &stopped, &mut |snapshot| told.send(snapshot).is_ok());
    })?;
    let mut terminal = ratatui::try_init()?;
    let result = show(&mut terminal, &snapshots);
    ratatui::try_restore()?;
    drop((snapshots, stop));
    // What it panicked with stands on the terminal already.
    let _ = judge.join();
    result
}

fn show(terminal: &mut ratatui::DefaultTerminal, snapshots: &mpsc::Receiver<Snapshot>) -> io::Result<()> {
    let mut now = Snapshot::nothing(Standing::Reading, live::clock());
    let mut scroll: u16 = 0;
    loop {
        if let Some(newest) = snapshots.try_iter().last() {
            now = newest;
        }
        terminal.draw(|frame| draw(frame, &now, &mut scroll))?;
        if !event::poll(Duration::from_millis(250))? {
            continue;
        }
        let Event::Key(key) = event::read()? else { continue };
        if key.kind == KeyEventKind::Release {
            continue;
        }
        match key.code {
            KeyCode::Char('q') | KeyCode::Esc => return Ok(()),
            KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => return Ok(()),
            KeyCode::Down | KeyCode::Char('j') => scroll = scroll.saturating_add(1),
            KeyCode::Up | KeyCode::Char('k') => scroll = scroll.saturating_sub(1),
            KeyCode::PageDown | KeyCode::Char(' ') => scroll = scroll.saturating_add(10),
            KeyCode::PageUp => scroll = scroll.saturating_sub(10),
            KeyCode::Home => scroll = 0,
            _ => {}
        }
    }
}

fn bold() -> Style {
    Style::new().add_modifier(Modifier::BOLD)
}

/// Colour only repeats what sign and word say; `NO_COLOR` takes it away (no-color.org).
fn colour(c: Color) -> Style {
    if std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty()) { bold() } else { bold().fg(c) }
}

/// Draws everything; holds `scroll` to what there is.
fn draw(frame: &mut Frame<'_>, s: &Snapshot, scroll: &mut u16) {
    let [head, body, foot] =
        Layout::vertical([Constraint::Length(1), Constraint::Min(1), Constraint::Length(1)]).areas(frame.area());
    frame.render_widget(Paragraph::new(title(s)), head);
    frame.render_widget(Paragraph::new(words::KEYS).style(Style::new().add_modifier(Modifier::DIM)), foot);
    let text = Paragraph::new(lines(s)).wrap(Wrap { trim: false });
    // Wrapped lines are counted as one each by the widget; wider is safe.
    let height = lines(s).iter().map(|l| l.width().max(1).div_ceil(usize::from(body.width.max(1)))).sum::<usize>();
    let most = u16::try_from(height).unwrap_or(u16::MAX).saturating_sub(body.height);
    *scroll = (*scroll).min(most);
    frame.render_widget(text.scroll((*scroll, 0)), body);
}

fn title(s: &Snapshot) -> Line<'static> {
    let mut spans = vec![
        Span::styled(s.vessel.as_deref().map_or_else(|| "Ampwake".to_owned(), plain), bold()),
        Span::raw("  "),
        Span::styled(
            format!("[{}]", shared::standing(s.standing)),
            colour(if s.standing == Standing::Live { Color::Green } else { Color::Yellow }),
        ),
    ];
    if let (Some(age), Some(newest)) = (s.age_s, s.newest) {
        let clock = Clock::new(s.time_zone.as_deref());
        spans.push(Span::raw(format!("  {}  {}", words::age(&format::duration(age.max(0.0))), clock.moment(newest))));
    }
    Line::from(spans)
}

fn lines(s: &Snapshot) -> Vec<Line<'static>> {
    let mut out = Vec::new();
    if s.standing == Standing::Reading {
        out.push(Line::from(words::READING));
    }
    for a in &s.advice {
        out.push(Line::from(Span::styled(format!("! {}", a.what), colour(Color::Yellow))));
        out.extend(a.details.iter().map(|d| Line::from(format!("    {d}"))));
        out.push(Line::from(format!("  {}{}", words::NEXT, a.next)));
    }
    for b in &s.banks {
        bank(s, b, &mut out);
    }
    if s.window.is_some() {
        out.push(Line::default());
        out.push(Line::from(Span::styled(words::FINDINGS, bold())));
        findings(s, &mut out);
    }
    if let Some(sum) = shared::tests(&s.trial) {
        out.push(Line::default());
        out.push(Line::from(Span::styled(words::TESTS, bold())));
        out.push(Line::from(sum));
    }
    if !s.buses.is_empty() {
        out.push(Line::default());
        out.push(Line::from(Span::styled(words::BUSES, bold())));
    }
    for b in &s.buses {
        let load = b.load.map(format::percent);
        let last = b.last.map_or_else(|| report::NEVER_HEARD.to_owned(), |t| when(s, t));
        out.push(Line::from(words::bus(&plain(&b.bus), b.signals.1, b.signals.0, load.as_deref(), &last)));
        out.extend(b.said.iter().map(|said| Line::from(format!("  {}", format::sentence(said)))));
    }
    out
}

fn when(s: &Snapshot, t: Timestamp) -> String {
    Clock::new(s.time_zone.as_deref()).time(t)
}

fn bank(s: &Snapshot, b: &BankNow, out: &mut Vec<Line<'static>>) {
    let mut first = vec![Span::styled(super::plain::bank(b), bold())];
    if let Some(stage) = b.stage {
        first.push(Span::raw(
            "  ".to_owned() + &words::since(&when(s, stage.start), &format::percent(stage.confidence)),
        ));
    }
    out.push(Line::from(first));
    let scale = b.sources.iter().map(|x| x.rated_a).fold(1.0, f64::max);
    out.extend(b.sources.iter().flat_map(|x| source(x, scale)));
}

fn source(x: &SourceNow, scale: f64) -> Vec<Line<'static>> {
    let (sign, style) = match x.state {
        SourceState::Gives => ("+", colour(Color::Green)),
        SourceState::GivesLess => ("<", colour(Color::Yellow)),
        SourceState::Idle => ("!", colour(Color::Red)),
        SourceState::NotNeeded => ("-", Style::new()),
        SourceState::NoInput => ("o", Style::new()),
        SourceState::Refused => ("x", Style::new()),
        SourceState::NotHeard | SourceState::Unknown => ("?", Style::new()),
    };
    let mut name: String = plain(&x.name).chars().take(NAME).collect();
    name.extend(std::iter::repeat_n(' ', NAME.saturating_sub(name.chars().count())));
    let mut lines = vec![Line::from(vec![
        Span::styled(format!("{sign} "), style),
        Span::raw(name),
        Span::raw(format!(" {} ", bar(x, scale))),
        Span::raw(format!("{:<15} ", figure(x))),
        Span::styled(shared::state(x.state), style),
    ])];
    if matches!(x.state, SourceState::Idle | SourceState::GivesLess | SourceState::Refused | SourceState::Unknown) {
        let sure = x.confidence.map(|c| format!(" ({})", format::percent(c))).unwrap_or_default();
        lines.push(Line::from(format!("    {}{sure}", plain(&x.why))));
    }
    lines
}

/// `####....` : given, then what it could give besides.
fn bar(x: &SourceNow, scale: f64) -> String {
    let cells = |a: f64| ((a / scale * BAR as f64).round().clamp(0.0, BAR as f64)) as usize;
    let gave = cells(x.amps.unwrap_or(0.0));
    let could = cells(x.could_a.unwrap_or(0.0)).max(gave);
    format!("{}{}{}", "#".repeat(gave), ".".repeat(could - gave), " ".repeat(BAR - could))
}

fn findings(s: &Snapshot, out: &mut Vec<Line<'static>>) {
    if s.findings.is_empty() {
        out.push(Line::from(words::NO_FINDINGS));
    }
    let clock = Clock::new(s.time_zone.as_deref());
    for f in &s.findings {
        let x = &f.finding;
        let style = match x.severity {
            Severity::Danger => colour(Color::Red),
            Severity::Caution => colour(Color::Yellow),
            Severity::Info => Style::new(),
        };
        out.push(Line::from(vec![
            Span::styled(format!("{}: ", report::severity(x.severity)), style),
            Span::raw(format::sentence(&x.summary)),
        ]));
        out.push(Line::from(format!("    {}", clock.span(x.start, x.end))));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::Advice;
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;

    fn drawn(s: &Snapshot, scroll: &mut u16) -> Vec<String> {
        let mut terminal = Terminal::new(TestBackend::new(80, 24)).unwrap();
        terminal.draw(|frame| draw(frame, s, scroll)).unwrap();
        let cells = terminal.backend().buffer().content();
        cells.chunks(80).map(|row| row.iter().map(ratatui::buffer::Cell::symbol).collect::<String>()).collect()
    }

    #[test]
    fn a_source_stands_on_one_line_of_eighty_characters() {
        let mut s = Snapshot::nothing(Standing::Live, Timestamp::from_millis(0));
        let mut long = crate::live::SourceNow {
            name: "a source with a name that is much too long for a line \u{202e}".into(),
            kind: ampwake_schemas::intent::SourceKind::Solar,
            rated_a: 100.0,
            amps: Some(50.0),
            could_a: Some(100.0),
            state: SourceState::GivesLess,
            since: None,
            why: "why not".into(),
            confidence: Some(0.5),
            check_next: None,
            reported: None,
            temperature_c: None,
            measured: true,
            session_ah: None,
            session_lost_ah: None,
        };
        let line = |x: &crate::live::SourceNow| source(x, 100.0)[0].clone();
        assert!(line(&long).width() <= 80, "{}", line(&long));
        assert!(line(&long).to_string().contains("########........ 50.0 A of 100 A"));
        long.amps = None;
        assert!(line(&long).to_string().contains("? A"));
        s.advice.push(Advice { what: "it is missing".into(), details: vec![], next: "look".into() });
        let rows = drawn(&s, &mut 0);
        assert!(rows[0].starts_with("Ampwake  [Live]") && rows[1].starts_with("! it is missing"));
        assert!(rows[23].starts_with(words::KEYS));
    }

    #[test]
    fn scrolling_ends_where_the_text_does() {
        let s = Snapshot::nothing(Standing::Reading, Timestamp::from_millis(0));
        let mut scroll = 999;
        assert!(drawn(&s, &mut scroll)[1].starts_with(words::READING));
        assert_eq!(scroll, 0);
    }
}
