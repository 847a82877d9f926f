//! One channel over time, with what is missing said so: integrals and means never invent what was not seen.

use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;

/// Samples of one channel in time order. A sample without a value (not available, out of range) ends the
/// validity of the one before it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Series {
    /// Milliseconds since the epoch, never decreasing.
    t: Vec<i64>,
    /// Values; NaN where the sender had none.
    v: Vec<f64>,
    /// Median of the positive distances of two samples, ms: asked for with every integral, so worked out once.
    interval: Option<i64>,
}

/// An integral over time and how much of the time it rests on.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Integral {
    /// Value × hours.
    pub value_h: f64,
    /// Seconds of the period that were seen.
    pub seen_s: f64,
}

/// Shortest time for which one sample is believed, ms: two bus devices with a second's jitter stay joined.
const HOLD_MIN_MS: i64 = 2_500;
/// Longest time for which one sample is believed, ms, however rarely the channel is sent.
const HOLD_MAX_MS: i64 = 180_000;
/// No quantity of a vessel comes near this; a larger number is a sender's nonsense, and would make sums and squares
/// of sums infinite.
const LARGEST: f64 = 1e12;

impl Series {
    /// From readings; a reading out of order is put where it belongs.
    pub fn from_readings(readings: impl IntoIterator<Item = (Timestamp, Reading)>) -> Self {
        Self::from_points(readings.into_iter().map(|(t, r)| (t.millis(), r.value().unwrap_or(f64::NAN))))
    }

    /// From (milliseconds, value) pairs; NaN for "no value".
    pub fn from_points(points: impl IntoIterator<Item = (i64, f64)>) -> Self {
        let (mut t, mut v): (Vec<i64>, Vec<f64>) = points.into_iter().map(|(t, v)| (t, believable(v))).unzip();
        if !t.is_sorted() {
            let mut all: Vec<(i64, f64)> = t.into_iter().zip(v).collect();
            all.sort_by_key(|p| p.0); // stable: equal times keep arrival order
            (t, v) = all.into_iter().unzip();
        }
        let interval = typical_interval(&t);
        Self { t, v, interval }
    }

    /// Number of samples that carry a value.
    pub fn count(&self) -> usize {
        self.v.iter().filter(|v| !v.is_nan()).count()
    }

    /// True without any value.
    pub fn is_empty(&self) -> bool {
        self.count() == 0
    }

