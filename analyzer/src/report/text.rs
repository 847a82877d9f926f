//! The summary for a terminal: plain text of at most 100 columns, without colour, the answer first.

use super::answer::Answer;
use super::clock::Clock;
use super::{ReportInput, format, words};
use ampwake_schemas::findings::{Agreement, Finding, Severity, Verdict, VerdictWord};
use std::io::{self, Write};

/// Columns that a line may have.
const COLUMNS: usize = 100;
/// Points of the answer that are shown.
const MOST_POINTS: usize = 8;

/// Writes the summary.
///
/// # Errors
/// What the writer reports.
pub fn text(report: &ReportInput<'_>, out: &mut dyn Write) -> io::Result<()> {
    let clock = Clock::new(report.intent.vessel.time_zone.as_deref());
    let findings = report.findings;
    let answer = Answer::of(report);
    let when = format!("{} ({})", clock.span(findings.period.start, findings.period.end), clock.zone(findings.period));
    paragraph(out, "", &format!("{}, {when}", words::page_title(&format::plain(&findings.vessel))))?;
    writeln!(out)?;
    paragraph(out, "", &answer.headline)?;
    for point in answer.points.iter().take(MOST_POINTS) {
        finding(out, point.finding, point.further, &clock)?;
    }
    if answer.points.len() > MOST_POINTS {
        paragraph(out, "  ", &words::more_points(answer.points.len() - MOST_POINTS))?;
    }
    if answer.other_cautions > 0 {
        paragraph(out, "", &words::other_cautions_plain(answer.other_cautions))?;
    }
    for (lead, names) in
        [(words::DELIVERED, &answer.delivered), (words::IDLE, &answer.idle), (words::INFERRED, &answer.inferred)]
    {
        if !names.is_empty() {
            paragraph(out, "", &format!("{lead} {}", format::plain(&names.join(", "))))?;
        }
    }
    verdicts(report, out, &answer)?;
    sources(report, out)?;
    marks(report, out)?;
    let q = &findings.data_quality;
    writeln!(out)?;
    let share = |part| format::percent(part);
    let heard = words::heard(&share(q.coverage), &share(q.bank_voltage_coverage), &share(q.bank_current_coverage));
    let silent: f64 = q.gaps.iter().map(|g| g.seconds()).sum();
    paragraph(out, "", &format!("{}: {heard}. {}", words::DATA, words::gaps(q.gaps.len(), &format::duration(silent))))?;
    let problems: Vec<String> = q
        .problems
        .iter()
        .filter(|(_, n)| **n > 0)
        .take(12)
        .map(|(k, n)| format!("{} {n}", k.replace('_', " ")))
        .collect();
    if !problems.is_empty() {
        paragraph(out, "", &format!("{}: {}.", words::PROBLEMS, format::plain(&problems.join(", "))))?;
    }
    writeln!(out)?;
    paragraph(out, "", words::CAUTION_LINE)
}

fn finding(out: &mut dyn Write, f: &Finding, further: usize, clock: &Clock) -> io::Result<()> {
    let severity = words::T_SEVERITY[match f.severity {
        Severity::Info => 0,
        Severity::Caution => 1,
        Severity::Danger => 2,
    }];
    hanging(out, &format!("  {severity:<8} "), &format::sentence(&f.summary))?;
    let indent = " ".repeat(11);
    let more = if further > 0 { format!(" {}", words::further(further)) } else { String::new() };
    paragraph(
        out,
        &indent,
        &format!("{}. {}.{more}", clock.span(f.start, f.end), words::sure(&format::percent(f.confidence))),
    )?;
    if let Some(check) = f.check_next.first() {
        paragraph(out, &indent, &format!("{} {}", words::CHECK_NEXT, format::sentence(check)))?;
    }
    Ok(())
}

fn verdicts(report: &ReportInput<'_>, out: &mut dyn Write, answer: &Answer<'_>) -> io::Result<()> {
    writeln!(out)?;
    if answer.tally.total() == 0 {
        return paragraph(out, "", words::NO_REQUIREMENTS);
    }
    let counts: Vec<String> =
        answer.tally.counts().iter().map(|(word, n)| format!("{n} {}", words::verdict(*word))).collect();
    paragraph(out, "", &format!("{}: {}", words::REQUIREMENTS_COUNT, counts.join(", ")))?;
    for v in &report.findings.verdicts {
        verdict(report, v, out)?;
    }
    Ok(())
}

fn verdict(report: &ReportInput<'_>, v: &Verdict, out: &mut dyn Write) -> io::Result<()> {
    let (limit, measured) = report.verdict_figures(v);
    // Upper case is the terminal's only emphasis; it is for what fails.
    let word = match v.verdict {
        VerdictWord::NotMet => words::verdict(v.verdict).to_uppercase(),
        _ => words::verdict(v.verdict).to_owned(),
    };
    let line = format!(
        "{}: {}; {measured}, {limit}. {}",
        format::plain(&v.id),
        format::plain(&v.text),
        format::sentence(&v.reason)
    );
    hanging(out, &format!("  {word:<13} "), &line)
}

