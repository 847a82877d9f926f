//! What a stretch of a column comes to: extremes, sum, and the integral over time.
//!
//! The integral is the trapezoid rule between neighbouring rows that both have a value and are not more than
//! [`GAP_MS`] apart; the step that ends at a row belongs to that row. Missing time adds nothing: `covered_ms` says how
//! much there was.

use crate::coding::Coding;
use crate::rows::{Column, Values};
use std::ops::Range;

/// Two values farther apart than this have a gap between them, ms. A design choice: the slowest periodic messages of
/// the buses repeat within seconds.
pub const GAP_MS: i64 = 60_000;

/// What a stretch of a column comes to, in the channel's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// Rows.
    pub count: u64,
    /// Rows without a value.
    pub missing: u64,
    /// Time (ms) and value of the first row that has one.
    pub first: Option<(i64, f64)>,
    /// Of the last.
    pub last: Option<(i64, f64)>,
    /// The smallest value; infinite where there is none.
    pub min: f64,
    /// The largest.
    pub max: f64,
    /// All values added up.
    pub sum: f64,
    /// The integral, unit times seconds.
    pub integral: f64,
    /// The time that the integral covers, ms.
    pub covered_ms: i64,
}

impl Default for Summary {
    fn default() -> Self {
        Self {
            count: 0,
            missing: 0,
            first: None,
            last: None,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
            sum: 0.0,
            integral: 0.0,
            covered_ms: 0,
        }
    }
}

/// The row before a stretch, where it had a value: the step from it belongs to the stretch.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Carry(Option<(i64, f64)>);

impl Summary {
    /// Puts two stretches together of which `next` follows.
    pub fn merge(&mut self, next: &Self) {
        self.count += next.count;
        self.missing += next.missing;
        self.first = self.first.or(next.first);
        self.last = next.last.or(self.last);
        self.min = self.min.min(next.min);
        self.max = self.max.max(next.max);
        self.sum += next.sum;
        self.integral += next.integral;
        self.covered_ms += next.covered_ms;
    }

    pub(crate) fn shifted(mut self, by_ms: i64) -> Self {
        for end in [&mut self.first, &mut self.last].into_iter().flatten() {
            end.0 = end.0.wrapping_add(by_ms);
        }
        self
    }

    /// Of whole numbers: `values` has one entry per row that has a value.
    pub(crate) fn of<T: Copy + Into<i64>, V: Copy + Into<i64>>(
        times: &[T],
        values: &[V],
        runs: impl Iterator<Item = Stretch>,
        coding: Coding,
        carry: &mut Carry,
    ) -> Self {
        let (step, offset, scale) = match coding {
            Coding::Scaled(scale) => (scale.step as f64, scale.offset as f64, scale.power()),
            Coding::Float => (1.0, 0.0, 1.0),
        };
        // Beyond 38 bits the sums of a block could leave 64 bits.
        let bound = 1_i64 << 38;
        if size_of::<V>() == 8 && values.iter().any(|v| !(-bound..bound).contains(&(*v).into())) {
            let floats: Vec<f64> = values.iter().map(|v| coding.value((*v).into())).collect();
            return Self::of_floats(times, &floats, runs, carry);
        }
        each_run(times, values, runs, carry, |times, values| {
            let sums = ints(times, values);
            let value = |raw: i64| coding.value(raw);
            let n = values.len() as f64;
            let (low, high) = (value(sums.low), value(sums.high));
            Self {
                min: low.min(high),
                max: low.max(high),
                sum: (sums.sum as f64 * step + offset * n) / scale,
                integral: (sums.doubled * step / 2.0 + offset * sums.covered as f64) / scale / 1000.0,
                covered_ms: sums.covered,
                first: Some((times[0].into(), value(values[0].into()))),
                last: Some((times[times.len() - 1].into(), value(values[values.len() - 1].into()))),
                count: values.len() as u64,
                missing: 0,
            }
        })
    }

