//! What was not seen, what was assumed, and what the recording itself has wrong with it.

use super::sources::findings;
use crate::report::clock::Clock;
use crate::report::defaults::{self, Default as Defaulted};
use crate::report::{Place, ReportInput, format, words};
use ampwake_schemas::findings::{DataQuality, Period, SignalQuality};
use maud::{Markup, html};

/// Gaps in full; the longest are shown.
const MOST_GAPS: usize = 20;
/// Signals and counted problems in full.
const MOST_ROWS: usize = 200;

/// The section.
pub fn section(report: &ReportInput<'_>, clock: &Clock) -> Markup {
    let q = &report.findings.data_quality;
    let about_data: Vec<_> = report.findings.findings.iter().filter(|f| report.place(f) == Place::Data).collect();
    let coverage = [q.coverage, q.bank_voltage_coverage, q.bank_current_coverage];
    let unheard: Vec<&SignalQuality> = q.signals.iter().filter(|s| s.samples == 0).collect();
    html! {
        section id="data" {
            h2 { (words::DATA) }
            p.note { (words::DATA_NOTE) }
            table.rows {
                @for (name, part) in words::COVERAGE_ROWS.iter().zip(coverage) { tr { th { (name) } td { (format::percent(part)) } } }
            }
            @if let Some(name) = clock.unknown_zone() { p { (words::unknown_zone(&format::plain(name))) } }
            (gaps(q, clock))
            @if !about_data.is_empty() {
                h3 { (words::DATA_FINDINGS) }
                (findings(about_data.into_iter(), clock, true, ""))
            }
            h3 { (words::PROBLEMS) }
            @if q.problems.values().all(|n| *n == 0) { p { (words::NO_PROBLEMS) } }
            @else {
                table.rows {
                    @for (name, n) in q.problems.iter().filter(|(_, n)| **n > 0).take(MOST_ROWS) {
                        tr { th { (format::sentence_start(&name.replace('_', " "))) } td { (n) } }
                    }
                }
            }
            @if !q.notes.is_empty() {
                h3 { (words::NOTES) }
                ul { @for note in q.notes.iter().take(MOST_ROWS) { li { (format::sentence(note)) } } }
            }
            h3 { (words::SIGNALS) }
            @if !unheard.is_empty() {
                p { b { (words::UNHEARD) } " " (unheard.iter().map(|s| signal_name(s)).collect::<Vec<_>>().join(", ")) "." }
            }
            details { summary { (words::SIGNALS) " (" (q.signals.len()) ")" } (signals(&q.signals)) }
            (assumed(report))
        }
    }
}

fn gaps(q: &DataQuality, clock: &Clock) -> Markup {
    let mut longest: Vec<Period> = q.gaps.clone();
    longest.sort_by(|a, b| b.seconds().total_cmp(&a.seconds()));
    longest.truncate(MOST_GAPS);
    longest.sort_by_key(|g| g.start);
    html! {
        h3 { (words::GAPS) }
        @if longest.is_empty() { p { (words::NO_GAPS) } }
        @else {
            ul { @for g in &longest { li { (clock.span(g.start, g.end)) ", " (format::duration(g.seconds())) } } }
            @if q.gaps.len() > MOST_GAPS { p.note { (words::more_rows(q.gaps.len() - MOST_GAPS)) } }
        }
    }
}

fn signal_name(s: &SignalQuality) -> String {
    format!("{}, {}", format::plain(&s.owner), format::plain(&s.role).replace('_', " "))
}

fn signals(signals: &[SignalQuality]) -> Markup {
    let [c_signal, c_channel, c_values, c_interval, c_known] = words::SIGNAL_COLUMNS;
    html! {
        table.cards.numbers {
            thead { tr { @for c in words::SIGNAL_COLUMNS { th scope="col" { (c) } } } }
            tbody {
                @for s in signals.iter().take(MOST_ROWS) {
                    tr {
                        td data-name=(c_signal) { (signal_name(s)) }
                        td.text data-name=(c_channel) { code { (s.channel) } }
                        td data-name=(c_values) { @if s.samples == 0 { b { (words::NEVER_HEARD) } } @else { (s.samples) } }
                        td data-name=(c_interval) { (s.interval_s.map_or_else(|| words::DASH.to_owned(), format::interval)) }
                        td data-name=(c_known) { (format::percent(s.coverage)) }
                    }
                }
            }
        }
        @if signals.len() > MOST_ROWS { p.note { (words::more_rows(signals.len() - MOST_ROWS)) } }
    }
}

fn assumed(report: &ReportInput<'_>) -> Markup {
    let used = defaults::of(report.intent);
    html! {
        h3 { (words::DEFAULTS) }
        @if used.is_empty() { p { (words::NO_DEFAULTS) } }
        @else {
            table.rows {
                @for Defaulted { bank, label, figure } in &used { tr { th { (format::sentence_start(bank)) ", " (label) } td { (figure) } } }
            }
            p.note { (words::DEFAULTS_NOTE) }
        }
        p { (words::ACCURACY) ": " (defaults::accuracy(report.intent)) "." }
        @if defaults::accuracy_is_default(report.intent) { p.note { (words::ACCURACY_DEFAULT) } }
    }
}
