//! The parts of the page, each a function from the snapshot to what stands there.

use super::words;
use crate::live::words as shared;
use crate::live::{Advice, BankNow, BusNow, FindingNow, Snapshot, SourceNow, SourceState, Standing};
use crate::report::clock::Clock;
use crate::report::format::{self, plain};
use crate::report::html::{finding, style};
use crate::report::{ReportInput, words as report};
use ampwake_schemas::findings::{Severity, VerdictWord};
use ampwake_schemas::time::Timestamp;
use ampwake_schemas::trial::{Coverage, TestKind};
use maud::{Markup, PreEscaped, html};
use serde_json::json;

/// More findings are a list for the report.
const MOST_FINDINGS: usize = 25;
/// A finding is called new for so long, s.
const NEW_S: f64 = 300.0;

/// Signs of what a source does: told apart by shape alone.
pub fn signs() -> Markup {
    PreEscaped(include_str!("signs.svg").to_owned())
}

fn sign(state: SourceState) -> Markup {
    style::symbol(match state {
        SourceState::Gives => "g-gives",
        SourceState::GivesLess => "g-less",
        SourceState::Idle => "g-idle",
        SourceState::NotNeeded => "g-rests",
        SourceState::NoInput => "g-input",
        SourceState::Refused => "g-refused",
        SourceState::NotHeard | SourceState::Unknown => "g-unknown",
    })
}

fn clock(s: &Snapshot) -> Clock {
    Clock::new(s.time_zone.as_deref())
}

/// A time of day; with the date where it is another day than the newest data.
fn when(s: &Snapshot, t: Timestamp) -> String {
    let clock = clock(s);
    let far = s.newest.is_none_or(|n| n.seconds_since(t).abs() > 43_200.0);
    if far { clock.moment(t) } else { clock.time(t) }
}

fn known(value: Option<f64>, write: fn(f64) -> String) -> String {
    value.map_or_else(|| words::NOT_KNOWN.to_owned(), write)
}

/// The vessel, and how fresh this is.
pub fn head(s: &Snapshot) -> Markup {
    let class = match s.standing {
        Standing::Live => "standing live",
        Standing::Still | Standing::Missing => "standing still",
        Standing::Reading => "standing",
    };
    html! {
        h1 { (s.vessel.as_deref().map_or_else(|| words::NO_VESSEL.to_owned(), plain)) }
        p {
            strong class=(class) { (shared::standing(s.standing)) }
            @if let (Some(age), Some(newest)) = (s.age_s, s.newest) {
                span { (words::age(&format::duration(age.max(0.0)))) }
                span { (words::as_of(&clock(s).moment(newest), &zone(s, newest))) }
            }
            span { (if s.recording { words::RECORDING } else { words::NOT_RECORDING }) }
        }
    }
}

fn zone(s: &Snapshot, t: Timestamp) -> String {
    clock(s).zone(ampwake_schemas::findings::Period { start: t, end: t })
}

/// What is missing.
pub fn advice(s: &Snapshot) -> Markup {
    html! { @for a in &s.advice { (one_advice(a)) } }
}

fn one_advice(a: &Advice) -> Markup {
    html! {
        div.advice {
            h2 { (a.what) }
            @if !a.details.is_empty() { ul { @for line in &a.details { li { code { (line) } } } } }
            p { b { (words::NEXT) } (a.next) }
        }
    }
}

/// The banks and their sources.
pub fn now(s: &Snapshot) -> Markup {
    html! {
        @for (n, b) in s.banks.iter().enumerate() {
            h2 { @if s.banks.len() > 1 { (format::sentence_start(&b.name)) } @else { (words::NOW) } }
            (bank(s, b))
            h2 { (words::SOURCES) }
            @if b.sources.is_empty() { p.note { (words::NO_SOURCES) } }
            @else { p.note { (words::SOURCES_NOTE) } }
            ul.sources { @for (m, source_now) in b.sources.iter().enumerate() { (source(s, b, source_now, &format!("f{n}-{m}"))) } }
        }
        @if let Some(window) = s.window { p.note { (words::judged(&format::duration(window.seconds()), s.judged_in_ms / 10 * 10)) } }
    }
}

fn tile(name: &str, value: Markup, note: &str) -> Markup {
    html! { div { dt { (name) } dd { span.value { (value) } @if !note.is_empty() { span.note { (note) } } } } }
}

