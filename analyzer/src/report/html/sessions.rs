//! The charging sessions with their stages.

use crate::report::clock::Clock;
use crate::report::{ReportInput, format, words};
use ampwake_schemas::findings::{Session, StageSpan};
use maud::{Markup, html};

/// Sessions in full; of a longer period the last ones, the findings file has them all.
const MOST_SESSIONS: usize = 60;
/// Stages in full per session.
const MOST_STAGES: usize = 40;

/// The section.
pub fn section(report: &ReportInput<'_>, clock: &Clock) -> Markup {
    let sessions = &report.findings.sessions;
    let skipped = sessions.len().saturating_sub(MOST_SESSIONS);
    html! {
        section id="sessions" {
            h2 { (words::SESSIONS) }
            @if sessions.is_empty() { p { (words::NO_SESSIONS) } }
            @if skipped > 0 { p.note { (words::more_rows(skipped)) } }
            @for s in sessions.iter().skip(skipped) { (session(s, clock)) }
        }
    }
}

fn session(s: &Session, clock: &Clock) -> Markup {
    let bank = s.bank.as_deref().map(format::plain);
    let sum = words::session_sum(
        &format::amp_hours(s.charge_ah),
        &format::amp_hours(s.charge_net_ah),
        &format::energy(s.energy_wh),
    );
    html! {
        section.session {
            h3 { (words::session(s.id, bank.as_deref())) ", " (clock.span(s.start, s.end)) }
            p { (format::glued(&sum)) "; " (format::glued(&words::soc(s.soc_start.map(format::percent), s.soc_end.map(format::percent)))) "." }
            table.cards.numbers {
                thead { tr { @for c in words::STAGE_COLUMNS { th scope="col" { (c) } } } }
                tbody { @for span in s.stages.iter().take(MOST_STAGES) { (stage(span, clock)) } }
            }
            @if s.stages.len() > MOST_STAGES { p.note { (words::more_rows(s.stages.len() - MOST_STAGES)) } }
        }
    }
}

fn stage(span: &StageSpan, clock: &Clock) -> Markup {
    let [c_stage, c_from, c_for, c_volts, c_amps, c_into, c_reported] = words::STAGE_COLUMNS;
    let or_unknown = |v: Option<f64>, f: fn(f64) -> String| v.map_or_else(|| words::NOT_KNOWN.to_owned(), f);
    let reported: Vec<String> =
        span.reported.iter().map(|(who, what)| format!("{}: {}", format::plain(who), format::plain(what))).collect();
    html! {
        tr {
            td data-name=(c_stage) { b { (words::stage(span.stage)) } " " span.note { (format::glued(&words::sure(&format::percent(span.confidence)).to_lowercase())) } }
            td data-name=(c_from) { (clock.time(span.start)) }
            td data-name=(c_for) { (format::duration(span.end.seconds_since(span.start))) }
            td data-name=(c_volts) { (or_unknown(span.voltage_mean, format::volts)) }
            td data-name=(c_amps) { (or_unknown(span.current_mean, format::amps)) }
            td data-name=(c_into) { (format::amp_hours(span.charge_ah)) }
            td.text data-name=(c_reported) { @if reported.is_empty() { (words::DASH) } @else { (reported.join("; ")) } }
        }
    }
}
