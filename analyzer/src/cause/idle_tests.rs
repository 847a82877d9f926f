//! One small scene for every branch of [`super::explain_idle`].

use super::*;
use crate::analyze::work;
use crate::testing::{AMPS, SOC, Tape, VOLTS, amps, heat, second_idle as scene, vessel, why_second};
use ampwake_schemas::intent::Intent;

/// Why the second stood idle: cause and confidence, stretch by stretch.
fn why(intent: &Intent, tape: &Tape) -> Vec<(Cause, f64)> {
    let found = why_second(intent, tape).into_iter();
    found.map(|d| (d.cause, (d.confidence * 100.0).round() / 100.0)).collect()
}

#[test]
fn it_says_so_itself() {
    let intent = vessel("");
    assert_eq!(why(&intent, &scene(9.0)), [(Cause::FaultReported, 0.95)]);
    assert_eq!(why(&intent, &scene(8.0)), [(Cause::SwitchedOff, 0.93)]);
}

#[test]
fn at_its_temperature_limit_it_has_shut_itself_down() {
    let mut intent = vessel("");
    intent.sources[1].max_c = Some(85.0);
    assert_eq!(why(&intent, &scene(1.0).with(&heat(2), |_| 83.5)), [(Cause::ThermalDerating, 0.75)]);
    assert_eq!(why(&intent, &scene(1.0).with(&heat(2), |_| 82.5)), [(Cause::Unknown, 0.4)]);
}

#[test]
fn a_follower_in_another_stage_than_its_leader_has_lost_the_link() {
    let mut intent = vessel("");
    for s in &mut intent.sources {
        (s.group, s.coordination) = (Some("pair".into()), Some(Coordination::Networked));
    }
    assert_eq!(why(&intent, &scene(5.0)), [(Cause::LinkLost, 0.75)]);
    // In the same stage there is no disagreement.
    assert_ne!(why(&intent, &scene(1.0))[0].0, Cause::LinkLost);
    // It stood in a team, and now stands alone.
    let mode = "can0/n2k/127507/2/charge_mode";
    let alone = scene(5.0).with(mode, |t| if t < 60 { 1.0 } else { 0.0 });
    let alone = alone.with(&amps(2), |t| if t < 60 { 50.0 } else { 0.0 });
    assert_eq!(why(&intent, &alone), [(Cause::LinkLost, 0.93)]);
    // One that only senses voltage has no link to lose.
    intent.sources[1].coordination = Some(Coordination::VoltageSensing);
    assert_eq!(why(&intent, &scene(5.0)), [(Cause::HeldOffByBusVoltage, 0.8)]);
}

#[test]
fn a_full_bank_is_waited_for() {
    let intent = vessel("");
    let resting = |says: f64, soc: f64| {
        scene(says).with(SOC, move |_| soc).with(VOLTS, |_| 53.5).with(AMPS, |_| 0.0).with(&amps(1), |_| 0.0)
    };
    assert_eq!(why(&intent, &resting(0.0, 0.99)), [(Cause::WaitingForRebulk, 0.8)]);
    // The bank is not full: it is on, has its input, and nobody holds the bus up.
    assert_eq!(why(&intent, &resting(0.0, 0.5)), [(Cause::SwitchedOff, 0.5)]);
}

#[test]
fn a_charge_that_ends_above_the_tail_ended_early() {
    let intent = vessel("");
    let stops = |took: f64| {
        scene(5.0)
            .with(VOLTS, |t| if t < 3000 { 56.75 } else { 54.5 })
            .with(AMPS, move |t| if t < 3000 { took } else { 0.0 })
            .with(&amps(1), |_| 0.0)
            .with(&amps(2), move |t| if t < 3000 { took } else { 0.0 })
    };
    assert_eq!(why(&intent, &stops(45.0)), [(Cause::EndedEarly, 0.8)]);
    assert!(why(&intent, &stops(15.0)).iter().all(|c| c.0 != Cause::EndedEarly));
    // What the noise of its sensor reads now and then is no charge that ended.
    let noise = |t: i64| if t % 60 == 0 { 1.5 } else { 0.5 };
    let other = move |t: i64| if t < 3000 { 45.0 } else { 20.0 };
    let never = stops(45.0).with(&amps(2), noise).with(&amps(1), other);
    assert!(why(&intent, &never).iter().all(|c| c.0 != Cause::EndedEarly), "{:?}", why(&intent, &never));
}

