//! How long a state of affairs lasted, and the best stretch of it.

use crate::series::Grid;

/// A pause in it (another load's step, a missed message) that is no end of it, s.
const PAUSE_S: f64 = 30.0;

/// Stretches of cells for which `test` holds, pauses bridged.
pub(crate) fn stretches(grid: Grid, test: impl Fn(usize) -> bool) -> Vec<(usize, usize)> {
    let pause = grid.cells(PAUSE_S);
    let mut out: Vec<(usize, usize)> = Vec::new();
    for k in (0..grid.len).filter(|k| test(*k)) {
        match out.last_mut() {
            Some((_, end)) if k - *end <= pause => *end = k + 1,
            _ => out.push((k, k + 1)),
        }
    }
    out
}

/// The longest of them, s.
pub(crate) fn longest_s(grid: Grid, stretches: &[(usize, usize)]) -> f64 {
    stretches.iter().map(|(a, b)| (b - a) as f64 * grid.step_s()).fold(0.0, f64::max)
}

/// Of all windows of `hold` cells inside the stretches the one with the highest mean of `given` over that of `due`: both
/// means, and where it begins.
pub(crate) fn best_window(
    stretches: &[(usize, usize)],
    hold: usize,
    given: impl Fn(usize) -> f64,
    due: impl Fn(usize) -> f64,
) -> Option<(f64, f64, usize)> {
    let mut best: Option<(f64, f64, usize)> = None;
    for &(from, to) in stretches.iter().filter(|(a, b)| b - a >= hold) {
        // What is not known counts neither way.
        let pair = |k: usize| match (given(k), due(k)) {
            (g, d) if g.is_finite() && d.is_finite() && d > 0.0 => (g, d, 1.0),
            _ => (0.0, 0.0, 0.0),
        };
        let mut sum = (0.0, 0.0, 0.0);
        for k in from..to {
            let new = pair(k);
            sum = (sum.0 + new.0, sum.1 + new.1, sum.2 + new.2);
            if k >= from + hold {
                let old = pair(k - hold);
                sum = (sum.0 - old.0, sum.1 - old.1, sum.2 - old.2);
            }
            let known = sum.2 > 0.8 * hold as f64;
            if k + 1 >= from + hold && known && best.is_none_or(|b| sum.0 / sum.1 > b.0 / b.1) {
                best = Some((sum.0 / sum.2, sum.1 / sum.2, k + 1 - hold));
            }
        }
    }
    best
}
