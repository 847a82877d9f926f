//! Natural experiments: what a source did when another one stopped or started.

use crate::view::{BankView, Input, SourceView};

/// One occasion.
#[derive(Debug, Clone, PartialEq)]
pub struct Experiment {
    /// The other source's name.
    pub other: String,
    /// True: the other stopped; false: it started.
    pub stopped: bool,
    /// Cell at which it did.
    pub at: usize,
    /// After a stop: seconds until the source gave; after a start: seconds until it no longer did. `None`: it
    /// did not within the time watched.
    pub answered_after_s: Option<f64>,
    /// Other sources still held the bus for most of the time watched: no answer proves nothing then.
    pub held: bool,
    /// Bank voltage when it answered, or the lowest while it did not, V.
    pub voltage: f64,
}

/// How long the source's answer is waited for, s. Chargers look at the bus for up to a few minutes before they
/// start again (common practice, no source).
const WATCH_S: f64 = 600.0;
/// The other must have been steady for this long before, and stay so after, s.
const STEADY_S: f64 = 60.0;

/// Every occasion on which another source stopped while `j` stood idle with its input, or started while `j` gave.
/// `open` is the opportunity of `j`: while the bank asks for nothing, no answer is to be expected.
pub fn experiments(view: &BankView, j: usize, open: &[bool]) -> Vec<Experiment> {
    let me = &view.sources[j];
    let steady = view.grid.cells(STEADY_S);
    let watch = view.grid.cells(WATCH_S);
    let n = view.grid.len;
    let mut out = Vec::new();
    for other in view.sources.iter().enumerate().filter(|(o, _)| *o != j).map(|(_, s)| s) {
        for k in steady..n.saturating_sub(steady) {
            let was = other.gives[k - 1];
            if was == other.gives[k]
                || other.gives[k - steady..k].iter().any(|g| *g != was)
                || other.gives[k..k + steady].contains(&was)
            {
                continue;
            }
            // A hole in the other's data looks like a stop, and its end like a start.
            let known = |s: &SourceView, c: usize| !s.current[c].is_nan();
            if !known(other, k - 1) || !known(other, k) {
                continue;
            }
            let ready = me.gives[k] != was && me.input[k] == Input::Present && !view.voltage[k].is_nan();
            if !ready {
                continue;
            }
            let window = k..(k + watch).min(n);
            let answer = window.clone().find(|c| me.gives[*c] == was && known(me, *c));
            let asked = window.clone().filter(|c| open[*c]).count() * 2 > window.len();
            if was && answer.is_none() && !asked {
                continue;
            }
            let holding = |c: &usize| view.sources.iter().enumerate().any(|(o, s)| o != j && s.gives[*c]);
            let held = window.clone().filter(holding).count() * 2 > window.len();
            let voltage = match answer {
                Some(c) => view.voltage[c.saturating_sub(1)],
                None => view.voltage[window].iter().copied().fold(f64::NAN, f64::min),
            };
            out.push(Experiment {
                other: other.intent.name.clone(),
                stopped: was,
                at: k,
                answered_after_s: answer.map(|c| (c - k) as f64 * view.grid.step_s()),
                held,
                voltage,
            });
        }
    }
    out.sort_by_key(|e| e.at);
    out
}