    /// Of floats.
    pub(crate) fn of_floats<T: Copy + Into<i64>>(
        times: &[T],
        values: &[f64],
        runs: impl Iterator<Item = Stretch>,
        carry: &mut Carry,
    ) -> Self {
        each_run(times, values, runs, carry, |times, values| {
            let mut out = Self { count: values.len() as u64, ..Self::default() };
            let mut before: Option<(i64, f64)> = None;
            for (t, value) in times.iter().zip(values) {
                let now = ((*t).into(), *value);
                out.min = out.min.min(now.1);
                out.max = out.max.max(now.1);
                out.sum += now.1;
                if let Some(before) = before {
                    out.step(before, now);
                }
                before = Some(now);
                out.first.get_or_insert(now);
            }
            out.last = before;
            out
        })
    }

    /// Adds the step between two neighbours.
    fn step(&mut self, before: (i64, f64), now: (i64, f64)) {
        let dt = now.0.wrapping_sub(before.0);
        if (0..=GAP_MS).contains(&dt) {
            self.integral += (before.1 + now.1) / 2.0 * dt as f64 / 1000.0;
            self.covered_ms += dt;
        }
    }
}

/// Runs of rows with values, one after the other, and the steps between a run and what came before it.
fn each_run<T: Copy + Into<i64>, V: Copy>(
    times: &[T],
    values: &[V],
    runs: impl Iterator<Item = Stretch>,
    carry: &mut Carry,
    of: impl Fn(&[T], &[V]) -> Summary,
) -> Summary {
    let mut out = Summary::default();
    let mut used = 0;
    for (code, rows) in runs {
        let n = rows.len();
        if code != 0 {
            out.count += n as u64;
            out.missing += n as u64;
            carry.0 = None;
            continue;
        }
        let part = of(&times[rows], &values[used..used + n]);
        used += n;
        if let (Some(before), Some(now)) = (carry.0, part.first) {
            out.step(before, now);
        }
        out.merge(&part);
        carry.0 = part.last;
    }
    out
}

struct Sums {
    low: i64,
    high: i64,
    sum: i64,
    /// Sum of (a + b) dt.
    doubled: f64,
    covered: i64,
}

/// The loop that a scan spends its time in. `values` is not empty; no value has more than 38 bits.
fn ints<T: Copy + Into<i64>, V: Copy + Into<i64>>(times: &[T], values: &[V]) -> Sums {
    let first = values[0].into();
    let mut sums = Sums { low: first, high: first, sum: first, doubled: 0.0, covered: 0 };
    let (mut t0, mut before): (i64, i64) = (times[0].into(), first);
    // Sixty-four steps of at most 39 bits by 16 bits stay within 61 bits; then they go into the float.
    for (times, values) in times[1..].chunks(64).zip(values[1..].chunks(64)) {
        let mut doubled = 0_i64;
        for (t, v) in times.iter().zip(values) {
            let (t, v): (i64, i64) = ((*t).into(), (*v).into());
            let dt = t.wrapping_sub(t0);
            let dt = if (0..=GAP_MS).contains(&dt) { dt } else { 0 };
            doubled += (before + v) * dt;
            sums.covered += dt;
            sums.sum += v;
            sums.low = sums.low.min(v);
            sums.high = sums.high.max(v);
            (t0, before) = (t, v);
        }
        sums.doubled += doubled as f64;
    }
    sums
}

/// A run of rows that say the same: code and rows.
type Stretch = (u8, Range<usize>);

impl Column {
    /// What stretches of this column come to, one after the other. `times` are those of all rows; `carry` is the row
    /// before the first stretch, and afterwards the last row.
    pub fn summaries<'a>(
        &'a self,
        times: &'a [i64],
        stretches: &'a [Range<usize>],
        coding: Coding,
        carry: &'a mut Carry,
    ) -> impl Iterator<Item = Summary> + 'a {
        stretches.iter().map(move |rows| {
            let times = &times[rows.clone()];
            let runs = self.said.runs_within(rows.clone());
            match &self.values {
                Values::Ints(v) if self.said.all_values() => Summary::of(times, &v[rows.clone()], runs, coding, carry),
                Values::Ints(v) => Summary::of(times, &present(&v[rows.clone()], runs.clone()), runs, coding, carry),
                Values::Floats(v) => Summary::of_floats(times, &present(&v[rows.clone()], runs.clone()), runs, carry),
            }
        })
    }
}

fn present<T: Copy>(values: &[T], runs: impl Iterator<Item = Stretch>) -> Vec<T> {
    runs.filter(|(code, _)| *code == 0).flat_map(|(_, rows)| &values[rows]).copied().collect()
}

#[cfg(test)]
mod tests;
