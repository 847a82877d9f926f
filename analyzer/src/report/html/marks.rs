//! What was done and read by hand: the list that explains the numbers in the charts, and the instruments used.

use crate::report::clock::Clock;
use crate::report::words::{self, marks as said};
use crate::report::{ReportInput, format};
use ampwake_schemas::findings::{Agreement, HandReading, Mark};
use maud::{Markup, html};
use std::collections::BTreeMap;

/// Marks in full; the findings file has them all.
pub const MOST_MARKS: usize = 99;

/// The section; nothing where nobody marked anything.
pub fn section(report: &ReportInput<'_>, clock: &Clock) -> Markup {
    let marks = &report.findings.marks;
    if marks.is_empty() {
        return html! {};
    }
    html! {
        section id="marks" {
            h2 { (said::MARKS) }
            table.cards {
                thead { tr { @for c in said::COLUMNS { th scope="col" { (c) } } } }
                tbody { @for (n, m) in marks.iter().take(MOST_MARKS).enumerate() { (row(n + 1, m, clock)) } }
            }
            @if marks.len() > MOST_MARKS { p.note { (words::more_rows(marks.len() - MOST_MARKS)) } }
            p.note { (said::MARKS_NOTE) }
            (instruments(marks))
        }
    }
}

fn row(n: usize, m: &Mark, clock: &Clock) -> Markup {
    let [c_number, c_when, c_what, c_read, c_recorded, c_result] = said::COLUMNS;
    let r = m.reading.as_ref();
    let recorded = r.and_then(|r| {
        let u = r.recorded_uncertainty?;
        Some(format::with_uncertainty(r.recorded?, 2.0 * u, &r.unit))
    });
    html! {
        tr {
            td data-name=(c_number) { (n) }
            td.fig data-name=(c_when) { (clock.moment(m.time)) }
            td data-name=(c_what) {
                (format::glued(&m.text))
                @if let Some(channel) = r.and_then(|r| r.channel.as_ref()) { br; code { (channel) } }
            }
            td.fig data-name=(c_read) { @if let Some(r) = r { (format::with_uncertainty(r.value, 2.0 * r.uncertainty, &r.unit)) } }
            td.fig data-name=(c_recorded) { @if let Some(text) = recorded { (text) } }
            td data-name=(c_result) {
                @if let Some(r) = r {
                    @if r.agreement == Agreement::Differs { b { (said::agreement(r.agreement)) } } @else { (said::agreement(r.agreement)) }
                    p.note { (format::sentence(&r.reason)) }
                }
            }
        }
    }
}

/// Every instrument with the number of its readings.
pub fn instruments(marks: &[Mark]) -> Markup {
    let mut used: BTreeMap<(String, String), Vec<(&Mark, &HandReading)>> = BTreeMap::new();
    for (m, r) in marks.iter().filter_map(|m| Some((m, m.reading.as_ref()?))) {
        let named = |text: &Option<String>, other: &str| text.as_ref().map_or(other.to_owned(), |t| format::plain(t));
        let key = (named(&r.instrument, said::UNNAMED), named(&r.calibrated, said::NOT_STATED));
        used.entry(key).or_default().push((m, r));
    }
    let [c_name, c_calibrated, c_readings, c_remark] = said::INSTRUMENT_COLUMNS;
    html! {
        @if !used.is_empty() {
            h3 { (said::INSTRUMENTS) }
            table.cards {
                thead { tr { @for c in said::INSTRUMENT_COLUMNS { th scope="col" { (c) } } } }
                tbody {
                    @for ((name, calibrated), readings) in used.iter().take(MOST_MARKS) {
                        tr {
                            td data-name=(c_name) { (name) }
                            td data-name=(c_calibrated) { (calibrated) }
                            td data-name=(c_readings) { (readings.len()) }
                            td data-name=(c_remark) { (remark(readings)) }
                        }
                    }
                }
            }
        }
    }
}

fn remark(readings: &[(&Mark, &HandReading)]) -> String {
    let mut out: Vec<&str> = Vec::new();
    let any = |word: &str| readings.iter().any(|(_, r)| r.reason.contains(word));
    if any("more than a year old") {
        out.push(said::OLD);
    }
    if any("dated after") {
        out.push(said::AFTER);
    }
    if readings.iter().any(|(_, r)| !r.uncertainty_given) {
        out.push(said::USUAL);
    }
    format::sentence(&out.join("; "))
}
