//! What a source says about its stage against what volts and amps say about the bank's.

use super::{FindingExt, finding};
use crate::opportunity::wanted;
use crate::report::format;
use crate::stages::Progress;
use crate::state::Reported;
use crate::stats;
use crate::view::{BankView, Input};
use ampwake_schemas::findings::{Finding, Kind, Severity, Stage};

/// A shorter disagreement is a state machine settling, s.
const SHORTEST_S: f64 = 300.0;

/// Sources that report the end of the charge (absorption or float) while the bank is well below the set-point.
pub fn mismatches(view: &BankView, stage: &[Stage], progress: &Progress) -> Vec<Finding> {
    let mut out = Vec::new();
    for s in &view.sources {
        let low = |k: usize| {
            let target = view.absorption_v[k];
            view.voltage[k] < target - 2.0 * view.band(target)
                && matches!(stage[k], Stage::Bulk | Stage::Discharge)
                && !progress.filled[k]
                && wanted(view, &progress.filled, k)
                && s.input[k] == Input::Present
        };
        for claim in [Reported::Float, Reported::Absorption] {
            let cells: Vec<usize> = (0..view.grid.len).filter(|k| s.reported[*k] == Some(claim) && low(*k)).collect();
            let seconds = cells.len() as f64 * view.grid.step_s();
            let (Some(first), Some(last)) = (cells.first(), cells.last()) else { continue };
            if seconds < SHORTEST_S {
                continue;
            }
            let volts = stats::mean(cells.iter().map(|k| view.voltage[*k])).unwrap_or(f64::NAN);
            let target = stats::mean(cells.iter().map(|k| view.absorption_v[*k])).unwrap_or(f64::NAN);
            let summary = format!(
                "{} reported {} for {} while the bank, at {} on average, was still below its absorption set-point of {}.",
                format::sentence_start(&s.intent.name),
                claim.text(),
                format::duration(seconds),
                format::volts(volts),
                format::volts(target)
            );
            out.push(
                finding(Kind::StageMismatch, Severity::Info, (view.grid.at(*first), view.grid.at(*last)), 0.9, summary)
                    .about(&s.intent.name)
                    .with("disagreement_s", seconds, 0)
                    .with("bus_voltage_mean_v", volts, 2)
                    .with("profile_absorption_v", target, 2)
                    .check(&["compare its set-points and its voltage reading with the bank's"]),
            );
        }
    }
    out
}
