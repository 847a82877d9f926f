//! The bank as the recording shows it: electromotive force over the charge that went in, and one resistance.

use super::middle;
use crate::analyze::Worked;
use crate::model::Bank as Usual;
use crate::sessions::SessionSpan;
use crate::stats;
use crate::view::BankView;
use ampwake_schemas::findings::Stage;
use ampwake_schemas::quantity::AmpereHours;

/// Width of a bin of charge, as a share of the capacity.
const BIN: f64 = 0.004;
/// By how much a resistance may be wrong that was fitted where bulk becomes absorption, or taken from the chemistry.
const DOUBT: (f64, f64) = (1.4, 2.2);
/// A lead-acid bank takes less the fuller it is: what holds where bulk ends does not hold before and after.
const LEAD_ACID_DOUBT: f64 = 2.5;

/// The fitted bank.
pub(super) struct Fitted {
    /// First cell, and one past the last.
    pub(super) start: usize,
    pub(super) end: usize,
    /// Ampere-hours that went in since the start, at every cell of it.
    q: Vec<f64>,
    /// Volts less resistance times amperes can be had for any resistance: mean volts and amperes of every bin.
    bins: Vec<Option<(f64, f64)>>,
    lowest: f64,
    width: f64,
    /// Ohm.
    pub(super) resistance: f64,
    /// It may be larger or smaller by this factor.
    pub(super) doubt: f64,
    /// The volts at which absorption is held.
    pub(super) set_point: f64,
    step_h: f64,
}

impl Fitted {
    /// Ampere-hours from start to end.
    pub(super) fn charge(&self) -> f64 {
        self.q.last().copied().unwrap_or(0.0)
    }
    /// Hours from start to end.
    pub(super) fn hours(&self) -> f64 {
        (self.end - self.start) as f64 * self.step_h
    }
    /// State of charge at both ends, where heard.
    pub(super) fn soc(&self, view: &BankView) -> Option<(f64, f64)> {
        let near = |cells: std::ops::Range<usize>| middle(cells.filter_map(|k| view.soc.get(k).copied()));
        let minute = view.grid.cells(60.0);
        let (a, b) = (near(self.start..self.start + minute)?, near(self.end.saturating_sub(minute)..self.end)?);
        (b > a).then_some((a, b))
    }
    /// Electromotive force with `q` ampere-hours in, behind `resistance`; straight between bins, level beyond them.
    pub(super) fn emf(&self, q: f64, resistance: f64) -> f64 {
        let at = (q - self.lowest) / self.width - 0.5;
        let of = |n: usize| self.bins[n].map(|(v, i)| v - resistance * i);
        let last = self.bins.len() - 1;
        let k = at.floor().clamp(0.0, last as f64) as usize;
        let below = (0..=k).rev().find_map(|n| Some((n, of(n)?)));
        let above = (k + 1..=last).find_map(|n| Some((n, of(n)?)));
        match (below, above) {
            (Some((a, x)), Some((b, y))) => x + (y - x) * ((at - a as f64) / (b - a) as f64).clamp(0.0, 1.0),
            (Some((_, x)), None) | (None, Some((_, x))) => x,
            (None, None) => f64::NAN,
        }
    }
}

/// Fits the bank to a session up to cell `target`.
pub(super) fn fit(w: &Worked, session: SessionSpan, target: usize) -> Result<Fitted, String> {
    let view = &w.view;
    let (start, end) = (session.start, target.min(view.grid.len));
    if end <= start + view.grid.cells(600.0) {
        return Err("the session is too short".into());
    }
    let step_h = view.grid.step_s() / 3600.0;
    let mut sum = 0.0;
    let q: Vec<f64> = (start..end)
        .map(|k| {
            let i = view.current[k];
            sum += if i.is_finite() { i * step_h } else { 0.0 };
            sum
        })
        .collect();
    let lowest = q.iter().copied().fold(0.0, f64::min);
    let highest = q.iter().copied().fold(0.0, f64::max);
    let width = (BIN * view.intent.capacity_ah).max((highest - lowest) / 2000.0).max(1e-6);
    let mut sums = vec![(0.0, 0.0, 0.0); ((highest - lowest) / width) as usize + 1];
    for (k, q) in (start..end).zip(&q) {
        let (v, i) = (view.voltage[k], view.current[k]);
        if v.is_finite() && i.is_finite() {
            let bin = &mut sums[((q - lowest) / width) as usize];
            *bin = (bin.0 + v, bin.1 + i, bin.2 + 1.0);
        }
    }
    let bins = sums.iter().map(|(v, i, n)| (*n > 0.0).then(|| (v / n, i / n))).collect();
    let edge = at_the_edge(w, start, end, &q);
    let (resistance, doubt) = match edge {
        _ if view.intent.chemistry.is_lead_acid() => (edge.unwrap_or_else(|| usual(view)), LEAD_ACID_DOUBT),
        Some(r) => (r, DOUBT.0),
        None => (usual(view), DOUBT.1),
    };
    let absorbing = w.spans.iter().filter(|s| s.stage == Stage::Absorption && s.start < end && s.end > start);
    let held = middle(absorbing.flat_map(|s| s.start.max(start)..s.end.min(end)).map(|k| view.voltage[k]));
    let set_point = held.or_else(|| middle((start..end).map(|k| view.absorption_v[k])));
    Ok(Fitted {
        start,
        end,
        q,
        bins,
        lowest,
        width,
        resistance,
        doubt,
        set_point: set_point.ok_or("the bank's set-point is not known")?,
        step_h,
    })
}

/// What a bank of this chemistry and size usually has, late answer included (see the model).
fn usual(view: &BankView) -> f64 {
    let bank = Usual::new(view.intent.chemistry, view.intent.cells_in_series, AmpereHours(view.intent.capacity_ah));
    let cells = f64::from(view.intent.cells_in_series);
    // Lead-acid at four fifths: where it comes to its set-point.
    let acceptance = cells * bank.acceptance_ohm_ah / view.intent.capacity_ah / 0.2_f64.powf(1.2);
    bank.r0.0 + bank.r1.0 + 0.5 * acceptance
}

/// The resistance that matters is the one with which volts become amperes where bulk ends: with the current held the volts
/// climb by dV/dq, with the volts held the current falls by dI/dq, and both are the same rise of the electromotive force:
/// R = (dV/dq) / -(dI/dq).
fn at_the_edge(w: &Worked, start: usize, end: usize, q: &[f64]) -> Option<f64> {
    let view = &w.view;
    let edge = w.spans.windows(2).find_map(|p| {
        let is_edge =
            p[0].stage == Stage::Bulk && p[1].stage == Stage::Absorption && p[1].start > start && p[1].start < end;
        is_edge.then_some((p[0], p[1]))
    });
    let (bulk, absorption) = edge?;
    let reach = 0.05 * view.intent.capacity_ah;
    let at = q[absorption.start - start];
    let line = |cells: std::ops::Range<usize>, of: &[f64]| {
        let near = cells.filter(|k| (start..end).contains(k) && (q[k - start] - at).abs() < reach);
        stats::line(near.map(|k| (q[k - start], of[k]))).filter(|l| l.n >= view.grid.cells(300.0))
    };
    let volts = line(bulk.start..bulk.end, &view.voltage)?;
    let amps = line(absorption.start..absorption.end, &view.current)?;
    let usual = usual(view);
    let r = volts.slope / -amps.slope;
    // Loads that switch make nonsense of it.
    (volts.correlation > 0.7 && amps.correlation < -0.7 && (0.3 * usual..4.0 * usual).contains(&r)).then_some(r)
}
