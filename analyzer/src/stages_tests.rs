//! Stages and progress on hand-made curves.

use super::*;
use crate::testing::{AMPS, SOC, Tape, VOLTS, amps, vessel};

fn stages(view: &BankView) -> Vec<(Stage, usize)> {
    decode(view).iter().map(|s| (s.stage, s.start)).collect()
}

#[test]
fn without_the_bank_s_current_nothing_is_said() {
    let intent = vessel("");
    let tape = Tape::new(600).fed().with(VOLTS, |_| 53.5).with(&amps(1), |_| 60.0);
    let spans = decode(&tape.view(&intent));
    assert_eq!(spans.len(), 1);
    assert_eq!((spans[0].stage, spans[0].confidence), (Stage::Unexplained, 0.0));
}

#[test]
fn a_long_silence_is_unexplained_and_a_short_one_is_bridged() {
    let intent = vessel("");
    let silent = |for_: i64| {
        let hole = move |t: i64| (1800..1800 + for_).contains(&t);
        let tape = Tape::new(6000)
            .fed()
            .with(VOLTS, move |t| if hole(t) { f64::NAN } else { 53.5 })
            .with(AMPS, |_| 60.0)
            .with(&amps(1), |_| 60.0);
        decode(&tape.view(&intent))
    };
    assert_eq!(silent(600).iter().map(|s| s.stage).collect::<Vec<_>>(), [Stage::Bulk]);
    let long = silent(1800);
    assert_eq!(long.iter().map(|s| s.stage).collect::<Vec<_>>(), [Stage::Bulk, Stage::Unexplained, Stage::Bulk]);
    // What was not seen did not fit.
    assert!(long[1].confidence < 0.01 && long[0].confidence > 0.99, "{long:?}");
}

/// Bulk for half an hour, absorption with a current that falls from 60 A by 1 A a minute for `minutes`, then rest.
fn charge(minutes: i64) -> Tape {
    let end = 1800 + 60 * minutes;
    let current = move |t: i64| match t {
        0..1800 => 60.0,
        t if t < end => 60.0 - (t - 1800) as f64 / 60.0,
        _ => 0.0,
    };
    let volts = move |t: i64| match t {
        0..1800 => 55.0 + 1.6 * t as f64 / 1800.0,
        t if t < end => 56.8,
        _ => 54.4,
    };
    Tape::new(end + 1800).fed().with(VOLTS, volts).with(AMPS, current).with(&amps(1), current)
}

#[test]
fn the_tail_is_where_the_current_stays_down() {
    let intent = vessel("");
    let view = charge(60);
    let view = view.view(&intent);
    let span = Span { stage: Stage::Absorption, start: 1800, end: 5400, confidence: 1.0 };
    // 20 A after 40 min.
    assert_eq!(tail_reached(&view, &span), Some(1800 + 2400));
    // A dip of a minute is none.
    let dip = charge(30).with(AMPS, |t| if (2400..2460).contains(&t) { 5.0 } else { 40.0 });
    let view = dip.view(&intent);
    assert_eq!(tail_reached(&view, &Span { end: 3600, ..span }), None);
    // Nor is a current that only fell because a load took the voltage down.
    let sag = charge(30).with(AMPS, |t| if t > 2400 { 5.0 } else { 40.0 });
    let sag = sag.with(VOLTS, |t| if t > 2400 { 56.0 } else { 56.8 });
    assert_eq!(tail_reached(&sag.view(&intent), &Span { end: 3600, ..span }), None);
    assert_eq!(tail_reached(&view, &Span { start: 100, end: 100, ..span }), None);
}

#[test]
fn a_bank_is_filled_once_absorption_is_complete() {
    let intent = vessel("");
    let filled = |tape: &Tape| {
        let view = tape.view(&intent);
        let spans = decode(&view);
        let p = progress(&view, &spans);
        (p.filled[1000], p.filled[view.grid.len - 1])
    };
    assert_eq!(filled(&charge(60)), (false, true)); // the tail was reached
    assert_eq!(filled(&charge(30)), (false, false)); // at 30 A it was not
    // 95 min at 40 A: the profile's longest absorption of 90 min has passed.
    let long = charge(95).with(AMPS, |t| if t < 7500 { 40.0 } else { 0.0 });
    assert_eq!(filled(&long.with(&amps(1), |t| if t < 7500 { 40.0 } else { 0.0 })), (false, true));
    // Below the re-bulk voltage for a minute it is no longer full; for less it still is.
    let dip = |seconds: i64| {
        let end = 1800 + 3600;
        charge(60).with(VOLTS, move |t| match t {
            0..1800 => 55.0 + 1.6 * t as f64 / 1800.0,
            t if t < end => 56.8,
            t if t < end + 600 => 54.4,
            t if t < end + 600 + seconds => 52.9,
            _ => 53.4,
        })
    };
    assert_eq!(filled(&dip(59)), (false, true));
    assert_eq!(filled(&dip(61)), (false, false));
}

#[test]
fn a_recording_that_begins_with_a_full_bank() {
    let intent = vessel("");
    let begins = |soc: f64, volts: f64| {
        let tape = Tape::new(900).with(VOLTS, move |_| volts).with(AMPS, |_| 0.0).with(SOC, move |_| soc);
        let view = tape.view(&intent);
        progress(&view, &decode(&view)).filled[300]
    };
    assert!(begins(0.98, 53.4) && !begins(0.9, 53.4) && !begins(0.98, 52.9));
}

#[test]
fn a_whole_charge_in_its_stages() {
    let intent = vessel("");
    let tape = charge(50);
    let found = stages(&tape.view(&intent));
    assert_eq!(found.iter().map(|s| s.0).collect::<Vec<_>>(), [Stage::Bulk, Stage::Absorption, Stage::Rest]);
    assert!((found[1].1 as i64 - 1800).abs() <= 60 && (found[2].1 as i64 - 4800).abs() <= 60, "{found:?}");
}

#[test]
fn a_source_that_holds_the_bank_at_its_float_voltage_floats_it() {
    let intent = vessel("");
    // Out until 1800 s; then the sources come back and carry the loads of 15 A at 54.0 V; the bank takes `bank_a`.
    let last = |bank_a: f64, gives: f64, volts: f64| {
        let later = move |t: i64, before: f64, then: f64| if t < 1800 { before } else { then };
        let tape = Tape::new(5400)
            .fed()
            .with(VOLTS, move |t| later(t, 54.1, volts))
            .with(AMPS, move |t| later(t, -15.0, bank_a))
            .with(&amps(1), move |t| later(t, 0.0, gives));
        decode(&tape.view(&intent)).last().map(|s| s.stage)
    };
    assert_eq!(last(0.5, 15.5, 54.0), Some(Stage::Float));
    // Nobody gives: it rests there. The loads take more than the sources give: a discharge through the float voltage. Below
    // the float voltage nobody floats it.
    assert_eq!(last(-0.5, 0.0, 54.0), Some(Stage::Rest));
    assert_eq!(last(-6.0, 15.0, 54.0), Some(Stage::Discharge));
    assert_eq!(last(0.5, 15.5, 53.2), Some(Stage::Rest));
    // A source at its limit does not regulate.
    assert_ne!(last(30.0, 100.0, 54.0), Some(Stage::Float));
}
