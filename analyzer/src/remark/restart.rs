//! A source that gave until its input went away, and did not start again when it came back.

use super::{FindingExt, finding};
use crate::opportunity::wanted;
use crate::report::format;
use crate::stages::Progress;
use crate::view::{BankView, Input};
use ampwake_schemas::findings::{Finding, Kind, Severity};

/// A shorter absence is a flicker, s.
const AWAY_S: f64 = 60.0;
/// A source that has not started after so long of being asked does not start by itself (chargers qualify their supply and
/// resume within five minutes; common practice, no source), s.
const PATIENCE_S: f64 = 900.0;

/// What happened, as a fact: why it stays idle is another finding's business, and so is the blame.
pub fn failed(view: &BankView, progress: &Progress) -> Vec<Finding> {
    let (away_for, patience) = (view.grid.cells(AWAY_S), view.grid.cells(PATIENCE_S));
    let mut out = Vec::new();
    for s in view.sources.iter().filter(|s| s.measured && !s.intent.kind.depends_on_weather()) {
        // It gave within the minutes before its input went.
        let (mut away, mut gave, mut worked) = (0, usize::MAX, false);
        let mut waiting: Option<(usize, usize)> = None; // since when, and for how many cells it was asked
        for k in 0..view.grid.len {
            if s.gives[k] {
                (gave, waiting) = (k, None);
            }
            match s.input[k] {
                Input::Absent => {
                    if away == 0 {
                        worked = gave != usize::MAX && k - gave <= away_for;
                    }
                    (away, waiting) = (away + 1, None);
                    continue;
                }
                Input::Present if away >= away_for && worked => waiting = Some((k, 0)),
                _ => {}
            }
            away = 0;
            let Some((since, asked)) = &mut waiting else { continue };
            *asked += usize::from(!s.current[k].is_nan() && wanted(view, &progress.filled, k));
            if *asked < patience {
                continue;
            }
            let summary = format!(
                "{} gave until its input went away, and had not started again when it had been back for {} in which the bank \
                 asked for charge.",
                format::sentence_start(&s.intent.name),
                format::duration(*asked as f64 * view.grid.step_s())
            );
            out.push(
                finding(Kind::FailedToRestart, Severity::Info, (view.grid.at(*since), view.grid.at(k)), 0.8, summary)
                    .about(&s.intent.name)
                    .with("asked_s", *asked as f64 * view.grid.step_s(), 0)
                    .check(&["see whether it has to be started by hand after its supply was lost, and whether that was meant"]),
            );
            waiting = None;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analyze::work;
    use crate::testing::{AMPS, Tape, VOLTS, amps, supply, vessel};

    #[test]
    fn it_gave_until_its_input_went() {
        let intent = vessel("");
        // Input from the start to 1000 s and from `back` on; 80 A until 1000 s and from `again` on.
        let found = |back: i64, again: i64, first: f64| {
            let current = move |t: i64| {
                if t < 1000 {
                    first
                } else if t >= again {
                    80.0
                } else {
                    0.0
                }
            };
            let tape = Tape::new(4000)
                .fed()
                .with(VOLTS, |_| 53.5)
                .with(AMPS, move |t| 10.0 + current(t))
                .with(&supply(1), move |t| if (1000..back).contains(&t) { 0.0 } else { 230.0 })
                .with(&amps(1), current)
                .with(&amps(2), |_| 20.0);
            let w = work(tape.view(&intent));
            failed(&w.view, &w.progress).len()
        };
        assert_eq!(found(2000, 9999, 80.0), 1);
        // It restarts after four minutes; it had not been giving; its input never came back; a flicker.
        assert_eq!((found(2000, 2240, 80.0), found(2000, 9999, 0.0)), (0, 0));
        assert_eq!((found(9999, 9999, 80.0), found(1030, 9999, 80.0)), (0, 0));
    }
}
