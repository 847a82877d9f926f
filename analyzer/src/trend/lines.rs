//! The figures of every month, and the trend through them.

use super::stats::{mann_kendall, theil_sen};
use crate::analyze::Worked;
use crate::battery::Life;
use crate::stats;
use ampwake_schemas::findings::{Direction, Period, Session, Trend, TrendOf, TrendPoint};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::time::Timestamp;
use std::collections::BTreeMap;

const DAY_MS: i64 = 86_400_000;
/// A month, so that a year has twelve of one length.
const MONTH_MS: i64 = 365 * DAY_MS / 12;
/// Fewer months carry no trend (common practice, no source: eight to ten points, a season at least).
const FEWEST: usize = 8;
/// A trend is told at this two-sided probability; the interval of the slope is at the same level.
const LEVEL: f64 = 0.01;
/// Standard deviations that belong to it (normal distribution).
const Z: f64 = 2.575_829;
/// A change of less than this part of the figure matters to nobody (common practice, no source).
const MATTERS: f64 = 0.05;

/// The resistance of a source's lead on one day: terminals to bank, milliohms.
#[derive(Debug, Clone, PartialEq)]
pub struct Lead {
    /// When, ms since the epoch.
    pub at_ms: i64,
    /// The source.
    pub source: String,
    /// R = (V_source - V_bank) / I, the median over a day's cells above a third of the rating.
    pub mohm: f64,
}

/// Those of one bank's sources; a source without voltmeter or without ten minutes above a third of its rating has none.
pub fn leads(w: &Worked) -> Vec<Lead> {
    let view = &w.view;
    let of = |s: &crate::view::SourceView| {
        let cells = (0..view.grid.len).filter(|k| s.current[*k] >= s.intent.rated_a / 3.0);
        let ohms: Vec<f64> =
            cells.map(|k| (s.voltage[k] - view.voltage[k]) / s.current[k] * 1000.0).filter(|r| r.is_finite()).collect();
        let enough = s.measured && ohms.len() >= view.grid.cells(600.0);
        let mohm = stats::median(ohms).filter(|_| enough)?;
        Some(Lead { at_ms: view.grid.start, source: s.intent.name.clone(), mohm })
    };
    view.sources.iter().filter_map(of).collect()
}

/// Every trend that a vessel has figures for, also those that say nothing yet.
pub fn lines(intent: &Intent, period: Period, sessions: &[Session], leads: &[Lead], banks: &[Life]) -> Vec<Trend> {
    let month = |t: i64| (t - period.start.millis()).div_euclid(MONTH_MS);
    let mut out = Vec::new();
    for life in banks {
        out.push(trend(TrendOf::BankCapacity, None, "Ah", period, life.capacities(MONTH_MS, period.start.millis())));
        out.push(trend(
            TrendOf::BankResistance,
            None,
            "mohm",
            period,
            life.resistances(MONTH_MS, period.start.millis()),
        ));
    }
    let mut by_source: BTreeMap<&str, BTreeMap<i64, Vec<f64>>> = BTreeMap::new();
    for lead in leads {
        by_source.entry(&lead.source).or_default().entry(month(lead.at_ms)).or_default().push(lead.mohm);
    }
    for (source, months) in by_source {
        let points = months.into_iter().filter_map(|(m, all)| Some((m, stats::median(all)?, 0.0))).collect();
        out.push(trend(TrendOf::LeadResistance, Some(source), "mohm", period, points));
    }
    out.extend(shares(intent, period, sessions, month));
    out.retain(|t| !t.points.is_empty());
    out
}