fn bank(s: &Snapshot, b: &BankNow) -> Markup {
    let stage = b.stage.map_or(words::NOT_KNOWN, |x| report::stage(x.stage));
    let stage_note =
        b.stage.map_or_else(String::new, |x| words::since(&when(s, x.start), &format::percent(x.confidence)));
    let flow = b.amps.map_or("", |a| match a {
        a if a > 0.05 => words::INTO_BANK,
        a if a < -0.05 => words::OUT_OF_BANK,
        _ => "",
    });
    let heat = b.temperature_c.map(|(low, high)| {
        if high - low < 0.5 {
            format::celsius(high)
        } else {
            report::from_to(&format::fixed(low, 1), &format::celsius(high))
        }
    });
    html! {
        dl.tiles {
            (tile(words::STAGE, html! { (format::sentence_start(stage)) }, &stage_note))
            (tile(words::VOLTAGE, html! { (known(b.volts, format::volts)) }, &b.target_v.map_or_else(String::new, |v| words::asked(&format::volts(v)))))
            (tile(words::CURRENT, html! { (known(b.amps.map(f64::abs), format::amps)) }, flow))
            @if let Some(soc) = b.state_of_charge { (tile(words::CHARGE, html! { (format::percent(soc)) }, "")) }
            @if let Some(heat) = heat { (tile(words::TEMPERATURE, html! { (heat) }, "")) }
            @if let Some(loads) = b.loads_a { (tile(words::LOADS, html! { (format::amps(loads)) }, "")) }
            @if let Some(x) = b.session {
                (tile(words::SESSION, html! { (format::amp_hours(x.charge_ah)) }, &words::session(words::INTO_BANK, &when(s, x.start))))
            }
        }
    }
}

fn source(s: &Snapshot, b: &BankNow, x: &SourceNow, id: &str) -> Markup {
    let scale = b.sources.iter().map(|s| s.rated_a).fold(1.0, f64::max);
    let gives = known(x.amps, format::amps);
    let could = x.could_a.map(|a| format::setting(a.round(), "A"));
    let figure = match &could {
        Some(could) if x.amps.is_some() => words::of(&gives, could),
        _ => gives.clone(),
    };
    let width = |a: f64| format!("{:.1}", (a / scale * 100.0).clamp(0.0, 100.0));
    let class = match x.state {
        SourceState::Idle | SourceState::GivesLess => "source short",
        _ => "source",
    };
    html! {
        li class=(class) {
            h3 { (format::sentence_start(&x.name)) }
            p.figure { (figure) @if !x.measured { " " span.note { (words::INFERRED) } } }
            svg.bar viewBox="0 0 100 10" preserveAspectRatio="none" role="img"
                aria-label=(words::bar(&gives, could.as_deref(), &format::setting(x.rated_a, "A"))) {
                rect.frame x="0" y="0" width=(width(x.rated_a)) height="10" {}
                @if let Some(a) = x.could_a { rect.could x="0" y="1" width=(width(a)) height="8" {} }
                @if let Some(a) = x.amps { rect.gave x="0" y="1" width=(width(a)) height="8" {} }
            }
            p.state { (sign(x.state)) b { (format::sentence_start(shared::state(x.state))) } " " span { (format::glued(&x.why)) } }
            @if let Some(check) = &x.check_next { p.check { b { (words::CHECK) } (format::sentence(check)) } }
            details id=(id) {
                summary { (words::MORE) span.hid { ": " (plain(&x.name)) } }
                dl.figures {
                    @for (name, value) in figures(s, x) { div { dt { (name) } dd { (value) } } }
                }
            }
        }
    }
}

fn figures(s: &Snapshot, x: &SourceNow) -> Vec<(&'static str, String)> {
    let mut out = vec![(words::RATED, format::setting(x.rated_a, "A"))];
    out.extend(x.since.map(|t| (words::SINCE, when(s, t))));
    out.extend(x.confidence.map(|c| (words::SURE, format::percent(c))));
    out.extend(x.reported.map(|r| (words::SAYS, r.to_owned())));
    out.extend(x.temperature_c.map(|t| (words::TEMPERATURE, format::celsius(t))));
    out.extend(x.session_ah.map(|a| (words::GAVE, format::amp_hours(a))));
    out.extend(x.session_lost_ah.map(|a| (words::LEFT, format::amp_hours(a))));
    out
}

/// What the charts need to know; the script reads it from here.
pub fn lines(s: &Snapshot) -> Markup {
    let series: Vec<_> = s
        .series
        .iter()
        .map(|x| json!({ "panel": x.panel, "label": plain(&x.label), "unit": x.unit, "level": x.level }))
        .collect();
    let panels: serde_json::Map<String, serde_json::Value> = s
        .series
        .iter()
        .filter_map(|x| Some((serde_json::to_value(x.panel).ok()?.as_str()?.to_owned(), shared::panel(x.panel).into())))
        .collect();
    let stages: Vec<_> = s
        .banks
        .first()
        .map(|b| b.stages.iter().map(|x| json!([x.start.millis(), x.end.millis(), report::stage(x.stage)])).collect())
        .unwrap_or_default();
    let data = json!({
        "series": series, "panels": panels, "stages": stages, "stage": report::STAGES_PANEL,
        "levels": crate::live::LEVELS_MS, "columns": crate::live::COLUMNS,
        "newest": s.newest.map(Timestamp::millis), "oldest": s.recorded.map(|p| p.start.millis()),
        "zone": s.time_zone.as_deref().filter(|_| clock(s).unknown_zone().is_none()).unwrap_or("UTC"),
    });
    html! { span data-lines=(data.to_string()) {} }
}

