//! Two sources whose current sensors are exchanged in the intent: the current follows the *other* source's supply, engine
//! or switch.
//!
//! Decided by occasions, not by correlation alone: one of the two comes on or goes off by its own signals, while the other
//! stays as it is, and the wrong current moves. A single occasion that fits speaks for the sensors as they are named.

use super::{FindingExt, finding};
use crate::recording::Recording;
use crate::report::format;
use crate::state::Reported;
use crate::stats;
use crate::view::BankView;
use ampwake_schemas::findings::{Finding, Kind, Severity};
use ampwake_schemas::intent::{Intent, Source};

/// Both have to be as they were for so long before, and to stay so after, s: chargers look at their supply for a while.
const BEFORE_S: f64 = 60.0;
const AFTER_S: f64 = 240.0;
/// Occasions that make it sure.
const OCCASIONS: u32 = 2;

/// A pair of sources and the finding that says that their sensors are exchanged.
#[derive(Debug, Clone, PartialEq)]
pub struct Swapped {
    /// Their names.
    pub pair: (String, String),
    /// The finding.
    pub finding: Finding,
}

/// Every pair of the bank's sources whose currents follow each other's signals.
pub fn swapped(view: &BankView, recording: &Recording) -> Vec<Swapped> {
    let on: Vec<Vec<Option<bool>>> = (0..view.sources.len()).map(|j| own_word(view, recording, j)).collect();
    let mut out: Vec<Swapped> = Vec::new();
    for a in 0..view.sources.len() {
        for b in a + 1..view.sources.len() {
            let taken = |j: usize| {
                let name = &view.sources[j].intent.name;
                out.iter().any(|s| s.pair.0 == *name || s.pair.1 == *name)
            };
            if !taken(a) && !taken(b) {
                out.extend(pair(view, (a, b), (&on[a], &on[b])));
            }
        }
    }
    out
}

/// On or off by everything but its current: its input's own signal, its engine, its own statement. `None`: nobody says.
fn own_word(view: &BankView, recording: &Recording, j: usize) -> Vec<Option<bool>> {
    let s = &view.sources[j];
    let rule = s.intent.available_when.as_ref().map(|rule| {
        let values = view.grid.means(&recording.signal(&rule.signal));
        let fed = |v: f64| rule.above.is_none_or(|a| v > a) && rule.below.is_none_or(|b| v < b);
        values.into_iter().map(|v| v.is_finite().then(|| fed(v))).collect::<Vec<_>>()
    });
    (0..view.grid.len)
        .map(|k| {
            let fed = rule.as_ref().and_then(|r| r[k]);
            let said = s.reported[k].map(|r| match r {
                Reported::Disabled | Reported::Fault | Reported::NotCharging => false,
                _ => r.is_on(),
            });
            match (fed, said) {
                (Some(false), _) | (_, Some(false)) => Some(false),
                (Some(true), _) | (_, Some(true)) => Some(true),
                (None, None) => None,
            }
        })
        .collect()
}

/// Occasions on which the other's current moved, and on which the right one did.
fn occasions(
    view: &BankView,
    (mover, other): (usize, usize),
    on: &[Option<bool>],
    still: &[Option<bool>],
) -> (u32, u32, Vec<usize>) {
    let (before, after) = (view.grid.cells(BEFORE_S), view.grid.cells(AFTER_S));
    let settle = view.grid.cells(60.0);
    let (mut cross, mut straight, mut at) = (0, 0, Vec::new());
    for k in before..view.grid.len.saturating_sub(after) {
        let (was, is) = (on[k - 1], on[k]);
        if was == is || was.is_none() || is.is_none() || still[k].is_none() {
            continue;
        }
        let steady = (k - before..k).all(|c| on[c] == was) && (k..k + after).all(|c| on[c] == is);
        if !steady || (k - before..k + after).any(|c| still[c] != still[k]) {
            continue;
        }
        let moved = |j: usize| -> Option<f64> {
            let s = &view.sources[j];
            let new = stats::median(s.current[k + settle..k + after].iter().copied())?;
            Some((new - stats::median(s.current[k - before..k].iter().copied())?) / s.intent.rated_a)
        };
        let (Some(own), Some(its)) = (moved(mover), moved(other)) else { continue };
        let sign = if is == Some(true) { 1.0 } else { -1.0 };
        // A fifth of a rating is a step; a twentieth is none.
        let (step, none) = (|x: f64| sign * x > 0.2, |x: f64| x.abs() < 0.05);
        if step(its) && none(own) {
            cross += 1;
            at.push(k);
        } else if step(own) {
            straight += 1;
        }
    }
    (cross, straight, at)
}

