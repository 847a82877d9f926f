//! The session sailed anew on the fitted bank.

use super::bank::Fitted;
use crate::analyze::Worked;
use crate::model::{BankPort, Branch, solve};
use ampwake_schemas::quantity::{Amperes, Ohms, Volts};

/// What is assumed in one run.
pub(super) struct Assumed {
    /// The bank's resistance, ohm.
    pub(super) resistance: f64,
    /// Which part of what it could have given beyond what it gave the source gives.
    pub(super) part: f64,
    /// What the bank's sensor reads is so many times the truth.
    pub(super) gain: f64,
    /// The source has its input also where it had none.
    pub(super) fed: bool,
}

/// How it went.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sailed {
    /// Until the same charge was in, h.
    pub(super) hours: f64,
    /// What the source gave until then, Ah.
    pub(super) ah: f64,
}

/// Cells that are taken at once, s.
const STEP_S: f64 = 10.0;
/// What regulators hold their volts with: a few milliohm (common practice, no source).
const DROOP: f64 = 0.001;
/// A bus that is no further above its set-point than a regulator's ripple is at it.
const SLACK: f64 = 1.001;

/// Until the same charge is in; `None` where it never is.
pub(super) fn run(w: &Worked, bank: &Fitted, j: usize, assumed: &Assumed) -> Option<Sailed> {
    let view = &w.view;
    let (goal, stride) = (bank.charge(), view.grid.cells(STEP_S));
    let (mut q, mut ah) = (0.0, 0.0);
    let droop = Ohms(DROOP * view.intent.nominal_v / 50.0);
    let mut k = bank.start;
    // As it was it comes to the goal at the end; a run that is slower than the recording has until half as long again.
    let latest = bank.end + (bank.end - bank.start) / 2;
    while k < latest {
        // After the recording's end all is as it was in its last cell.
        let cells = k.min(bank.end - 1)..(k + stride).min(bank.end).max(k.min(bank.end - 1) + 1);
        let hours = stride as f64 * view.grid.step_s() / 3600.0;
        let mean = |of: &dyn Fn(usize) -> f64| crate::stats::mean(cells.clone().map(of));
        let taken = mean(&|c| view.current[c]);
        let own = mean(&|c| view.sources[j].current[c]).unwrap_or(0.0).max(0.0);
        let others = mean(&|c| {
            view.sources.iter().enumerate().filter(|(o, _)| *o != j).map(|(_, s)| s.current[c].max(0.0)).sum()
        });
        let could = mean(&|c| could(w, j, c, assumed.fed)).unwrap_or(own).max(own);
        // Nothing known of this moment: what went in then, nobody counts, as the recording did not.
        let (Some(taken), Some(others)) = (taken, others) else {
            k += stride;
            continue;
        };
        let load = own + others - taken;
        let branch = |limit: f64| Branch { set: Volts(bank.set_point), resistance: droop, limit: Amperes(limit) };
        let limit = own + assumed.part * (could - own);
        let emf = bank.emf(q, assumed.resistance);
        let free = others + limit - load;
        let (into, gave) = if emf + assumed.resistance * free <= bank.set_point * SLACK {
            (free, limit)
        } else {
            let r = Ohms(assumed.resistance);
            let port = BankPort { emf: Volts(emf), charge: r, discharge: r };
            let s = solve(&[branch(others), branch(limit)], &port, Amperes(load));
            (s.bank.0, s.sources[1].0)
        };
        // What is added is worth a little more or less beside what the bank's sensor read.
        let step = (taken + (into - taken) / assumed.gain) * hours;
        if q + step >= goal && step > 0.0 {
            let part = (goal - q) / step;
            let from_start = (k - bank.start) as f64 * view.grid.step_s() / 3600.0;
            return Some(Sailed { hours: from_start + part * hours, ah: ah + part * gave * hours });
        }
        (q, ah) = (q + step, ah + gave * hours);
        k += stride;
    }
    None
}

/// What it could have given, A; NaN where nobody knows.
fn could(w: &Worked, j: usize, k: usize, fed: bool) -> f64 {
    let (o, s) = (&w.opportunity[j], &w.view.sources[j]);
    match () {
        () if o.open[k] => o.could[k],
        () if fed => s.intent.set_a.unwrap_or(s.intent.rated_a),
        () => s.current[k].max(0.0),
    }
}
