//! Moments at which the bank's state of charge is known from outside the ampere-hour count: full (the tail of an
//! absorption), or at rest long enough for its open-circuit voltage to tell.

use crate::model::ocv;
use crate::stages::{Span, tail_reached};
use crate::stats;
use crate::view::BankView;
use ampwake_schemas::findings::Stage;
use ampwake_schemas::intent::Chemistry;

/// How an anchor knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The bank took no more than its tail current at the absorption set-point.
    Full,
    /// It had rested, and its voltage says what is in it.
    Rest,
}

/// A known state of charge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anchor {
    /// The cell.
    pub at: usize,
    /// State of charge, 0..1.
    pub soc: f64,
    /// One standard uncertainty of that.
    pub u_soc: f64,
    /// How it is known.
    pub kind: Kind,
}

/// What "full" at the tail current of the design may differ from the last ampere-hour (common practice, no source).
const U_FULL: f64 = 0.01;

/// How long a chemistry has to rest, s, and how still its cells must stand then, V per hour (1 h is the default rest of
/// the US DOE/INL battery test manuals, from memory; the longer ones and the millivolt are common practice, no source).
fn rest_of(chemistry: Chemistry) -> (f64, f64) {
    match chemistry {
        Chemistry::Nmc | Chemistry::Lto => (3600.0, 0.001),
        Chemistry::Lfp => (3.0 * 3600.0, 0.001),
        Chemistry::Flooded | Chemistry::Agm | Chemistry::Gel => (8.0 * 3600.0, 0.002),
    }
}

/// How far the cells of one maker stand off a published curve, V (common practice, no source): it makes a lithium iron
/// phosphate bank on its plateau unknowable, which it is.
fn u_curve(chemistry: Chemistry) -> f64 {
    if chemistry.is_lead_acid() { 0.01 } else { 0.02 }
}

/// Every anchor of the recording, in time order.
pub fn anchors(view: &BankView, spans: &[Span]) -> Vec<Anchor> {
    let full = spans.iter().filter(|s| s.stage == Stage::Absorption).filter_map(|s| tail_reached(view, s));
    let mut out: Vec<Anchor> = full.map(|at| Anchor { at, soc: 1.0, u_soc: U_FULL, kind: Kind::Full }).collect();
    out.extend(rests(view));
    out.sort_by_key(|a| a.at);
    out
}

/// The end of every rest that was long and still enough.
fn rests(view: &BankView) -> Vec<Anchor> {
    let (long, _) = rest_of(view.intent.chemistry);
    let least = view.grid.cells(long);
    let limit = (view.intent.capacity_ah / 200.0).max(2.0 * view.u_current(0.0));
    // A rest goes on through a lost message, and not through a silence in which anything may have happened.
    let bridge = view.grid.cells(60.0);
    let mut out = Vec::new();
    let (mut start, mut last): (Option<usize>, usize) = (None, 0);
    for k in 0..=view.grid.len {
        let i = view.current.get(k).copied();
        let rests = i.is_some_and(|i| i.abs() < limit);
        let unknown = i.is_some_and(f64::is_nan) && k - last <= bridge;
        if rests {
            start.get_or_insert(k);
            last = k;
        } else if !unknown && let Some(from) = start.take() {
            out.extend((last - from >= least).then(|| at_rest(view, from, last)).flatten());
        }
    }
    out
}

/// What the voltage at the end of a rest says; `None` where it still moved.
fn at_rest(view: &BankView, from: usize, last: usize) -> Option<Anchor> {
    let chemistry = view.intent.chemistry;
    let cells = f64::from(view.intent.cells_in_series);
    let (_, still) = rest_of(chemistry);
    let hour = view.grid.cells(3600.0).min(last - from);
    let window = last - hour..last;
    let points = window.clone().map(|k| (k as f64 * view.grid.step_s() / 3600.0, view.voltage[k] / cells));
    let drift = stats::line(points)?.slope.abs();
    let tail = last.saturating_sub(view.grid.cells(300.0)).max(from)..last;
    let v = stats::median(tail.map(|k| view.voltage[k]))? / cells;
    if drift > still {
        return None;
    }
    let u_v = (view.u_voltage(v * cells) / cells).hypot(u_curve(chemistry));
    let curve = ocv(chemistry);
    let (soc, low, high) = (invert(&curve, v), invert(&curve, v - u_v), invert(&curve, v + u_v));
    // Where the curve is flat the interval is wide; beyond its ends the voltage says no more than that.
    let off_the_curve = v > curve.at(1.0) || v < curve.at(0.0);
    let u_soc = (0.5 * (high - low)).max(0.005);
    (!off_the_curve).then_some(Anchor { at: last, soc, u_soc, kind: Kind::Rest })
}

/// The state of charge at which a rising curve has this value, 0..1.
fn invert(curve: &crate::model::Curve, v: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if curve.at(middle) < v { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Chen et al. 2020, the curve in `model`: 3.581 V at 0.30, 4.042 V at 0.80.
    #[test]
    fn a_curve_is_read_backwards() {
        let nmc = ocv(Chemistry::Nmc);
        assert!((invert(&nmc, 3.581) - 0.30).abs() < 1e-3 && (invert(&nmc, 4.042) - 0.80).abs() < 1e-3);
        assert!(invert(&nmc, 1.0) < 1e-6 && invert(&nmc, 5.0) > 1.0 - 1e-6);
    }
}
