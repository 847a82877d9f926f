//! Contribution over the sessions, all sources at a glance: who delivered always, who never, who stopped one day.
//!
//! A column's filled height is the part that the source gave of what it could have given; its frame is there wherever it had an
//! opportunity. So the picture reads without colour, and a session without opportunity is no failure.

use crate::report::clock::Clock;
use crate::report::{ReportInput, format, words};
use ampwake_schemas::findings::{Session, SourceInSession};
use maud::{Markup, html};

/// Sessions shown: the last ones.
const MOST_SESSIONS: usize = 90;
/// With fewer there is nothing to compare.
const LEAST_SESSIONS: usize = 2;
/// Width and height of a cell, and of the gap between cells.
const CELL: (usize, usize) = (18, 22);
const GAP: usize = 3;

/// The picture; nothing with a single session.
pub fn picture(report: &ReportInput<'_>, clock: &Clock) -> Markup {
    let all = &report.findings.sessions;
    if all.len() < LEAST_SESSIONS || report.intent.sources.is_empty() {
        return html! {};
    }
    let sessions = &all[all.len().saturating_sub(MOST_SESSIONS)..];
    html! {
        h3 { (words::CONTRIBUTION) }
        p.note { (words::CONTRIBUTION_NOTE) }
        @if sessions.len() < all.len() { p.note { (words::last_sessions(sessions.len(), all.len())) } }
        table.heat {
            tbody {
                @for source in &report.intent.sources {
                    tr {
                        th scope="row" { (format::sentence_start(&source.name)) }
                        td { (strip(sessions, &source.name, clock)) }
                    }
                }
                tr.note {
                    th scope="row" { (words::SESSION_TIMES) }
                    td.ends {
                        span { (sessions.first().map(|s| clock.moment(s.start)).unwrap_or_default()) }
                        span { (sessions.last().map(|s| clock.moment(s.start)).unwrap_or_default()) }
                    }
                }
            }
        }
    }
}

fn strip(sessions: &[Session], source: &str, clock: &Clock) -> Markup {
    let width = sessions.len() * (CELL.0 + GAP);
    let rows = || sessions.iter().map(|s| s.sources.iter().find(|r| r.source == source));
    let whole = |f: fn(&SourceInSession) -> f64| rows().flatten().map(f).sum::<f64>();
    let alt = words::heat_alt(
        &format::plain(source),
        &format::amp_hours(whole(|r| r.charge_ah)),
        &format::amp_hours(whole(|r| r.lost_ah)),
    );
    html! {
        svg.cells viewBox={ "0 0 " (width) " " (CELL.1) } role="img" aria-label=(alt) {
            @for (n, (session, row)) in sessions.iter().zip(rows()).enumerate() {
                @let x = n * (CELL.0 + GAP);
                @let part = row.and_then(part);
                g {
                    title { (words::heat_cell(&clock.moment(session.start), row.map(|r| (format::amp_hours(r.charge_ah), format::amp_hours(r.lost_ah))))) }
                    @match part {
                        Some(part) => {
                            @let high = (part * CELL.1 as f64).round() as usize;
                            rect.gave x=(x) y=(CELL.1 - high) width=(CELL.0) height=(high) {}
                            rect.cell x=(x) y="0" width=(CELL.0) height=(CELL.1) {}
                        }
                        // It had no opportunity: nothing can be said.
                        None => { path.none d={ "M" (x + 5) "," (CELL.1 / 2) "h" (CELL.0 - 10) } {} }
                    }
                }
            }
        }
    }
}

/// The part that it gave of what it could have given; `None` where it had no opportunity.
fn part(row: &SourceInSession) -> Option<f64> {
    let could = row.charge_ah + row.lost_ah;
    (row.opportunity_s > 0.0 && could > 0.0).then(|| (row.charge_ah / could).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_opportunity_is_no_part() {
        let row = |opportunity_s: f64, charge_ah: f64, lost_ah: f64| SourceInSession {
            source: String::new(),
            charge_ah,
            charge_uncertainty_ah: 0.0,
            energy_wh: 0.0,
            share: None,
            opportunity_s,
            contributing_s: 0.0,
            lost_ah,
            measured: true,
        };
        assert_eq!(part(&row(0.0, 5.0, 0.0)), None);
        assert_eq!(part(&row(60.0, 0.0, 0.0)), None);
        assert_eq!(part(&row(60.0, 3.0, 1.0)), Some(0.75));
        assert_eq!(part(&row(60.0, 0.0, 9.0)), Some(0.0));
    }
}