/// The findings.
pub fn found(s: &Snapshot) -> Markup {
    html! {
        @if s.window.is_some() {
            h2 { (words::FINDINGS) }
            @if s.findings.is_empty() { p.note { (words::NO_FINDINGS) } }
            @for (n, f) in s.findings.iter().take(MOST_FINDINGS).enumerate() { (one_finding(s, f, n)) }
            @if s.findings.len() > MOST_FINDINGS { p.note { (report::more_points(s.findings.len() - MOST_FINDINGS)) } }
        }
    }
}

fn one_finding(s: &Snapshot, f: &FindingNow, n: usize) -> Markup {
    let x = &f.finding;
    let class = match x.severity {
        Severity::Danger => "finding danger",
        Severity::Caution => "finding caution",
        Severity::Info => "finding",
    };
    html! {
        article class=(class) {
            h3 {
                (finding::severity(x.severity)) ": " (report::kind(x.kind))
                @if let Some(cause) = x.cause { ", " (report::cause(cause)) }
                @if f.ongoing { " " span.tag { (words::ONGOING) } }
                @if s.made.seconds_since(f.seen) < NEW_S && f.ongoing { " " span.tag { (words::NEW) } }
            }
            p { (format::sentence(&x.summary)) }
            p.note { (clock(s).span(x.start, x.end)) ". " (report::sure(&format::percent(x.confidence))) "." }
            @if !x.check_next.is_empty() {
                details id={ "c" (n) } {
                    summary { (report::CHECK_NEXT_ALL) }
                    ol { @for check in &x.check_next { li { (format::sentence(check)) } } }
                }
            }
        }
    }
}

/// The requirements.
pub fn wants(s: &Snapshot) -> Markup {
    let Some(kept) = s.kept.as_ref().filter(|_| !s.verdicts.is_empty()) else { return html! {} };
    let input = ReportInput {
        findings: &kept.analysis.findings,
        intent: &kept.intent,
        charts: &[],
        provenance: kept.provenance.clone(),
    };
    html! {
        h2 { (words::WANTS) }
        p.note { (words::WANTS_NOTE) }
        ul.wants {
            @for v in &s.verdicts {
                @let (limit, measured) = input.verdict_figures(v);
                li {
                    b { (style::verdict_mark(v.verdict)) (report::verdict(v.verdict)) } " "
                    (format::sentence(&v.text)) " "
                    span.note { (report::margin(&measured, &limit)) }
                }
            }
        }
    }
}

/// The commissioning tests, ticking off. Requirements have a part of their own.
pub fn tests(s: &Snapshot) -> Markup {
    html! {
        @if let Some(sum) = shared::tests(&s.trial) {
            h2 { (words::TESTS) }
            details #trial {
                summary { (sum) }
                ul.wants {
                    @for t in s.trial.iter().filter(|t| t.kind != TestKind::Requirement) {
                        li {
                            b { (style::verdict_mark(mark(t.coverage))) (report::trial::coverage(t.coverage)) } " "
                            (format::sentence(&t.title)) " " span.note { (format::sentence(&t.seen)) }
                        }
                    }
                }
            }
        }
    }
}

/// The sign of a verdict says the same of a test.
fn mark(coverage: Coverage) -> VerdictWord {
    match coverage {
        Coverage::Covered => VerdictWord::Met,
        Coverage::Failed => VerdictWord::NotMet,
        Coverage::Begun => VerdictWord::Undetermined,
        Coverage::ToSail | Coverage::OnPaper => VerdictWord::NotTested,
    }
}

/// The data buses, and what happened to the recording.
pub fn buses(s: &Snapshot) -> Markup {
    html! {
        @if !s.buses.is_empty() {
            h2 { (words::BUSES) }
            table.cards {
                thead { tr { @for c in words::BUS_COLUMNS { th scope="col" { (c) } } } }
                tbody { @for b in &s.buses { (bus(s, b)) } }
            }
        }
        @if !s.happenings.is_empty() {
            details #happened {
                summary { (words::HAPPENED) }
                ul { @for h in &s.happenings { li { span.note { (clock(s).moment(h.time)) } " " (format::sentence(&h.text)) } } }
            }
        }
    }
}

fn bus(s: &Snapshot, b: &BusNow) -> Markup {
    let [c_bus, c_last, c_signals, c_frames, c_errors, c_said] = words::BUS_COLUMNS;
    let count = |v: f64| format::setting(v.round(), "");
    let frames = b.frames_per_s.map(|f| words::frames(&count(f), b.load.map(format::percent).as_deref()));
    let losses = b.error_frames.zip(b.lost_frames).map(|(e, l)| words::losses(&count(e), &count(l)));
    let none = || words::NO_FRAMES.to_owned();
    html! {
        tr {
            td data-name=(c_bus) { b { (plain(&b.bus)) } " " span.note { (words::devices(b.devices)) } }
            td data-name=(c_last) { (b.last.map_or_else(|| report::NEVER_HEARD.to_owned(), |t| when(s, t))) }
            td data-name=(c_signals) { (words::signals(b.signals.1, b.signals.0)) }
            td data-name=(c_frames) { (frames.unwrap_or_else(none)) }
            td data-name=(c_errors) { (losses.unwrap_or_else(none)) }
            td data-name=(c_said) { (b.said.as_deref().map_or_else(none, format::sentence)) }
        }
    }
}
