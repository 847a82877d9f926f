//! What the pictures of a report show: series thinned to what a picture can hold, with their gaps.

use ampwake_schemas::findings::{Period, Stage};

/// One line of a picture. Each part is a stretch without gaps: (milliseconds since the epoch, value).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Trace {
    /// What it is, in the user's words.
    pub label: String,
    /// Its parts, in time order.
    pub parts: Vec<Vec<(i64, f64)>>,
}

/// A temperature with the limit that it was held against.
#[derive(Debug, Clone, PartialEq)]
pub struct TemperatureTrace {
    /// The line.
    pub trace: Trace,
    /// Upper limit, degC.
    pub max_c: Option<f64>,
    /// Lower limit for charging, degC (the bank's).
    pub min_c: Option<f64>,
}

/// A stretch of one stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StageBand {
    /// The stage.
    pub stage: Stage,
    /// From, ms since the epoch.
    pub start: i64,
    /// To, ms since the epoch.
    pub end: i64,
}

/// Everything that is drawn for one bank.
#[derive(Debug, Clone, PartialEq)]
pub struct BankCharts {
    /// The bank's name.
    pub bank: String,
    /// The period drawn.
    pub period: Period,
    /// Bank voltage, V.
    pub voltage: Trace,
    /// The profile's absorption set-point over time (temperature-compensated), V.
    pub absorption_v: Trace,
    /// The profile's float set-point over time, V.
    pub float_v: Trace,
    /// Net bank current, A, into the bank positive.
    pub current: Trace,
    /// Highest charge current of the bank, A.
    pub max_charge_a: Option<f64>,
    /// Current of every source that has a sensor, A.
    pub sources: Vec<Trace>,
    /// Rated current of the same sources, A.
    pub ratings: Vec<f64>,
    /// Temperatures of bank and sources.
    pub temperatures: Vec<TemperatureTrace>,
    /// The stages.
    pub stages: Vec<StageBand>,
    /// Silent periods.
    pub gaps: Vec<Period>,
}

impl Trace {
    /// The trace as a picture of `columns` columns over `period` can show it: per column and part the lowest and
    /// the highest value, so that spikes survive, and each part's ends.
    ///
    /// What is not finite or lies outside the period is left out. A gap narrower than a column cannot be seen and
    /// is closed; so there are never more parts than columns + 1, nor more than about 4 points per column.
    pub fn thinned(&self, period: Period, columns: usize) -> Trace {
        let (from, to) = (period.start.millis(), period.end.millis());
        let columns = columns.max(1);
        let width = (to.saturating_sub(from) / columns as i64).max(1);
        let mut parts: Vec<Vec<(i64, f64)>> = Vec::new();
        for part in &self.parts {
            let mut continues = false;
            for &(t, v) in part.iter().filter(|(t, v)| v.is_finite() && (from..=to).contains(t)) {
                match parts.last_mut() {
                    Some(last) if continues || last.last().is_some_and(|&(end, _)| t.saturating_sub(end) < width) => {
                        last.push((t, v));
                    }
                    _ => parts.push(vec![(t, v)]),
                }
                continues = true;
            }
        }
        for part in &mut parts {
            let (first, last) = (part.first().map_or(0, |p| p.0), part.last().map_or(0, |p| p.0));
            let own_columns = (last.saturating_sub(first) / width).clamp(0, columns as i64) as usize;
            *part = thin(part, 2 * (own_columns + 2) + 2);
        }
        Trace { label: self.label.clone(), parts }
    }
}

/// The sources one upon the other: trace `n` is the sum of the first `n + 1`, in equal columns of the period. What a source takes out
/// is not in it, and a source of which nothing is known in a column adds nothing there; where nothing is known of any, there is a gap.
pub fn stacked(sources: &[Trace], period: Period, columns: usize) -> Vec<Trace> {
    let (from, to) = (period.start.millis(), period.end.millis());
    let width = (to.saturating_sub(from) / columns.max(1) as i64).max(1);
    let mut below = vec![0.0; columns];
    let mut known = vec![false; columns];
    let means: Vec<Vec<Option<f64>>> = sources.iter().map(|s| column_means(s, from, width, columns)).collect();
    for column in means.iter().flat_map(|m| m.iter().enumerate()).filter(|(_, v)| v.is_some()).map(|(at, _)| at) {
        known[column] = true;
    }
    means
        .iter()
        .zip(sources)
        .map(|(means, source)| {
            let mut parts: Vec<Vec<(i64, f64)>> = Vec::new();
            let mut goes_on = false;
            for (at, mean) in means.iter().enumerate() {
                below[at] += mean.map_or(0.0, |v: f64| v.max(0.0));
                if !known[at] {
                    goes_on = false;
                    continue;
                }
                let point = (from + width * at as i64 + width / 2, below[at]);
                match parts.last_mut() {
                    Some(part) if goes_on => part.push(point),
                    _ => parts.push(vec![point]),
                }
                goes_on = true;
            }
            Trace { label: source.label.clone(), parts }
        })
        .collect()
}

fn column_means(trace: &Trace, from: i64, width: i64, columns: usize) -> Vec<Option<f64>> {
    let mut sums = vec![(0.0, 0_u32); columns];
    for &(t, v) in trace.parts.iter().flatten().filter(|p| p.1.is_finite() && p.0 >= from) {
        if let Some(slot) = usize::try_from((t - from) / width).ok().and_then(|at| sums.get_mut(at)) {
            *slot = (slot.0 + v, slot.1 + 1);
        }
    }
    sums.into_iter().map(|(sum, n)| (n > 0).then(|| sum / f64::from(n))).collect()
}

