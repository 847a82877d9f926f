//! The bank's resistance from steps of its current.

use crate::stats;
use crate::view::BankView;
use ampwake_schemas::findings::Estimate;

/// R = ΔU/ΔI (the two-level formula of IEC 62620 / IEC 61960-3, applied to steps of loads and sources), from steps of
/// at least a tenth of the capacity per hour with both sides steady for five seconds and the reading taken five
/// seconds after the step; the median of at least three steps (common practice, no source).
pub(super) fn resistance(view: &BankView) -> Option<Estimate> {
    let s = view.grid.cells(5.0);
    if view.grid.step > 2000 {
        return None;
    }
    let least = 0.1 * view.intent.capacity_ah;
    let mut values: Vec<f64> = Vec::new();
    let mut k = s;
    while k + 3 * s < view.grid.len {
        let (before, after) = (k - s..k, k + s..k + 2 * s);
        let flat = |r: std::ops::Range<usize>| {
            let i = &view.current[r.clone()];
            let (low, high) = (i.iter().copied().fold(f64::NAN, f64::min), i.iter().copied().fold(f64::NAN, f64::max));
            (high - low < 0.1 * least)
                .then(|| Some((stats::mean(i.iter().copied())?, stats::mean(view.voltage[r].iter().copied())?)))?
        };
        if let (Some((i0, v0)), Some((i1, v1))) = (flat(before), flat(after))
            && (i1 - i0).abs() >= least
        {
            values.push((v1 - v0) / (i1 - i0) * 1000.0);
            k += 2 * s;
        }
        k += 1;
    }
    if values.len() < 3 {
        return None;
    }
    let middle = stats::median(values.iter().copied())?;
    let spread = stats::median(values.iter().map(|v| (v - middle).abs()))?;
    // 1.4826 · MAD estimates a standard deviation (Rousseeuw and Croux 1993); the voltage's resolution adds to it.
    let u = (1.4826 * spread / (values.len() as f64).sqrt()).hypot(0.005 / least * 1000.0);
    (middle > 0.0)
        .then_some(Estimate { value: (middle * 100.0).round() / 100.0, uncertainty: (u * 100.0).round() / 100.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{AMPS, Tape, VOLTS, vessel};

    /// Check value B5b (R = ΔU/ΔI): 53.20 to 54.40 V at a step from 0 to 100 A is 12.0 mΩ.
    #[test]
    fn resistance_from_current_steps() {
        let intent = vessel("");
        let on = |t: i64| (t / 60) % 2 == 1;
        let tape = |seconds| {
            Tape::new(seconds)
                .with(AMPS, move |t| if on(t) { 100.0 } else { 0.0 })
                .with(VOLTS, move |t| if on(t) { 54.4 } else { 53.2 })
        };
        let r = resistance(&tape(600).view(&intent)).expect("nine steps");
        assert_eq!(r.value, 12.0);
        // Two steps are an accident.
        assert_eq!(resistance(&tape(170).view(&intent)), None);
    }
}