fn pair(view: &BankView, (a, b): (usize, usize), (on_a, on_b): (&[Option<bool>], &[Option<bool>])) -> Option<Swapped> {
    let (sa, sb) = (&view.sources[a], &view.sources[b]);
    let (of_a, of_b) = (sa.intent.signals.current.as_ref()?, sb.intent.signals.current.as_ref()?);
    // Both fed by one thing, or read from one channel, cannot be told apart.
    if of_a.address == of_b.address {
        return None;
    }
    let (cross_a, straight_a, mut at) = occasions(view, (a, b), on_a, on_b);
    let (cross_b, straight_b, more) = occasions(view, (b, a), on_b, on_a);
    at.extend(more);
    let cross = cross_a + cross_b;
    // An exchange shows in both directions. In one alone it may be a charger that is held off, beside one that came on when
    // its supply did and whose own supply nobody watches.
    if cross_a == 0 || cross_b == 0 || cross < OCCASIONS || straight_a + straight_b > 0 {
        return None;
    }
    let (first, last) = (*at.iter().min()?, *at.iter().max()?);
    let (name_a, name_b) = (format::plain(&sa.intent.name), format::plain(&sb.intent.name));
    let summary = format!(
        "The current sensors of {name_a} and {name_b} are exchanged in the intent: on {cross} occasions one of the two came on or \
         went off by its own signals, and the other's current moved; never the right one. They are exchanged back in everything \
         that follows; charge, share, causes and verdicts of both rest on that."
    );
    let period = (view.grid.at(first), view.grid.at(last));
    let finding = finding(Kind::SensorSwapped, Severity::Caution, period, 0.95, summary)
        .about(&sa.intent.name)
        .at(&of_a.address)
        .with("occasions_exchanged", f64::from(cross), 0)
        .with("occasions_as_named", 0.0, 0)
        .check(&[
            "switch each of the two on alone and see which number moves (`ampwake channels`)",
            "then exchange the two `current` signals in the intent, or, where the supply signals are the exchanged ones, those",
        ]);
    let mut finding = finding;
    finding.evidence.insert("exchanged_with".to_owned(), serde_json::json!(sb.intent.name));
    Some(Swapped { pair: (sa.intent.name.clone(), sb.intent.name.clone()), finding })
}

