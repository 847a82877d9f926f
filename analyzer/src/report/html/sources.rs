//! Source by source: what it gave in each session, what it could have given, and what was found about it. Then the
//! findings that belong to no source.

use super::finding::block;
use crate::report::answer::by_weight;
use crate::report::clock::Clock;
use crate::report::{Place, ReportInput, format, words};
use ampwake_schemas::findings::{BatteryFigures, Estimate, Finding, SourceInSession};
use ampwake_schemas::intent::Source;
use maud::{Markup, html};

/// Findings shown about one source; a season can hold more, and the findings file has them all.
const MOST_FINDINGS: usize = 40;

/// Sessions shown of one source: the last ones; the sum is over all.
const MOST_SESSIONS: usize = 60;

/// The section about sources.
pub fn section(report: &ReportInput<'_>, clock: &Clock) -> Markup {
    html! {
        section id="sources" {
            h2 { (words::SOURCES) }
            @if report.intent.sources.is_empty() { p { (words::NO_SOURCES) } }
            @else {
                p.note { (words::SOURCES_NOTE) }
                (super::heat::picture(report, clock))
                @for source in &report.intent.sources { (one(report, source, clock)) }
            }
        }
    }
}

fn one(report: &ReportInput<'_>, source: &Source, clock: &Clock) -> Markup {
    let rows: Vec<(u32, &SourceInSession)> = report
        .findings
        .sessions
        .iter()
        .flat_map(|s| s.sources.iter().filter(|r| r.source == source.name).map(|r| (s.id, r)))
        .collect();
    let most = rows.iter().map(|(_, r)| r.charge_ah + r.lost_ah).fold(0.0, f64::max);
    let given_by_all: f64 = report.findings.sessions.iter().flat_map(|s| &s.sources).map(|r| r.charge_ah).sum();
    let skipped = rows.len().saturating_sub(MOST_SESSIONS);
    let total = sum(&rows, given_by_all);
    let own = report.findings.findings.iter().filter(|f| report.place(f) == Place::Source(&source.name));
    let mut facts =
        vec![words::source_kind(source.kind).to_owned(), words::rated(&format::setting(source.rated_a, "A"))];
    facts.extend(source.set_a.map(|a| words::set_to(&format::setting(a, "A"))));
    facts.extend(source.coordination.map(|c| words::coordination(c).to_owned()));
    facts.extend(source.group.as_deref().map(|g| words::in_group(&format::plain(g))));
    html! {
        section.source {
            h3 { (format::sentence_start(&source.name)) }
            p.note { (facts.join(", ")) }
            @if rows.is_empty() { p { (words::NO_SESSION_OF_SOURCE) } }
            @else {
                table.cards.numbers.even {
                    thead { tr { @for c in words::SOURCE_COLUMNS { th scope="col" { (c) } } th scope="col" { (words::SOURCE_PICTURE) } } }
                    tbody {
                        @for (id, r) in rows.iter().skip(skipped) { (row(&id.to_string(), r, most)) }
                        @if rows.len() > 1 { (row(words::ALL_SESSIONS, &total, 0.0)) }
                    }
                }
            }
            @if skipped > 0 { p.note { (words::more_rows(skipped)) } }
            (findings(own, clock, false, if total.opportunity_s > 0.0 { words::NOTHING_FOUND } else { words::NOTHING_SEEN }))
        }
    }
}

/// Findings, the weightiest first; `named` where no heading names their source.
pub fn findings<'a>(found: impl Iterator<Item = &'a Finding>, clock: &Clock, named: bool, nothing: &str) -> Markup {
    let found = by_weight(found);
    html! {
        @if found.is_empty() { p { (nothing) } }
        @for f in found.iter().take(MOST_FINDINGS) { (block(f, clock, named)) }
        @if found.len() > MOST_FINDINGS { p.note { (words::more_rows(found.len() - MOST_FINDINGS)) } }
    }
}

