//! When breakers of AC sources, and contactors, opened and closed.

use crate::series::Series;

/// One change of a switch: somewhere between two samples of its state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Change {
    /// It closed (code 1); false: it opened (code 0).
    pub closed: bool,
    /// Last sample in the old state, ms.
    pub after: i64,
    /// First sample in the new state, ms.
    pub before: i64,
}

impl Change {
    /// The middle of the two samples, s since the epoch, with one standard uncertainty (rectangular; JCGM 100, 4.3.7).
    pub fn moment_s(&self) -> (f64, f64) {
        let width = (self.before - self.after) as f64 / 1000.0;
        (self.after as f64 / 1000.0 + 0.5 * width, width / 12_f64.sqrt())
    }
}

/// Samples of a switch further apart than this do not say when it moved, ms.
const LONGEST_MS: i64 = 60_000;

/// Every change that was seen to happen. Codes other than 0 and 1 say neither, and what lies on both sides of a long silence
/// is no change that anybody saw.
pub fn changes(series: &Series) -> Vec<Change> {
    let mut out = Vec::new();
    let mut last: Option<(i64, bool)> = None;
    for (t, v) in series.points() {
        let Some(closed) = state(v) else {
            last = None;
            continue;
        };
        if let Some((after, was)) = last
            && was != closed
            && t - after <= LONGEST_MS
        {
            out.push(Change { closed, after, before: t });
        }
        last = Some((t, closed));
    }
    out
}

/// The state in every stretch in which it was known: from, to (ms), closed.
pub fn stretches(series: &Series) -> Vec<(i64, i64, bool)> {
    let mut out: Vec<(i64, i64, bool)> = Vec::new();
    let mut joined = false;
    for (t, v) in series.points() {
        let Some(closed) = state(v) else {
            joined = false;
            continue;
        };
        match out.last_mut() {
            Some((_, to, was)) if joined && *was == closed && t - *to <= LONGEST_MS => *to = t,
            _ => out.push((t, t, closed)),
        }
        joined = true;
    }
    out
}

/// Its state at `t`, by the last sample within a minute.
pub fn closed_at(series: &Series, t: i64) -> Option<bool> {
    series.before(t).filter(|p| t - p.0 <= LONGEST_MS).and_then(|p| state(p.1))
}

fn state(code: f64) -> Option<bool> {
    match code {
        1.0 => Some(true),
        0.0 => Some(false),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(codes: &[(i64, f64)]) -> Series {
        Series::from_points(codes.iter().map(|(s, v)| (s * 1000, *v)))
    }

    #[test]
    fn a_change_lies_between_two_samples() {
        let s = series(&[(0, 0.0), (1, 0.0), (2, 1.0), (3, 1.0), (4, 0.0)]);
        let found = changes(&s);
        assert_eq!(found.len(), 2);
        assert_eq!(found[0], Change { closed: true, after: 1000, before: 2000 });
        assert_eq!(found[0].moment_s().0, 1.5);
        assert_eq!((closed_at(&s, 1500), closed_at(&s, 2500), closed_at(&s, 90_000)), (Some(false), Some(true), None));
        assert_eq!(stretches(&s), [(0, 1000, false), (2000, 3000, true), (4000, 4000, false)]);
    }

    #[test]
    fn nobody_saw_what_happened_in_a_silence_or_between_unknown_codes() {
        assert_eq!(changes(&series(&[(0, 0.0), (100, 1.0)])), []);
        assert_eq!(changes(&series(&[(0, 0.0), (1, 3.0), (2, 1.0)])), []);
        assert_eq!(changes(&series(&[(0, 0.0), (1, f64::NAN), (2, 1.0)])), []);
    }
}
