//! The answer: readable in ten seconds by somebody who builds hulls.

use super::finding::severity;
use super::style::verdict_mark;
use crate::report::answer::{Answer, Point};
use crate::report::clock::Clock;
use crate::report::{ReportInput, format, words};
use maud::{Markup, html};

/// More lines than this are no answer any more; the rest is told below.
pub const MOST_POINTS: usize = 8;

/// The section.
pub fn section(report: &ReportInput<'_>, clock: &Clock) -> Markup {
    let answer = Answer::of(report);
    html! {
        section.answer aria-label=(words::ANSWER) {
            p.headline { (answer.headline) }
            @if !answer.points.is_empty() {
                ul.points {
                    @for p in answer.points.iter().take(MOST_POINTS) { (point(p, clock)) }
                    @if answer.points.len() > MOST_POINTS { li.note { (words::more_points(answer.points.len() - MOST_POINTS)) } }
                }
            }
            @if answer.other_cautions > 0 { p { (words::other_cautions(answer.other_cautions)) } }
            @for (lead, names) in
                [(words::DELIVERED, &answer.delivered), (words::IDLE, &answer.idle), (words::INFERRED, &answer.inferred)] {
                @if !names.is_empty() { p.names { (lead) " " b { (list(names)) } } }
            }
            @if answer.tally.total() == 0 { p { (words::NO_REQUIREMENTS) } }
            @else {
                p.tally aria-label=(words::REQUIREMENTS_COUNT) {
                    span.lead { (words::REQUIREMENTS_COUNT) }
                    @for (word, n) in answer.tally.counts() {
                        span.count { b { (n) } " " (verdict_mark(word)) (words::verdict(word)) }
                    }
                }
            }
        }
    }
}

fn list(names: &[&str]) -> String {
    names.iter().map(|n| format::plain(n)).collect::<Vec<_>>().join(", ")
}

fn point(p: &Point<'_>, clock: &Clock) -> Markup {
    let f = p.finding;
    html! {
        li {
            (severity(f.severity))
            div {
                p.said { (format::sentence(&f.summary)) }
                p.note {
                    (clock.span(f.start, f.end)) ". "
                    (format::glued(&words::sure(&format::percent(f.confidence)))) "."
                    @if p.further > 0 { " " (words::further(p.further)) }
                }
                @if let Some(check) = f.check_next.first() { p { b { (words::CHECK_NEXT) } " " (format::sentence(check)) } }
            }
        }
    }
}