/// The intent with these pairs' current sensors exchanged back.
pub fn corrected(intent: &Intent, swapped: &[Swapped]) -> Intent {
    let mut out = intent.clone();
    for s in swapped {
        let find = |sources: &[Source], name: &str| sources.iter().position(|x| x.name == name);
        if let (Some(a), Some(b)) = (find(&out.sources, &s.pair.0), find(&out.sources, &s.pair.1)) {
            let of_a = out.sources[a].signals.current.take();
            let of_b = std::mem::replace(&mut out.sources[b].signals.current, of_a);
            out.sources[a].signals.current = of_b;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analyze::analyze;
    use crate::testing::{AMPS, Tape, VOLTS, amps, supply, vessel};
    use ampwake_schemas::findings::Kind;

    /// Two hours: the first is fed all the time but for two stretches, the second in its second half; what their channels say.
    fn tape(one: impl Fn(i64) -> f64 + Copy, two: impl Fn(i64) -> f64 + Copy) -> Tape {
        Tape::new(7200)
            .with(VOLTS, |_| 54.0)
            .with(AMPS, move |t| one(t) + two(t))
            .with(&supply(1), |t| if fed_first(t) { 230.0 } else { 0.0 })
            .with(&supply(2), |t| if t >= 3600 { 230.0 } else { 0.0 })
            .with(&amps(1), one)
            .with(&amps(2), two)
    }

    fn fed_first(t: i64) -> bool {
        !(1000..2000).contains(&t) && !(5000..6000).contains(&t)
    }
    fn first(t: i64) -> f64 {
        if fed_first(t) { 95.0 } else { 0.0 }
    }
    fn second(t: i64) -> f64 {
        if t >= 3640 { 48.0 } else { 0.0 }
    }

    fn found(tape: &Tape) -> Vec<Swapped> {
        let intent = vessel("");
        swapped(&tape.view(&intent), &tape.clone().recording())
    }

    #[test]
    fn a_current_that_follows_the_other_s_supply_is_the_other_s() {
        let all = found(&tape(second, first));
        assert_eq!(all.len(), 1);
        // Four of the first's edges and one of the second's.
        assert_eq!(all[0].finding.evidence["occasions_exchanged"], serde_json::json!(5.0));
        assert_eq!(found(&tape(first, second)), []);
    }

    #[test]
    fn what_follows_from_the_exchange_is_put_right() {
        let intent = vessel("");
        let f = analyze(&tape(second, first).recording(), &intent).findings;
        assert!(f.findings.iter().any(|x| x.kind == Kind::SensorSwapped));
        let of = |name: &str| -> f64 {
            f.sessions.iter().flat_map(|s| &s.sources).filter(|s| s.source == name).map(|s| s.charge_ah).sum()
        };
        assert!((of("first") - 95.0 * 5200.0 / 3600.0).abs() < 1.0, "{}", of("first"));
        // Each had no supply for a while, and nothing else is held against them.
        assert!(
            f.findings.iter().all(|x| x.cause.is_none_or(|c| c == ampwake_schemas::findings::Cause::NoInput)),
            "{:#?}",
            f.findings
        );
    }

    #[test]
    fn one_occasion_or_one_that_speaks_against_it_is_not_enough() {
        // The first's sensor is dead and the second hunts by chance when the first is fed: one right step is enough against it.
        let once = |t: i64| {
            if t >= 3640 {
                48.0
            } else if t < 1000 {
                45.0
            } else {
                0.0
            }
        };
        assert_eq!(found(&tape(|_| 0.0, once)), []);
        // Both fed together: nobody can tell them apart.
        let together = Tape::new(7200)
            .with(&supply(1), |t| if t >= 3600 { 230.0 } else { 0.0 })
            .with(&supply(2), |t| if t >= 3600 { 230.0 } else { 0.0 })
            .with(VOLTS, |_| 54.0)
            .with(&amps(1), |t| if t >= 3640 { 95.0 } else { 0.0 })
            .with(&amps(2), |t| if t >= 3640 { 48.0 } else { 0.0 });
        assert_eq!(found(&together), []);
        // A held-off second, and a first that comes on with the second's supply for reasons of its own.
        let by_day = |t: i64| (t / 1800) % 2 == 1;
        let held_off = Tape::new(9000)
            .fed()
            .with(&supply(2), move |t| if by_day(t) { 230.0 } else { 0.0 })
            .with(VOLTS, |_| 54.0)
            .with(&amps(1), move |t| if by_day(t) { 50.0 } else { 0.0 })
            .with(&amps(2), |_| 0.0);
        assert_eq!(found(&held_off), []);
        // A held-off second and a first that is there all the time.
        assert_eq!(found(&tape(first, |_| 0.0)), []);
    }
}
