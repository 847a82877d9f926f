//! The bank's resistance from steps of its current.

use crate::stats;
use crate::view::BankView;
use ampwake_schemas::findings::Estimate;
use std::collections::BTreeMap;

/// One step of the current.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Step {
    /// When, ms since the epoch.
    pub at_ms: i64,
    /// What it answered, milliohms.
    pub mohm: f64,
    /// The bank's temperature then, degC; NaN where nobody measured it.
    pub celsius: f64,
}

/// What a step has to be at least: a tenth of the capacity per hour (common practice, no source), A.
fn least(capacity_ah: f64) -> f64 {
    0.1 * capacity_ah
}

/// R = ΔU/ΔI (the two-level formula of IEC 62620 / IEC 61960-3, applied to steps of loads and sources), from steps with
/// both sides steady for five seconds and the reading taken five seconds after the step.
pub(super) fn steps(view: &BankView) -> Vec<Step> {
    let s = view.grid.cells(5.0);
    if view.grid.step > 2000 {
        return Vec::new();
    }
    let least = least(view.intent.capacity_ah);
    let mut found: Vec<Step> = Vec::new();
    let mut k = s;
    while k + 3 * s < view.grid.len {
        // Most of the time nothing happens.
        if (view.current[k + s] - view.current[k - 1]).abs() < 0.8 * least {
            k += 1;
            continue;
        }
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
            let mohm = (v1 - v0) / (i1 - i0) * 1000.0;
            found.push(Step { at_ms: view.grid.at(k), mohm, celsius: view.temperature[k] });
            k += 2 * s;
        }
        k += 1;
    }
    found
}

/// Temperatures at which resistances are compared, degC: some kelvin around the 25 at which they are rated.
const COMPARED_C: std::ops::RangeInclusive<f64> = 18.0..=32.0;

/// The median of every stretch of `length_ms` since `start_ms` with at least three steps at a comparable (or unknown)
/// temperature: (stretch, milliohms, one standard uncertainty).
pub(super) fn by_stretch(steps: &[Step], capacity_ah: f64, length_ms: i64, start_ms: i64) -> Vec<(i64, f64, f64)> {
    let mut all: BTreeMap<i64, Vec<Step>> = BTreeMap::new();
    for step in steps.iter().filter(|s| s.celsius.is_nan() || COMPARED_C.contains(&s.celsius)) {
        all.entry((step.at_ms - start_ms).div_euclid(length_ms)).or_default().push(*step);
    }
    let figure = |steps: Vec<Step>| resistance(&steps, capacity_ah).map(|e| (e.value, e.uncertainty));
    all.into_iter().filter_map(|(n, steps)| figure(steps).map(|(r, u)| (n, r, u))).collect()
}

/// The median of at least three steps (common practice, no source).
pub(super) fn resistance(steps: &[Step], capacity_ah: f64) -> Option<Estimate> {
    if steps.len() < 3 {
        return None;
    }
    let middle = stats::median(steps.iter().map(|s| s.mohm))?;
    let spread = stats::median(steps.iter().map(|s| (s.mohm - middle).abs()))?;
    // 1.4826 · MAD estimates a standard deviation (Rousseeuw and Croux 1993); the voltage's resolution adds to it.
    let u = (1.4826 * spread / (steps.len() as f64).sqrt()).hypot(0.005 / least(capacity_ah) * 1000.0);
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
        let found = |seconds| resistance(&steps(&tape(seconds).view(&intent)), 400.0);
        let r = found(600).expect("nine steps");
        assert_eq!(r.value, 12.0);
        // Two steps are an accident.
        assert_eq!(found(170), None);
    }
}