    /// The samples: (milliseconds since the epoch, value or NaN).
    pub fn points(&self) -> impl Iterator<Item = (i64, f64)> + '_ {
        self.t.iter().copied().zip(self.v.iter().copied())
    }

    /// Times of the first and the last sample, ms.
    pub fn span(&self) -> Option<(i64, i64)> {
        Some((*self.t.first()?, *self.t.last()?))
    }

    /// The same samples with every value changed by `f`.
    pub fn map(&self, f: impl Fn(f64) -> f64) -> Self {
        Self { t: self.t.clone(), v: self.v.iter().map(|v| believable(f(*v))).collect(), interval: self.interval }
    }

    /// Typical distance of two samples, ms: the median of the positive distances.
    pub fn interval_ms(&self) -> Option<i64> {
        self.interval
    }

    /// For how long a sample is believed, ms: three typical distances. A longer silence is a gap, and a gap
    /// adds nothing (interpolating over one invents charge; common practice, no source).
    pub fn hold_ms(&self) -> i64 {
        self.interval_ms().map_or(HOLD_MAX_MS, |d| d.saturating_mul(3)).clamp(HOLD_MIN_MS, HOLD_MAX_MS)
    }

    /// Integral from `from` to `to` (ms) of `f(value)` by the trapezoidal rule, gaps left out.
    ///
    /// The result is in value-hours: amperes become ampere-hours (1 Ah = 3600 A s).
    pub fn integral(&self, from: i64, to: i64, f: impl Fn(f64) -> f64) -> Integral {
        self.fold_segments(from, to, |(t0, v0), (t1, v1)| (f(v0) + f(v1)) / 2.0 * (t1 - t0) as f64)
    }

    /// Integral of the positive part; a zero crossing between two samples is cut where the line crosses.
    pub fn integral_positive(&self, from: i64, to: i64) -> Integral {
        self.fold_segments(from, to, |(t0, v0), (t1, v1)| {
            let dt = (t1 - t0) as f64;
            match (v0 > 0.0, v1 > 0.0) {
                (true, true) => (v0 + v1) / 2.0 * dt,
                (false, false) => 0.0,
                (true, false) => v0 * v0 / (v0 - v1) / 2.0 * dt,
                (false, true) => v1 * v1 / (v1 - v0) / 2.0 * dt,
            }
        })
    }

    fn fold_segments(&self, from: i64, to: i64, area: impl Fn((i64, f64), (i64, f64)) -> f64) -> Integral {
        let hold = self.hold_ms();
        let (mut sum, mut seen) = (0.0, 0.0);
        // Start one sample early so that the part of a segment that reaches into the period counts.
        let first = self.t.partition_point(|t| *t <= from).saturating_sub(1);
        for k in first..self.t.len().saturating_sub(1) {
            let (t0, t1, v0, v1) = (self.t[k], self.t[k + 1], self.v[k], self.v[k + 1]);
            if t0 >= to {
                break;
            }
            if t1 - t0 > hold || t1 <= t0 || t1 <= from || v0.is_nan() || v1.is_nan() {
                continue;
            }
            let at = |t: i64| v0 + (v1 - v0) * (t - t0) as f64 / (t1 - t0) as f64;
            let (a, b) = (t0.max(from), t1.min(to));
            sum += area((a, at(a)), (b, at(b)));
            seen += (b - a) as f64;
        }
        Integral { value_h: sum / 3_600_000.0, seen_s: seen / 1000.0 }
    }

    /// The last sample at or before `t` (ms), NaN where its sender had no value.
    pub fn before(&self, t: i64) -> Option<(i64, f64)> {
        let k = self.t.partition_point(|x| *x <= t).checked_sub(1)?;
        Some((self.t[k], self.v[k]))
    }

    /// Largest value from `from` to `to` (ms), with its time.
    pub fn max(&self, from: i64, to: i64) -> Option<(i64, f64)> {
        self.points().filter(|(t, v)| *t >= from && *t <= to && !v.is_nan()).max_by(|a, b| a.1.total_cmp(&b.1))
    }
}

/// NaN instead of what no sensor can mean.
fn believable(v: f64) -> f64 {
    if v.abs() < LARGEST { v } else { f64::NAN }
}

fn typical_interval(t: &[i64]) -> Option<i64> {
    let mut steps: Vec<i64> = t.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 0).collect();
    if steps.is_empty() {
        return None;
    }
    let middle = steps.len() / 2;
    Some(*steps.select_nth_unstable(middle).1)
}

/// A regular time axis on which several channels can be compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Grid {
    /// Start of the first cell, ms since the epoch.
    pub start: i64,
    /// Length of a cell, ms.
    pub step: i64,
    /// Number of cells.
    pub len: usize,
}

impl Grid {
    /// A grid over `from..to` (ms): one-second cells, coarser when the period is long (a few hundred
    /// thousand cells are plenty for charging, whose shortest stage is minutes).
    pub fn over(from: i64, to: i64) -> Self {
        const MOST: i64 = 250_000;
        let length = (to - from).max(1);
        let step = 1000 * (length / 1000 / MOST + 1);
        Self { start: from, step, len: usize::try_from(length / step + 1).unwrap_or(1) }
    }

    /// Seconds per cell.
    pub fn step_s(&self) -> f64 {
        self.step as f64 / 1000.0
    }

    /// Start of cell `k`, ms since the epoch.
    pub fn at(&self, k: usize) -> i64 {
        self.start + self.step * k as i64
    }

    /// The cell that holds `t`, clipped to the grid.
    pub fn index(&self, t: i64) -> usize {
        usize::try_from((t - self.start) / self.step).unwrap_or(0).min(self.len.saturating_sub(1))
    }

    /// Cells in `seconds`, at least one.
    pub fn cells(&self, seconds: f64) -> usize {
        ((seconds * 1000.0 / self.step as f64).round() as usize).max(1)
    }

    /// Cell means of a measured quantity; a cell without a sample takes the one before while that is
    /// believed ([`Series::hold_ms`]), else NaN.
    pub fn means(&self, series: &Series) -> Vec<f64> {
        self.fill(series, |sum, n, _| sum / f64::from(n))
    }

