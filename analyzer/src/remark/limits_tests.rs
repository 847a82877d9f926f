//! Limits of the bank and the sources, each with a scene just beyond and one just within.

use super::*;
use crate::testing::{AMPS, Tape, VOLTS, WARMTH, amps, heat, signal, vessel};
use ampwake_schemas::intent::Intent;

/// Half an hour of charge at 53.5 V, 25 degC and 60 A.
fn scene() -> Tape {
    Tape::new(1800).fed().with(VOLTS, |_| 53.5).with(AMPS, |_| 60.0).with(&amps(1), |_| 60.0).with(WARMTH, |_| 25.0)
}

/// From `from` to `to` s `high`, else `low`.
fn pulse(from: i64, to: i64, low: f64, high: f64) -> impl Fn(i64) -> f64 {
    move |t| if (from..to).contains(&t) { high } else { low }
}

fn found(intent: &Intent, tape: Tape) -> Vec<(Kind, Severity)> {
    let view = tape.view(intent);
    let all = remarks(&view, &tape.recording());
    all.iter().map(|f| (f.kind, f.severity)).collect()
}

#[test]
fn nothing_is_said_of_an_ordinary_charge() {
    assert_eq!(found(&vessel(""), scene()), []);
}

#[test]
fn over_voltage_is_above_the_profile_by_more_than_the_band_for_half_a_minute() {
    let intent = vessel("");
    let at = |high: f64, seconds: i64| found(&intent, scene().with(VOLTS, pulse(600, 600 + seconds, 56.8, high)));
    // 56.8 V and 0.5 % are 57.084 V.
    assert_eq!(at(57.07, 600), []);
    assert_eq!(at(57.1, 600), [(Kind::OverVoltage, Severity::Caution)]);
    assert_eq!(at(57.1, 30), []);
    // 16 cells of 3.65 V are 58.4 V.
    assert_eq!(at(58.5, 600), [(Kind::OverVoltage, Severity::Danger)]);
}

#[test]
fn over_current_is_graded_and_says_whose_limit_it_was() {
    let mut intent = vessel("");
    intent.banks[0].max_charge_a = Some(100.0);
    // 100 A and twice hypot(0.5 %, 0.5 A) are 101.41 A.
    let at = |i: &Intent, high: f64, seconds: i64| found(i, scene().with(AMPS, pulse(600, 600 + seconds, 60.0, high)));
    assert_eq!(at(&intent, 101.3, 60), []);
    assert_eq!(at(&intent, 110.0, 60), [(Kind::OverCurrent, Severity::Caution)]);
    assert_eq!(at(&intent, 110.0, 10), []);
    assert_eq!(at(&intent, 121.0, 60), [(Kind::OverCurrent, Severity::Danger)]);
    let live = "can0/dbc/pack/charge_current_limit";
    intent.banks[0].signals.further.insert("charge_current_limit".into(), signal(live));
    let limited = |amps: f64| scene().with(live, move |_| amps);
    assert_eq!(found(&intent, limited(50.0)), [(Kind::BatteryLimitExceeded, Severity::Danger)]);
    assert_eq!(found(&intent, limited(70.0)), []);
    // A live limit that was never heard is nobody's: the intent's holds, under its own name.
    assert_eq!(at(&intent, 110.0, 60), [(Kind::OverCurrent, Severity::Caution)]);
}

#[test]
fn cold_charge_needs_cold_a_charge_and_a_sensor_to_believe() {
    let intent = vessel("");
    let cold = |t: f64| scene().with(WARMTH, move |_| t);
    assert_eq!(found(&intent, cold(-3.0)), [(Kind::ChargeBelowMinimumTemperature, Severity::Danger)]);
    assert_eq!(found(&intent, cold(0.5)), []);
    // Cold, but at rest.
    assert_eq!(found(&intent, cold(-3.0).with(AMPS, |_| 0.0)), []);
    // An open sensor is no cold.
    assert_eq!(found(&intent, cold(-60.0)), []);
    assert_eq!(found(&intent, scene().with(WARMTH, pulse(600, 1800, 25.0, -30.0))), []);
}

#[test]
fn a_hot_bank_is_worse_while_it_is_charged() {
    let intent = vessel("");
    let hot = || scene().with(WARMTH, |_| 46.0);
    assert_eq!(found(&intent, hot()), [(Kind::TemperatureExcursion, Severity::Danger)]);
    assert_eq!(found(&intent, hot().with(AMPS, |_| -10.0)), [(Kind::TemperatureExcursion, Severity::Caution)]);
    assert_eq!(found(&intent, scene().with(WARMTH, |_| 44.9)), []);
    assert_eq!(found(&intent, scene().with(WARMTH, pulse(600, 650, 44.0, 46.0))), []);
}

#[test]
fn a_source_above_its_own_limit() {
    let mut intent = vessel("");
    intent.sources[0].max_c = Some(85.0);
    let hot = |t: f64| scene().with(&heat(1), move |_| t);
    assert_eq!(found(&intent, hot(85.5)), [(Kind::TemperatureExcursion, Severity::Caution)]);
    assert_eq!(found(&intent, hot(84.5)), []);
}

#[test]
fn a_fast_rise_is_a_slope_over_five_minutes() {
    let intent = vessel("");
    // `rate` K/min for ten minutes.
    let rising = |rate: f64| scene().with(WARMTH, move |t| 20.0 + rate / 60.0 * (t - 600).clamp(0, 600) as f64);
    assert_eq!(found(&intent, rising(0.9)), []);
    assert_eq!(found(&intent, rising(1.3)), [(Kind::TemperatureRise, Severity::Caution)]);
    assert_eq!(found(&intent, rising(2.1)), [(Kind::TemperatureRise, Severity::Danger)]);
    // A few samples after a silence are no slope over five minutes: one kelvin within a minute is a coarse sensor.
    let coarse = |t: i64| match t {
        0..900 => f64::NAN,
        900..935 => 20.0,
        _ => 21.0,
    };
    assert_eq!(found(&intent, scene().with(WARMTH, coarse)), []);
}

#[test]
fn spread_needs_two_sensors() {
    let mut intent = vessel("");
    let second = "can0/n2k/130312/5/temperature";
    intent.banks[0].signals.temperature.push(signal(second));
    let apart = |k: f64| scene().with(second, move |_| 25.0 + k);
    assert_eq!(found(&intent, apart(7.9)), []);
    assert_eq!(found(&intent, apart(8.5)), [(Kind::TemperatureSpread, Severity::Caution)]);
}
