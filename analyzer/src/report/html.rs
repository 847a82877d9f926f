//! The report as one HTML file that needs nothing else: no network, pictures inside, one small script that reads values off
//! them and zooms; without it they are the same pictures.
//!
//! Owes its reader: the answer first; everything else in the order in which somebody who mistrusts the answer asks
//! for it; the same words on a telephone, a desktop and paper, in light and dark.

mod answer;
mod charts;
mod data;
pub(crate) mod finding;
mod heat;
mod ink;
mod marks;
mod panel;
mod sessions;
mod sources;
pub(crate) mod style;
mod trial;
mod verdicts;

pub use trial::page as trial_html;

use super::clock::Clock;
use super::{Fingerprint, InputFile, Provenance, ReportInput, format, words};
use ampwake_schemas::findings::Period;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};
use std::io::{self, Write};

/// The one script.
const SCRIPT: &str = include_str!("html/read.js");

/// What the page allows itself to load: nothing. Its style stands inside, and so does its script, which is known by its hash:
/// no other one runs.
pub fn policy() -> String {
    format!("default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{}'", base64(&Sha256::digest(SCRIPT)))
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::new();
    for group in bytes.chunks(3) {
        let word = group.iter().fold(0_u32, |w, b| w << 8 | u32::from(*b)) << (8 * (3 - group.len()));
        for n in 0..4 {
            let letter = LETTERS[(word >> (18 - 6 * n) & 63) as usize] as char;
            out.push(if n > group.len() { '=' } else { letter });
        }
    }
    out
}

/// Writes the whole page.
///
/// Text from the vessel is escaped by the template and cleaned of control and bidirectional characters; the page
/// forbids itself to load anything (content security policy), so that a mistake here cannot reach the network.
///
/// # Errors
/// What the writer reports.
pub fn html(report: &ReportInput<'_>, out: &mut dyn Write) -> io::Result<()> {
    let clock = Clock::new(report.intent.vessel.time_zone.as_deref());
    let vessel = format::plain(&report.findings.vessel);
    let head_of = html! {
        meta http-equiv="Content-Security-Policy" content=(policy());
        style { (PreEscaped(style::CSS)) }
        script { (PreEscaped(SCRIPT)) }
    };
    let body = html! {
        (style::symbols())
        main {
            (head(report, &clock, &vessel))
            (answer::section(report, &clock))
            (jumps(report))
            (verdicts::section(report))
            (charts::section(report, &clock))
            (marks::section(report, &clock))
            (sources::section(report, &clock))
            (sources::installation(report, &clock))
            (sessions::section(report, &clock))
            (trial::section(report))
            (data::section(report, &clock))
            (caution_list())
            (inputs(&report.provenance, Some(report.findings.period), &report.findings.schema))
        }
    };
    let page = frame(&words::page_title(&vessel), head_of, body);
    out.write_all(page.into_string().as_bytes())
}

/// A whole page: report, trial plan and live page alike.
pub(crate) fn frame(title: &str, head: Markup, body: Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                (head)
                title { (title) }
            }
            body { (body) }
        }
    }
}

fn head(report: &ReportInput<'_>, clock: &Clock, vessel: &str) -> Markup {
    let period = report.findings.period;
    html! {
        header {
            h1 { (vessel) " " span.thin { (words::TITLE) } }
            p.note {
                (clock.span(period.start, period.end)) " (" (clock.zone(period)) "), "
                (words::seen(&format::percent(report.findings.data_quality.coverage)))
            }
        }
    }
}

/// Stands after the answer: nothing comes before that.
fn jumps(report: &ReportInput<'_>) -> Markup {
    let jumps = [
        ("requirements", words::VERDICTS),
        ("chart", words::CHARTS),
        ("marks", words::marks::MARKS),
        ("sources", words::SOURCES),
        ("installation", words::INSTALLATION),
        ("sessions", words::SESSIONS),
        ("trial", words::trial::TRIAL),
        ("data", words::DATA),
        ("cautions", words::CAUTIONS),
        ("provenance", words::PROVENANCE),
    ];
    let there = |id: &str| match id {
        "marks" => !report.findings.marks.is_empty(),
        "trial" => !report.findings.trial.is_empty(),
        _ => true,
    };
    html! { nav aria-label=(words::JUMP) { @for (id, name) in jumps.into_iter().filter(|j| there(j.0)) { a href={ "#" (id) } { (name) } " " } } }
}

fn caution_list() -> Markup {
    html! {
        section id="cautions" {
            h2 { (words::CAUTIONS) }
            p { (words::CAUTIONS_LEAD) }
            dl.cautions { @for (name, text) in words::CAUTION_ITEMS { div { dt { (name) } dd { (text) } } } }
        }
    }
}

fn inputs(p: &Provenance, of: Option<Period>, schema: &str) -> Markup {
    let [program, period, made, intent, recording, format_name] = words::PROVENANCE_ROWS;
    let span = of.map(|of| words::from_to(&Clock::utc(of.start), &Clock::utc(of.end)));
    html! {
        section id="provenance" {
            h2 { (words::PROVENANCE) }
            table.rows {
                tr { th { (program) } td { (words::PROGRAM) " " (format::plain(&p.program_version)) } }
                @if let Some(span) = span { tr { th { (period) } td { (span) } } }
                @if let Some(t) = p.generated { tr { th { (made) } td { (Clock::utc(t)) } } }
                tr { th { (intent) } td { @match &p.intent_file { Some(f) => (input(f)), None => (words::NOT_KNOWN) } } }
                @for file in &p.inputs { tr { th { (recording) } td { (input(file)) } } }
                tr { th { (format_name) } td { code { (format::plain(schema)) } } }
            }
            p.note { (words::PALETTE_NOTE) }
        }
    }
}

fn input(file: &InputFile) -> Markup {
    html! {
        (format::plain(&file.name)) br;
        code.hash { (fingerprint(&file.fingerprint)) }
    }
}

fn fingerprint(f: &Fingerprint) -> String {
    match f {
        Fingerprint::Sha256(hex) => words::sha256(&format::plain(hex)),
        Fingerprint::Bytes(n) => words::bytes(*n),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648, section 10.
    #[test]
    fn base64_of_the_published_examples() {
        for (text, said) in [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")] {
            assert_eq!(base64(text.as_bytes()), said);
        }
    }
}