    /// Last code of every cell, for enumerations; held like [`Grid::means`] but not less than 10 s.
    pub fn codes(&self, series: &Series) -> Vec<Option<u16>> {
        self.fill_hold(series, series.hold_ms().max(10_000), |_, _, last| last)
            .into_iter()
            .map(|v| if v.is_nan() || !(0.0..65536.0).contains(&v) { None } else { Some(v as u16) })
            .collect()
    }

    fn fill(&self, series: &Series, value: impl Fn(f64, u32, f64) -> f64) -> Vec<f64> {
        self.fill_hold(series, series.hold_ms(), value)
    }

    fn fill_hold(&self, series: &Series, hold: i64, value: impl Fn(f64, u32, f64) -> f64) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.len);
        let mut next = series.t.partition_point(|t| *t < self.start);
        // What was said last before the grid may still hold at its start.
        let mut last = next.checked_sub(1).map(|k| (series.t[k], series.v[k]));
        for k in 0..self.len {
            let end = self.at(k + 1);
            let (mut sum, mut n) = (0.0, 0);
            while next < series.t.len() && series.t[next] < end {
                last = Some((series.t[next], series.v[next]));
                if !series.v[next].is_nan() {
                    sum += series.v[next];
                    n += 1;
                }
                next += 1;
            }
            out.push(match last {
                Some((_, v)) if n > 0 && !v.is_nan() => value(sum, n, v),
                Some((t, v)) if n == 0 && end - t <= hold + self.step => v,
                _ => f64::NAN,
            });
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check value B1: t = 0, 10, 20, 30, 60 s; I = 0, 100, 100, 80, 20 A gives 1.083333 Ah
    /// (trapezoidal rule; 1 Ah = 3600 A s).
    #[test]
    fn coulomb_count_by_the_trapezoidal_rule() {
        let series = Series::from_points([(0, 0.0), (10_000, 100.0), (20_000, 100.0), (30_000, 80.0), (60_000, 20.0)]);
        let q = series.integral(0, 60_000, |i| i);
        assert!((q.value_h - 1.083_333_333_333_333_3).abs() < 1e-9, "{q:?}");
        assert_eq!(q.seen_s, 60.0);
    }

    #[test]
    fn a_gap_adds_nothing_and_is_not_seen() {
        let points = (0..10).chain(400..410).map(|s| (s * 1000, 36.0));
        let q = Series::from_points(points).integral(0, 410_000, |i| i);
        assert_eq!(q.seen_s, 18.0);
        assert!((q.value_h - 36.0 * 18.0 / 3600.0).abs() < 1e-12);
    }

    #[test]
    fn not_available_ends_the_value_before_it() {
        let series = Series::from_points([(0, 10.0), (1000, f64::NAN), (2000, 10.0), (3000, 10.0)]);
        assert_eq!(series.integral(0, 3000, |i| i).seen_s, 1.0);
        let grid = Grid { start: 0, step: 1000, len: 4 };
        let cells = grid.means(&series);
        assert!(cells[1].is_nan() && cells[0] == 10.0 && cells[3] == 10.0);
    }

    #[test]
    fn the_positive_part_is_cut_at_the_crossing() {
        let q = Series::from_points([(0, -10.0), (2000, 10.0)]).integral_positive(0, 2000);
        assert!((q.value_h * 3600.0 - 5.0).abs() < 1e-9);
    }

    #[test]
    fn part_of_a_segment_counts() {
        let q = Series::from_points([(0, 0.0), (2000, 20.0)]).integral(1000, 2000, |i| i);
        assert!((q.value_h * 3600.0 - 15.0).abs() < 1e-9);
    }

    #[test]
    fn equal_times_are_accepted() {
        let series = Series::from_points([(0, 1.0), (0, 2.0), (1000, 2.0)]);
        assert!((series.integral(0, 1000, |i| i).value_h * 3600.0 - 2.0).abs() < 1e-9);
    }

    #[test]
    fn a_long_period_gets_coarser_cells() {
        let month = Grid::over(0, 30 * 86_400_000);
        assert!(month.len <= 250_001 && month.step >= 10_000);
        assert_eq!(Grid::over(0, 3_600_000).step, 1000);
    }

    #[test]
    fn what_is_no_number_is_no_value() {
        let series = Series::from_points([(0, f64::INFINITY), (1000, 1e300), (2000, 5.0)]);
        assert_eq!(series.count(), 1);
        assert_eq!(Series::from_points([(0, 5.0)]).map(|v| v * 1e300).count(), 0);
    }
}
