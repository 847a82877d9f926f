//! The requirements of the design, each with limit, measurement, margin and verdict.

use super::finding::details;
use super::style::verdict_mark;
use crate::report::{ReportInput, format, words};
use ampwake_schemas::findings::Verdict;
use ampwake_schemas::intent::Limit;
use maud::{Markup, html};

/// The section.
pub fn section(report: &ReportInput<'_>) -> Markup {
    html! {
        section id="requirements" {
            h2 { (words::VERDICTS) }
            @if report.findings.verdicts.is_empty() { p { (words::NO_REQUIREMENTS) } }
            @else {
                table.cards.verdicts {
                    thead { tr { @for c in words::VERDICT_COLUMNS { th scope="col" { (c) } } } }
                    tbody { @for v in &report.findings.verdicts { (row(report, v)) } }
                }
                p.note { (words::VERDICTS_NOTE) }
            }
        }
    }
}

fn row(report: &ReportInput<'_>, v: &Verdict) -> Markup {
    let (limit, measured) = report.verdict_figures(v);
    let [c_verdict, c_requirement, c_limit, c_measured] = words::VERDICT_COLUMNS;
    html! {
        tr {
            td.fig data-name=(c_verdict) { span.verdict { (verdict_mark(v.verdict)) (words::verdict(v.verdict)) } }
            td data-name=(c_requirement) {
                b { (format::plain(&v.id)) } " " (format::glued(&v.text))
                p.note { (format::sentence(&v.reason)) }
                (details(&v.evidence))
            }
            td.fig data-name=(c_limit) { (limit) }
            td.fig data-name=(c_measured) { (measured) (margin(v, report.limit(v), &words::margin(&measured, &limit))) }
        }
    }
}

/// Width and height of the picture, and its free ends.
const PICTURE: (f64, f64) = (120.0, 24.0);
const END: f64 = 6.0;

/// Limit as an upright line with the permitted side shaded; measured value as a dot with its interval.
fn margin(v: &Verdict, limit: Option<Limit>, alt: &str) -> Markup {
    let (Some(y), Some(limit)) = (v.measured.filter(|y| y.is_finite()), limit) else {
        return html! {};
    };
    if !v.limit.is_finite() {
        return html! {};
    }
    let u = v.uncertainty.filter(|u| u.is_finite()).unwrap_or(0.0).abs();
    let (low, high) = (v.limit.min(y - u), v.limit.max(y + u));
    // The interval may not shrink to a dot, nor the distance fill the picture: half a span of air on each side.
    let span = (high - low).max(v.limit.abs() * 0.002).max(1e-9);
    let (from, to) = (low - span * 0.45, high + span * 0.45);
    let x = |value: f64| END + (value - from) / (to - from) * (PICTURE.0 - 2.0 * END);
    let two = |value: f64| format!("{value:.1}");
    let at = x(v.limit);
    let (side, width) = match limit {
        Limit::AtLeast(_) => (at, PICTURE.0 - at),
        Limit::AtMost(_) => (0.0, at),
    };
    let (middle, a, b) = (two(PICTURE.1 / 2.0), two(x(y - u)), two(x(y + u)));
    html! {
        svg.margin viewBox={ "0 0 " (PICTURE.0) " " (PICTURE.1) } role="img" aria-label=(alt) {
            rect.ok x=(two(side)) y="3" width=(two(width)) height="18" {}
            path.base d={ "M0," (middle) "H" (PICTURE.0) } {}
            path.lim d={ "M" (two(at)) ",1V23" } {}
            path.bar d={ "M" (a) "," (middle) "H" (b) "M" (a) ",7V17M" (b) ",7V17" } {}
            circle.dot cx=(two(x(y))) cy=(middle) r="3.6" {}
        }
    }
}