/// Of several sources of one kind, each one's part of what they gave together: sun and wind are the same for all.
fn shares(intent: &Intent, period: Period, sessions: &[Session], month: impl Fn(i64) -> i64) -> Vec<Trend> {
    let mut out = Vec::new();
    for s in &intent.sources {
        let like = |name: &str| intent.sources.iter().any(|o| o.name == name && o.kind == s.kind && o.bank == s.bank);
        let brothers = intent.sources.iter().filter(|o| o.kind == s.kind && o.bank == s.bank).count();
        if brothers < 2 || s.kind.is_ac_fed() {
            continue;
        }
        let mut months: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
        for session in sessions {
            let sums = months.entry(month(session.start.millis())).or_default();
            for given in session.sources.iter().filter(|g| g.measured && like(&g.source)) {
                sums.1 += given.energy_wh;
                sums.0 += if given.source == s.name { given.energy_wh } else { 0.0 };
            }
        }
        let points =
            months.into_iter().filter(|(_, (_, all))| *all > 0.0).map(|(m, (own, all))| (m, own / all, 0.0)).collect();
        out.push(trend(TrendOf::ShareOfKind, Some(&s.name), "fraction", period, points));
    }
    out
}

/// `points` are (month, value, standard uncertainty).
fn trend(of: TrendOf, source: Option<&str>, unit: &str, period: Period, points: Vec<(i64, f64, f64)>) -> Trend {
    let years: Vec<(f64, f64)> = points.iter().map(|(m, v, _)| (*m as f64 / 12.0, *v)).collect();
    let slope = theil_sen(&years, Z);
    let test = mann_kendall(&years.iter().map(|p| p.1).collect::<Vec<_>>());
    let long = years.last().zip(years.first()).map_or(0.0, |(b, a)| b.0 - a.0);
    let direction = match slope {
        Some(s) if points.len() >= FEWEST => {
            let typical = stats::median(years.iter().map(|p| p.1.abs())).unwrap_or(0.0);
            let uncertain = stats::median(points.iter().map(|p| p.2)).unwrap_or(0.0);
            let change = s.slope * long;
            let told = test.p < LEVEL && s.low * s.high > 0.0;
            match told && change.abs() > (MATTERS * typical).max(2.0 * uncertain) {
                true if change > 0.0 => Direction::Rising,
                true => Direction::Falling,
                false => Direction::None,
            }
        }
        _ => Direction::TooShort,
    };
    let moment = |m: i64| Timestamp::from_millis(period.start.millis() + m * MONTH_MS + MONTH_MS / 2);
    let digits = |x: f64| (x * 1e4).round() / 1e4;
    Trend {
        of,
        source: source.map(str::to_owned),
        unit: unit.to_owned(),
        direction,
        per_year: slope.map(|s| digits(s.slope)),
        low: slope.map(|s| digits(s.low)),
        high: slope.map(|s| digits(s.high)),
        p: (points.len() >= 2).then(|| (test.p * 1e6).round() / 1e6),
        points: points
            .iter()
            .map(|(m, v, u)| TrendPoint {
                time: moment(*m),
                value: digits(*v),
                uncertainty: (*u > 0.0).then(|| digits(*u)),
            })
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn months(values: impl IntoIterator<Item = f64>) -> Trend {
        let moment = Timestamp::default();
        let points = values.into_iter().enumerate().map(|(k, v)| (k as i64, v, 0.0)).collect();
        trend(TrendOf::BankCapacity, None, "Ah", Period { start: moment, end: moment }, points)
    }

    #[test]
    fn a_steady_fall_is_told_and_scatter_is_not() {
        let fades = months((0..12).map(|k| 560.0 - 4.0 * f64::from(k) + f64::from(k * 7 % 5)));
        assert_eq!(fades.direction, Direction::Falling);
        assert!(fades.low <= Some(-48.0) && Some(-48.0) <= fades.high, "{fades:?}");
        let found = super::super::findings(std::slice::from_ref(&fades));
        assert_eq!(found[0].kind, ampwake_schemas::findings::Kind::CapacityFade);
        let still = months((0..12).map(|k| 560.0 + 8.0 * f64::from(k * 7 % 5)));
        assert_eq!(still.direction, Direction::None);
        assert!(super::super::findings(&[still]).is_empty());
        // A fall too small to matter, and one too short to be told.
        assert_eq!(months((0..12).map(|k| 560.0 - f64::from(k))).direction, Direction::None);
        assert_eq!(months((0..6).map(|k| 560.0 - 20.0 * f64::from(k))).direction, Direction::TooShort);
    }
}
