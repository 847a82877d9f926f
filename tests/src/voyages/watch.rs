//! The bank's stage second by second, and where two honest watchkeepers could write down different ones.

use super::Voyage;
use ampwake_analyzer::demo::Stretch;
use ampwake_schemas::findings::{Findings, Stage};

/// Around a true edge of stages nothing is asked for, s.
const EDGE_S: u32 = 90;
/// A load that interrupts a stage for less than this may count as an interruption or not, s.
const DIP_S: u32 = 600;

/// The true stage of every second; `None` where it is arguable or was not recorded.
#[derive(Debug, Clone)]
pub struct Watch(Vec<Option<Stage>>);

impl Watch {
    /// Over a whole voyage.
    pub fn over(voyage: &Voyage) -> Self {
        let stages = &voyage.truth.bank.stages;
        let mut watch = vec![None; voyage.trace.instants.len()];
        for (n, s) in stages.iter().enumerate() {
            let inner = s.from + if s.from == 0 { 0 } else { EDGE_S }..s.to.saturating_sub(EDGE_S);
            if !is_dip(stages, n) && inner.start < inner.end {
                watch[inner.start as usize..inner.end as usize].fill(Some(s.what));
            }
        }
        for (k, slot) in watch.iter_mut().enumerate() {
            if near_the_set_point(voyage, k) || interrupted(voyage, k, *slot) || coasting(voyage, k) {
                *slot = None;
            }
        }
        for (from, to) in voyage.unheard(None) {
            watch[from as usize..(to as usize).min(voyage.trace.instants.len())].fill(None);
        }
        Self(watch)
    }

    /// Seconds of the sessions in which the stage is agreed on, those that count, and all.
    pub fn agreement(&self, voyage: &Voyage, findings: &Findings) -> (f64, f64, f64) {
        let second = |t: ampwake_schemas::time::Timestamp| t.seconds_since(voyage.trace.start).max(0.0) as usize;
        let (mut right, mut counted, mut all) = (0.0, 0.0, 0.0);
        for span in findings.sessions.iter().flat_map(|s| &s.stages) {
            for truth in self.0.iter().take(second(span.end)).skip(second(span.start)) {
                all += 1.0;
                counted += f64::from(u8::from(truth.is_some()));
                right += f64::from(u8::from(*truth == Some(span.stage)));
            }
        }
        (right, counted, all)
    }
}

/// A short stretch between two of the same stage: a load that came and went.
fn is_dip(stages: &[Stretch<Stage>], n: usize) -> bool {
    let s = &stages[n];
    let around = n.checked_sub(1).and_then(|before| stages.get(before)).zip(stages.get(n + 1));
    s.to - s.from < DIP_S && around.is_some_and(|(before, after)| before.what == after.what)
}

/// The bus is within half a per cent of the absorption set-point, and everybody still gives all that he can: the end
/// of bulk for one, the beginning of absorption for another.
fn near_the_set_point(voyage: &Voyage, k: usize) -> bool {
    let i = &voyage.trace.instants[k].plant;
    let set = voyage.scenario.profile.absorption;
    let flat_out = |s: &ampwake_analyzer::model::SourceMoment| s.current.0 <= 0.5 || s.current >= s.limit * 0.999;
    (i.bus - set).abs() <= set * 0.01 && i.bus < set * 0.999 && i.sources.iter().all(flat_out)
}

/// The truth goes by the profile, a watchkeeper by the volts: an absorption that a load or a pulled plug interrupts for
/// some minutes, and a second absorption of a bank that the profile takes for full.
fn interrupted(voyage: &Voyage, k: usize, truth: Option<Stage>) -> bool {
    let set = voyage.scenario.profile.absorption;
    let at = (voyage.trace.instants[k].plant.bus - set).abs() <= set * 0.005;
    at != (truth == Some(Stage::Absorption))
}

/// The bus glides down from absorption to float while the bank carries the loads: the end of one, the beginning of the
/// other, or a discharge. Once the bus is held at float it is float, unless the bank still gives.
fn coasting(voyage: &Voyage, k: usize) -> bool {
    let profile = &voyage.scenario.profile;
    let i = &voyage.trace.instants[k].plant;
    let Some(float) = profile.float else { return false };
    let gives = i.bank.0 < -0.005 * voyage.scenario.bank.capacity.0;
    let idle = i.sources.iter().all(|s| s.current.0 < 0.5);
    i.bus > float * 0.99 && i.bus < profile.absorption * 0.995 && (idle || gives) && was_filled(voyage, k)
}

/// The bus has been at the absorption set-point before.
fn was_filled(voyage: &Voyage, k: usize) -> bool {
    let set = voyage.scenario.profile.absorption * 0.995;
    voyage.trace.instants[..k].iter().rev().any(|i| i.plant.bus >= set)
}
