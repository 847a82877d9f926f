//! Sensors that lie, and sensors that do not.

use super::*;
use crate::series::Grid;
use crate::testing::{AMPS, Tape, VOLTS, WARMTH, amps, supply, vessel};

const LOAD: &str = "[[load]]\nname = \"house\"\nsignals = { current = \"can0/n2k/127751/9/dc_current\" }";
const LOAD_AMPS: &str = "can0/n2k/127751/9/dc_current";

/// Check value C4 (Kirchhoff's current law; uncertainty by JCGM 100, 5.1.2): 60 + 0.3 + 25.2 − 70.1 − 14.9 = 0.5 A,
/// u = 1.4526 A: consistent.
#[test]
fn the_residual_of_a_balance_and_its_uncertainty() {
    let (r, u) = residual([(60.0, 0.6), (0.3, 0.5), (25.2, 0.5)].into_iter(), (70.1, 1.0), (14.9, 0.5));
    assert!((r - 0.5).abs() < 1e-9, "{r}");
    assert!((u - 1.452_583_904_633_395).abs() < 1e-9, "{u}");
    assert!(r.abs() <= 2.0 * u);
}

#[test]
fn a_balance_that_does_not_close_is_a_finding_and_a_load_that_nobody_lists_is_none() {
    let intent = vessel(LOAD);
    let off = |error: f64| {
        let tape = Tape::new(1800)
            .fed()
            .with(VOLTS, |_| 53.5)
            .with(AMPS, move |_| 60.0 + error)
            .with(&amps(1), |_| 80.0)
            .with(&amps(2), |_| 0.0)
            .with(LOAD_AMPS, |_| 20.0);
        balance(&tape.view(&intent)).map(|f| (f.kind, f.evidence["residual_median_a"].as_f64()))
    };
    assert_eq!(off(0.0), None);
    assert_eq!(off(10.0), Some((Kind::CurrentBalance, Some(-10.0))));
    assert_eq!(off(-10.0), None);
    // Here u = 0.9 A: between twice and three times that it is worth a word and no alarm.
    let tape = |error: f64| {
        Tape::new(1800)
            .fed()
            .with(VOLTS, |_| 53.5)
            .with(AMPS, move |_| 60.0 + error)
            .with(&amps(1), |_| 80.0)
            .with(&amps(2), |_| 0.0)
            .with(LOAD_AMPS, |_| 20.0)
    };
    let graded = |error: f64| balance(&tape(error).view(&intent)).map(|f| f.severity);
    assert_eq!((graded(1.5), graded(3.0), graded(4.5)), (None, Some(Severity::Info), Some(Severity::Caution)));
}

#[test]
fn a_reversed_shunt_is_turned() {
    let intent = vessel("");
    let on = |t: i64| if t / 300 % 2 == 0 { 70.0 } else { 30.0 };
    let tape = Tape::new(3600)
        .fed()
        .with(VOLTS, |_| 53.5)
        .with(AMPS, on)
        .with(&amps(1), move |t| -on(t))
        .with(&amps(2), |_| 0.0);
    let found = reversed(&tape.view(&intent));
    assert_eq!(found.len(), 1);
    assert_eq!((found[0].source.as_deref(), found[0].finding.confidence), (Some("first"), 0.95));
    let turned = corrected(&intent, "bank", &found);
    assert_eq!(turned.sources[0].signals.current.as_ref().map(|s| s.scale), Some(-1.0));
    // Without the bank's current a twentieth of its rating is an offset, and a fifth is not.
    let alone = |amps_: f64| {
        let tape = Tape::new(3600).fed().with(VOLTS, |_| 53.5).with(&amps(1), move |_| amps_).with(&amps(2), |_| 0.0);
        reversed(&tape.view(&intent)).len()
    };
    assert_eq!((alone(-5.0), alone(-20.0)), (0, 1));
    let honest = Tape::new(3600).fed().with(VOLTS, |_| 53.5).with(AMPS, on).with(&amps(1), on).with(&amps(2), |_| 0.0);
    assert!(reversed(&honest.view(&intent)).is_empty());
}

#[test]
fn a_stuck_sensor_is_seen_on_a_coarse_axis_too() {
    let intent = vessel("");
    // Two samples a second, moving for half an hour and then still for two hours of hard work.
    let tape = Tape::every(9000, 2)
        .fed()
        .with(VOLTS, |_| 53.5)
        .with(AMPS, |_| 60.0)
        .with(&amps(1), |_| 60.0)
        .with(WARMTH, |t| if t < 1800 { 20.0 + (t / 60) as f64 * 0.1 } else { 23.7 });
    let bank = &intent.banks[0];
    for (step, len) in [(1000, 9000), (21_000, 428)] {
        let grid = Grid { start: 0, step, len };
        let r = tape.clone().recording();
        let view = crate::view::build(&r, &intent, bank, grid);
        let found = temperature_faults(&view, &r);
        assert_eq!(found.iter().map(|f| f.kind).collect::<Vec<_>>(), [Kind::SensorFault], "step {step}");
    }
    let moving = tape.with(WARMTH, |t| 20.0 + (t / 60) as f64 * 0.1);
    let view = moving.view(&intent);
    assert_eq!(temperature_faults(&view, &moving.clone().recording()), []);
}

#[test]
fn an_offset_is_a_small_steady_reading_without_input() {
    let intent = vessel("");
    let reading = |amps_: f64, volts: f64| {
        let tape = Tape::new(1800)
            .with(VOLTS, |_| 53.5)
            .with(AMPS, |_| 0.0)
            .with(&supply(1), move |_| volts)
            .with(&amps(1), move |_| amps_);
        let found = crate::remark::habits::offsets(&tape.view(&intent));
        found.first().and_then(|f| f.evidence["offset_a"].as_f64())
    };
    assert_eq!(reading(2.0, 0.0), Some(2.0));
    assert_eq!(reading(-2.0, 0.0), Some(-2.0));
    // Within the uncertainty; with its input it may give what it likes; and more than a twentieth of its rating.
    assert_eq!(reading(0.9, 0.0), None);
    assert_eq!(reading(2.0, 230.0), None);
    assert_eq!(reading(-6.0, 0.0), None);
}