#[test]
fn held_off_needs_somebody_who_holds() {
    let intent = vessel("");
    assert_eq!(why(&intent, &scene(5.0)), [(Cause::HeldOffByBusVoltage, 0.75)]);
    let alone = scene(5.0).with(&amps(1), |_| 0.0).with(AMPS, |_| -5.0);
    assert_eq!(why(&intent, &alone), [(Cause::Unknown, 0.4)]);
    // Bulk without current is no wait for the bus.
    assert_eq!(why(&intent, &scene(1.0)), [(Cause::Unknown, 0.4)]);
}

#[test]
fn experiments_speak_for_and_against() {
    let intent = vessel("");
    // The first stops for ten minutes; the second answers after `after` s, or never.
    let trial = |after: i64| {
        let off = |t: i64| (3000..3600).contains(&t);
        // Twenty seconds after the first is back it stops again.
        let second = move |t: i64| if (3000 + after..3620).contains(&t) { 30.0 } else { 0.0 };
        let first = move |t: i64| if off(t) { 0.0 } else { 80.0 };
        scene(5.0).with(&amps(1), first).with(&amps(2), second).with(AMPS, move |t| first(t) + second(t))
    };
    let answered = why(&intent, &trial(90));
    assert!(answered.iter().all(|c| *c == (Cause::HeldOffByBusVoltage, 0.95)), "{answered:?}");
    let never = why(&intent, &trial(9999));
    assert!(never.iter().all(|c| *c == (Cause::HeldOffByBusVoltage, 0.55)), "{never:?}");
    let view = trial(90);
    let w = work(view.view(&intent));
    let trials = crate::cause::experiments(&w.view, 1, &w.opportunity[1].open);
    assert_eq!(trials.len(), 2, "{trials:?}");
    assert_eq!((trials[0].stopped, trials[0].answered_after_s, trials[0].held), (true, Some(90.0), false));
    assert_eq!((trials[1].stopped, trials[1].answered_after_s), (false, Some(20.0)));
}

#[test]
fn a_hole_in_the_data_is_no_experiment() {
    let intent = vessel("");
    let hole = |t: i64| (3000..3600).contains(&t);
    let tape = scene(5.0).with(&amps(1), move |t| if hole(t) { f64::NAN } else { 80.0 });
    let w = work(tape.view(&intent));
    assert_eq!(crate::cause::experiments(&w.view, 1, &w.opportunity[1].open), []);
    // Nor is a hole in the own data an answer.
    let tape = scene(1.0)
        .with(&amps(1), |t| if t < 3000 { 0.0 } else { 80.0 })
        .with(&amps(2), |t| if t < 3100 { 50.0 } else { f64::NAN });
    let w = work(tape.view(&intent));
    let trials = crate::cause::experiments(&w.view, 1, &w.opportunity[1].open);
    assert!(trials.iter().all(|t| t.answered_after_s.is_none()), "{trials:?}");
}

#[test]
fn short_waits_and_givers_are_not_idle() {
    let intent = vessel("");
    let idle = |from: i64, to: i64| {
        let tape = scene(1.0).with(&amps(2), move |t| if (from..to).contains(&t) { 0.0 } else { 50.0 });
        why(&intent, &tape).len()
    };
    assert_eq!(idle(1000, 1599), 0);
    assert_eq!(idle(1000, 1600), 1);
}

#[test]
fn a_source_that_is_mended_and_then_switched_off_has_two_causes() {
    let intent = vessel("");
    let says = |change: i64, back: i64| {
        let word = move |t: i64| if (change..back).contains(&t) { 9.0 } else { 8.0 };
        why(&intent, &scene(8.0).with(&crate::testing::state(2), word)).into_iter().map(|w| w.0).collect::<Vec<_>>()
    };
    assert_eq!(says(3600, 9999), [Cause::SwitchedOff, Cause::FaultReported]);
    assert_eq!(says(2000, 5000), [Cause::SwitchedOff, Cause::FaultReported, Cause::SwitchedOff]);
    // Five minutes of it are no cause of their own.
    assert_eq!(says(3600, 3900), [Cause::SwitchedOff]);
    assert_eq!(says(0, 300), [Cause::SwitchedOff]);
}