fn sources(report: &ReportInput<'_>, out: &mut dyn Write) -> io::Result<()> {
    if report.intent.sources.is_empty() {
        return Ok(());
    }
    writeln!(out)?;
    let [source, gave, share, opportunity, contributing, lost] = words::T_SOURCES;
    let line = |cells: [&str; 6]| {
        let [a, b, c, d, e, f] = cells;
        format!("  {a:<28} {b:>15} {c:>7} {d:>13} {e:>13} {f:>10}")
    };
    writeln!(out, "{}", line([source, gave, share, opportunity, contributing, lost]))?;
    let rows = || report.findings.sessions.iter().flat_map(|s| &s.sources);
    let all: f64 = rows().map(|r| r.charge_ah).sum();
    for s in &report.intent.sources {
        let own: Vec<_> = rows().filter(|r| r.source == s.name).collect();
        let total = |f: fn(&ampwake_schemas::findings::SourceInSession) -> f64| own.iter().map(|r| f(r)).sum::<f64>();
        let charge = total(|r| r.charge_ah);
        let inferred = if own.iter().any(|r| !r.measured) { "*" } else { "" };
        let part = if all > 0.0 { format::percent(charge / all) } else { words::DASH.to_owned() };
        let cells = [
            &cut(&format::plain(&s.name), 28),
            &format!("{}{inferred}", format::with_uncertainty(charge, 2.0 * total(|r| r.charge_uncertainty_ah), "Ah")),
            &part,
            &format::duration(total(|r| r.opportunity_s)),
            &format::duration(total(|r| r.contributing_s)),
            &format::amp_hours(total(|r| r.lost_ah)),
        ];
        writeln!(out, "{}", line(cells.map(String::as_str)))?;
    }
    if rows().any(|r| !r.measured) {
        paragraph(out, "  ", words::T_INFERRED)?;
    }
    Ok(())
}

/// How many marks there are, and what the readings came to; a reading that differs is a finding.
fn marks(report: &ReportInput<'_>, out: &mut dyn Write) -> io::Result<()> {
    let marks = &report.findings.marks;
    if marks.is_empty() {
        return Ok(());
    }
    let of = |a: Agreement| marks.iter().filter(|m| m.reading.as_ref().is_some_and(|r| r.agreement == a)).count();
    let sum =
        words::marks::summary(marks.len(), of(Agreement::Agrees), of(Agreement::Differs), of(Agreement::NotCompared));
    writeln!(out)?;
    paragraph(out, "", &format!("{}: {sum}.", words::marks::MARKS))
}

fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    text.chars().take(most - 1).chain(['\u{2026}']).collect()
}

fn paragraph(out: &mut dyn Write, indent: &str, text: &str) -> io::Result<()> {
    hanging(out, indent, text)
}

/// `head` and `text`, broken at spaces, with what follows set under the text. A word longer than a line is cut in pieces.
pub(super) fn hanging(out: &mut dyn Write, head: &str, text: &str) -> io::Result<()> {
    let indent = head.chars().count();
    let room = COLUMNS - indent;
    let mut lines: Vec<String> = vec![String::new()];
    // Figures and their units stay on one line; the no-break space itself is not for every terminal.
    let glued = format::glued(text);
    for word in glued.split([' ', '\n', '\t']).filter(|w| !w.is_empty()) {
        let mut rest: Vec<char> = word.replace('\u{a0}', " ").chars().collect();
        while !rest.is_empty() {
            let piece: String = rest.drain(..rest.len().min(room)).collect();
            let Some(line) = lines.last_mut() else { break };
            let used = line.chars().count();
            if used == 0 {
                line.push_str(&piece);
            } else if used + 1 + piece.chars().count() <= room {
                line.push(' ');
                line.push_str(&piece);
            } else {
                lines.push(piece);
            }
        }
    }
    for (i, line) in lines.iter().enumerate() {
        if i == 0 { writeln!(out, "{head}{line}")? } else { writeln!(out, "{:indent$}{line}", "")? }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn no_line_is_wider_than_the_terminal(text in ".{0,400}", head in "[a-z ]{0,20}") {
            let mut out = Vec::new();
            hanging(&mut out, &head, &format::plain(&text)).unwrap();
            let out = String::from_utf8(out).unwrap();
            prop_assert!(out.lines().all(|l| l.chars().count() <= COLUMNS));
        }
    }

    #[test]
    fn lines_hang_under_their_text() {
        let mut out = Vec::new();
        hanging(&mut out, "  DANGER   ", &"word ".repeat(30)).unwrap();
        let out = String::from_utf8(out).unwrap();
        assert!(out.starts_with("  DANGER   word"));
        assert!(out.lines().nth(1).unwrap().starts_with("           word"));
    }
}
