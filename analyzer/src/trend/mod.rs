//! Months and years: how the bank's capacity and resistance, the resistance of each source's lead, and each source's part
//! of what its kind gave change. Only a change that the figures' own scatter and uncertainty carry becomes a finding.

mod lines;
pub mod stats;

pub use lines::{Lead, leads, lines};

use crate::report::format;
use ampwake_schemas::findings::{Direction, Evidence, Finding, Kind, Severity, Trend, TrendOf};

/// What the trends of a vessel say that somebody should know.
pub fn findings(trends: &[Trend]) -> Vec<Finding> {
    trends.iter().filter_map(finding).collect()
}

fn finding(t: &Trend) -> Option<Finding> {
    let (kind, what, check) = match (t.of, t.direction) {
        (TrendOf::BankCapacity, Direction::Falling) => (
            Kind::CapacityFade,
            "The bank's capacity falls".to_owned(),
            ["have the capacity measured by a full discharge", "compare with the battery maker's warranty curve"],
        ),
        (TrendOf::BankResistance, Direction::Rising) => (
            Kind::ResistanceRise,
            "The bank's resistance rises".to_owned(),
            ["have terminals and cell connections checked for heat and torque", "compare cell voltages under load"],
        ),
        (TrendOf::ShareOfKind, Direction::Falling) => {
            let name = t.source.as_deref().unwrap_or_default();
            (
                Kind::YieldLoss,
                format!("What {} gives falls beside the others of its kind", format::plain(name)),
                [
                    "look at panels, strings, fuses and shade",
                    "compare open-circuit voltage and current with the others",
                ],
            )
        }
        _ => return None,
    };
    let (first, last) = (t.points.first()?, t.points.last()?);
    let unit = if t.unit == "fraction" { "%" } else { &t.unit };
    let figure = |x: f64| format::quantity(if t.unit == "fraction" { 100.0 * x } else { x }, unit);
    let mut evidence = Evidence::new();
    for (name, value) in [("per_year", t.per_year), ("per_year_low", t.low), ("per_year_high", t.high), ("p", t.p)] {
        crate::cause::put(&mut evidence, name, value.unwrap_or(f64::NAN), 5);
    }
    Some(Finding {
        kind,
        cause: None,
        severity: Severity::Caution,
        source: t.source.clone(),
        channel: None,
        start: first.time,
        end: last.time,
        confidence: (1.0 - t.p.unwrap_or(1.0)).clamp(0.0, 0.99),
        summary: format!(
            "{what}: from {} to {} over {} months, {} a year (between {} and {}).",
            figure(first.value),
            figure(last.value),
            t.points.len(),
            figure(t.per_year?),
            figure(t.low?),
            figure(t.high?),
        ),
        evidence,
        check_next: check.map(str::to_owned).to_vec(),
    })
}