/// At most `max` (but no fewer than 4) of `points`: first, last, and of equal spans of time the lowest and the highest
/// value in time order. `points` is (ms, value) in time order; values that are not finite are left out.
///
/// Common practice, no source: what a plot of a column's width can show is the range within the column.
pub fn thin(points: &[(i64, f64)], max: usize) -> Vec<(i64, f64)> {
    let finite = || points.iter().copied().filter(|p| p.1.is_finite());
    let (Some(first), Some(last)) = (finite().next(), finite().next_back()) else {
        return Vec::new();
    };
    if points.len() <= max.max(4) {
        return finite().collect();
    }
    let buckets = (max.max(4) - 2) / 2;
    let span = (last.0.saturating_sub(first.0)).max(1) as i128;
    let bucket_of = |t: i64| {
        let offset = (t as i128 - first.0 as i128).clamp(0, span);
        (offset * buckets as i128 / span).min(buckets as i128 - 1) as usize
    };
    // Index, lowest and highest of each bucket; empty buckets are skipped.
    type Extremes = ((usize, (i64, f64)), (usize, (i64, f64)));
    let mut extremes: Vec<Option<Extremes>> = vec![None; buckets];
    for (i, p) in points.iter().copied().enumerate().filter(|(_, p)| p.1.is_finite()) {
        let slot = &mut extremes[bucket_of(p.0)];
        let (low, high) = slot.get_or_insert(((i, p), (i, p)));
        if p.1 < low.1.1 {
            *low = (i, p);
        }
        if p.1 > high.1.1 {
            *high = (i, p);
        }
    }
    let mut out = vec![first];
    for (low, high) in extremes.into_iter().flatten() {
        let (a, b) = if low.0 <= high.0 { (low, high) } else { (high, low) };
        out.push(a.1);
        if a.0 != b.0 {
            out.push(b.1);
        }
    }
    out.push(last);
    out.dedup();
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use ampwake_schemas::time::Timestamp;
    use proptest::prelude::*;

    fn period(from: i64, to: i64) -> Period {
        Period { start: Timestamp::from_millis(from), end: Timestamp::from_millis(to) }
    }

    #[test]
    fn one_spike_in_a_day_survives() {
        let mut points: Vec<(i64, f64)> = (0..86_400).map(|s| (s * 1000, 50.0)).collect();
        points[40_000].1 = 61.0;
        points[60_000].1 = 12.0;
        let thinned = thin(&points, 500);
        assert!(thinned.len() <= 500);
        assert!(thinned.contains(&(40_000_000, 61.0)) && thinned.contains(&(60_000_000, 12.0)));
    }

    #[test]
    fn sources_stand_one_upon_the_other() {
        let line = |points: &[(i64, f64)]| Trace { label: String::new(), parts: vec![points.to_vec()] };
        let a = line(&[(0, 10.0), (100, 20.0), (900, 5.0)]);
        let b = line(&[(10, 1.0), (110, -7.0)]);
        let stack = stacked(&[a, b], period(0, 1000), 10);
        assert_eq!(stack[0].parts, [vec![(50, 10.0), (150, 20.0)], vec![(950, 5.0)]]);
        assert_eq!(stack[1].parts, [vec![(50, 11.0), (150, 20.0)], vec![(950, 5.0)]]);
        assert!(stacked(&[], period(0, 0), 0).is_empty());
    }

    #[test]
    fn a_visible_gap_stays_and_an_invisible_one_closes() {
        let trace = Trace {
            label: String::new(),
            parts: vec![vec![(0, 1.0), (10, 1.0)], vec![(12, 2.0), (20, 2.0)], vec![(500, 3.0), (1000, f64::NAN)]],
        };
        let thinned = trace.thinned(period(0, 1000), 100);
        assert_eq!(thinned.parts, vec![vec![(0, 1.0), (10, 1.0), (12, 2.0), (20, 2.0)], vec![(500, 3.0)]]);
    }

    #[test]
    fn a_trace_of_many_single_points_stays_small() {
        let parts = (0..50_000).map(|i| vec![(i * 20, i as f64)]).collect();
        let thinned = Trace { label: String::new(), parts }.thinned(period(0, 1_000_000), 200);
        assert!(thinned.parts.len() <= 201);
        assert!(thinned.parts.iter().map(Vec::len).sum::<usize>() <= 4 * 200 + 8);
    }

    proptest! {
        #[test]
        fn extremes_and_order_survive(values in proptest::collection::vec(-1e6..1e6f64, 1..400), max in 0usize..60) {
            let points: Vec<(i64, f64)> = values.iter().enumerate().map(|(i, v)| (i as i64 * 250, *v)).collect();
            let thinned = thin(&points, max);
            let top = |p: &[(i64, f64)]| p.iter().map(|p| p.1).fold(f64::MIN, f64::max);
            let bottom = |p: &[(i64, f64)]| p.iter().map(|p| p.1).fold(f64::MAX, f64::min);
            prop_assert!(thinned.len() <= max.max(4));
            prop_assert_eq!(top(&thinned), top(&points));
            prop_assert_eq!(bottom(&thinned), bottom(&points));
            prop_assert!(thinned.windows(2).all(|w| w[0].0 < w[1].0));
            prop_assert_eq!((thinned.first(), thinned.last()), (points.first(), points.last()));
        }

        #[test]
        fn hostile_times_do_not_panic(points in proptest::collection::vec((any::<i64>(), any::<f64>()), 0..50), max in 0usize..20) {
            prop_assert!(thin(&points, max).len() <= max.max(4));
            let trace = Trace { label: String::new(), parts: vec![points] };
            let _ = trace.thinned(period(i64::MIN / 1000, i64::MAX / 1000), max);
        }
    }
}