fn sum(rows: &[(u32, &SourceInSession)], given_by_all: f64) -> SourceInSession {
    let total = |f: fn(&SourceInSession) -> f64| rows.iter().map(|(_, r)| f(r)).sum::<f64>();
    SourceInSession {
        source: String::new(),
        charge_ah: total(|r| r.charge_ah),
        // The greater part of it is the sensor's own fault, which is the same in every session: plain sum, not root of squares.
        charge_uncertainty_ah: total(|r| r.charge_uncertainty_ah),
        energy_wh: total(|r| r.energy_wh),
        share: (given_by_all > 0.0).then(|| total(|r| r.charge_ah) / given_by_all),
        opportunity_s: total(|r| r.opportunity_s),
        contributing_s: total(|r| r.contributing_s),
        lost_ah: total(|r| r.lost_ah),
        measured: rows.iter().all(|(_, r)| r.measured),
    }
}

fn row(session: &str, r: &SourceInSession, most: f64) -> Markup {
    let [c_session, c_gave, c_share, c_opportunity, c_contributing, c_lost] = words::SOURCE_COLUMNS;
    // The document holds one standard uncertainty; the report shows two (k = 2) throughout.
    let gave = format::with_uncertainty(r.charge_ah, 2.0 * r.charge_uncertainty_ah, "Ah");
    html! {
        tr {
            td data-name=(c_session) { (session) }
            td data-name=(c_gave) { (gave) @if !r.measured { " (" (words::INFERRED_MARK) ")" } }
            td data-name=(c_share) { (r.share.map_or_else(|| words::DASH.to_owned(), format::percent)) }
            td data-name=(c_opportunity) { (format::duration(r.opportunity_s)) }
            td data-name=(c_contributing) { (format::duration(r.contributing_s)) }
            td data-name=(c_lost) { (format::amp_hours(r.lost_ah)) }
            td.pic { @if most > 0.0 { (bar(r.charge_ah / most, r.lost_ah / most)) } }
        }
    }
}

fn bar(gave: f64, lost: f64) -> Markup {
    let width = |part: f64| if part.is_finite() { (part.clamp(0.0, 1.0) * 98.0).round() } else { 0.0 };
    html! {
        svg.bar viewBox="0 0 100 12" role="img" aria-label=(words::GAVE_LOST_ALT) {
            rect.gave x="1" y="1" width=(width(gave)) height="10" {}
            // Narrower than its own frame it would be a smudge.
            @if width(lost) >= 3.0 { rect.lost x={ (1.0 + width(gave)) } y="1" width=(width(lost)) height="10" {} }
        }
    }
}

/// The section about bank and installation.
pub fn installation(report: &ReportInput<'_>, clock: &Clock) -> Markup {
    let own = report.findings.findings.iter().filter(|f| report.place(f) == Place::Installation);
    html! {
        section id="installation" {
            h2 { (words::INSTALLATION) }
            (findings(own, clock, true, words::NOTHING_INSTALLATION))
            h3 { (words::BATTERY) }
            (battery(&report.findings.battery))
        }
    }
}

fn battery(b: &BatteryFigures) -> Markup {
    let in_unit = |e: Option<Estimate>, unit: &str, scale: f64| match e {
        Some(e) => format::with_uncertainty(e.value * scale, 2.0 * e.uncertainty * scale, unit),
        None => words::BATTERY_UNKNOWN.to_owned(),
    };
    let figures = [
        in_unit(b.capacity_ah, "Ah", 1.0),
        in_unit(b.resistance_mohm, "mohm", 1.0),
        in_unit(b.coulombic_efficiency, "%", 100.0),
        in_unit(b.energy_efficiency, "%", 100.0),
    ];
    html! {
        table.rows { @for (name, figure) in words::BATTERY_ROWS.iter().zip(figures) { tr { th { (name) } td { (figure) } } } }
    }
}
