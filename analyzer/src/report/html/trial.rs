//! The commissioning tests: as a part of the report, and as a plan of its own to take on board, print and sign.

use super::marks::instruments;
use super::style::{self, symbol};
use super::{caution_list, frame, inputs};
use crate::report::clock::Clock;
use crate::report::trial::{ORDER, when};
use crate::report::words::{self, trial as said};
use crate::report::{Provenance, ReportInput, format};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::trial::{Coverage, SetPoint, Test, Trial};
use maud::{Markup, PreEscaped, html};
use std::io::{self, Write};

fn sign(c: Coverage) -> Markup {
    symbol(match c {
        Coverage::Covered => "v-met",
        Coverage::Failed => "v-not-met",
        Coverage::Begun => "v-undetermined",
        Coverage::ToSail => "v-not-tested",
        Coverage::OnPaper => "i-info",
    })
}

fn stands(c: Coverage) -> Markup {
    html! { span.verdict { (sign(c)) (said::coverage(c)) } }
}

fn tally(count: impl Fn(Coverage) -> usize) -> Markup {
    html! {
        p.tally {
            @for c in ORDER {
                @let n = count(c);
                @if n > 0 { span.count { b { (n) } " " (sign(c)) (said::coverage(c)) } }
            }
        }
    }
}

/// The part of the report: how each test stands, the failed ones first.
pub fn section(report: &ReportInput<'_>) -> Markup {
    let tests = &report.findings.trial;
    if tests.is_empty() {
        return html! {};
    }
    let [c_number, c_test, c_stands, c_seen] = said::COLUMNS;
    html! {
        section id="trial" {
            h2 { (said::TRIAL) }
            (tally(|c| tests.iter().filter(|t| t.coverage == c).count()))
            details {
                summary { (said::TRIAL) " (" (tests.len()) ")" }
                table.cards {
                    thead { tr { @for c in said::COLUMNS { th scope="col" { (c) } } } }
                    tbody {
                        @for c in ORDER {
                            @for t in tests.iter().filter(|t| t.coverage == c) {
                                tr {
                                    td data-name=(c_number) { (t.number) }
                                    td data-name=(c_test) { (format::sentence_start(&t.title)) }
                                    td.fig data-name=(c_stands) { (stands(c)) }
                                    td data-name=(c_seen) { (format::sentence(&t.seen)) }
                                }
                            }
                        }
                    }
                }
            }
            p.note { (said::NOTE) }
        }
    }
}

/// Writes the plan as one page that needs nothing else.
///
/// # Errors
/// What the writer reports.
pub fn page(trial: &Trial, intent: &Intent, provenance: &Provenance, out: &mut dyn Write) -> io::Result<()> {
    let clock = Clock::new(intent.vessel.time_zone.as_deref());
    let vessel = format::plain(&trial.vessel);
    let head = html! {
        meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
        style { (PreEscaped(style::CSS)) }
    };
    let body = html! {
        (style::symbols())
        main {
            header {
                h1 { (vessel) " " span.thin { (said::PLAN) } }
                p.note { (when(trial, &clock)) }
            }
            section.answer {
                p.headline { (said::headline(trial.tests.len(), trial.count(Coverage::Covered), trial.count(Coverage::Failed))) }
                p.lead { (said::STOP) }
                ul { @for s in &trial.stop { li { (format::glued(s)) } } }
                (tally(|c| trial.count(c)))
            }
            (overview(trial))
            section id="tests" {
                h2 { (said::TESTS) }
                p.note { (said::PLAN_NOTE) }
                @for t in &trial.tests { (test(t)) }
            }
            (set_points(&trial.set_points))
            section id="instruments" {
                h2 { (words::marks::INSTRUMENTS) }
                @if trial.marks.iter().all(|m| m.reading.is_none()) { p { (said::NO_MARKS) } }
                @else { (instruments(&trial.marks)) }
            }
            section id="open" {
                h2 { (said::OPEN) }
                @if trial.open_points.is_empty() { p { (said::NOTHING_OPEN) } }
                @else { ul { @for p in &trial.open_points { li { (format::sentence(p)) } } } }
            }
            (signatures())
            (caution_list())
            (inputs(provenance, trial.period, &trial.schema))
        }
    };
    let page = frame(&said::page_title(&vessel), head, body);
    out.write_all(page.into_string().as_bytes())
}

fn overview(trial: &Trial) -> Markup {
    let [c_number, c_test, c_stands, _] = said::COLUMNS;
    html! {
        section id="overview" {
            h2 { (said::OVERVIEW) }
            table.cards {
                thead { tr { th scope="col" { (c_number) } th scope="col" { (c_test) } th scope="col" { (c_stands) } } }
                tbody {
                    @for t in &trial.tests {
                        tr {
                            td data-name=(c_number) { (t.standing.number) }
                            td data-name=(c_test) { a href={ "#test-" (t.standing.number) } { (format::sentence_start(&t.standing.title)) } }
                            td.fig data-name=(c_stands) { (stands(t.standing.coverage)) }
                        }
                    }
                }
            }
        }
    }
}

fn test(t: &Test) -> Markup {
    let s = &t.standing;
    let row = |name: &str, items: &[String]| {
        html! {
            @if !items.is_empty() {
                tr { th scope="row" { (name) } td { @for i in items { p { (format::sentence(i)) } } } }
            }
        }
    };
    html! {
        article.finding id={ "test-" (s.number) } {
            h4 { (s.number) ". " (format::sentence_start(&s.title)) " " span.thin { (stands(s.coverage)) } }
            p { (format::sentence(&t.purpose)) }
            table.rows.steps {
                (row(said::BEFORE, &t.before))
                (row(said::STEPS, &t.steps))
                (row(said::ACCEPT, std::slice::from_ref(&t.accept)))
                (row(said::STOP_TOO, &t.stop))
                (row(said::CAUTION, &t.cautions))
                (row(said::SEEN, std::slice::from_ref(&s.seen)))
                (row(said::MISSING, &t.missing))
            }
        }
    }
}

fn set_points(sheet: &[SetPoint]) -> Markup {
    let [c_of, c_what, c_design, c_found] = said::SET_POINT_COLUMNS;
    html! {
        section id="set-points" {
            h2 { (said::SET_POINTS) }
            table.cards.sheet {
                thead { tr { @for c in said::SET_POINT_COLUMNS { th scope="col" { (c) } } } }
                tbody {
                    @for p in sheet {
                        tr {
                            td data-name=(c_of) { (format::sentence_start(&p.of)) }
                            td data-name=(c_what) { (format::plain(&p.what)) }
                            td.fig data-name=(c_design) {
                                @match p.value { Some(v) => (format::setting(v, &p.unit)), None => (format::plain(&p.unit)) }
                                @if !p.designed { " *" }
                            }
                            td.blank data-name=(c_found) {}
                        }
                    }
                }
            }
            p.note { (said::SET_POINTS_NOTE) }
        }
    }
}

fn signatures() -> Markup {
    html! {
        section id="signed" {
            h2 { (said::SIGN) }
            table.sheet.signed {
                thead { tr { @for c in said::SIGN_COLUMNS { th scope="col" { (c) } } } }
                tbody { @for who in said::SIGN_ROWS { tr { th scope="row" { (who) } td.blank {} td.blank {} td.blank {} } } }
            }
            p.note { (said::SIGN_NOTE) }
        }
    }
}
