//! Energies, shares, efficiencies and powers against hand-made recordings.

use crate::analyze::analyze;
use crate::recording::Recording;
use crate::testing::{AMPS, Tape, VOLTS, amps, vessel};
use ampwake_schemas::findings::{Verdict, VerdictWord};
use ampwake_schemas::intent::{Intent, SourceKind};

const GENSET: &str = r#"
[[ac_source]]
name = "genset"
kind = "genset"
nominal_v = 230
limit_a = 30
signals = { power = "can0/n2k/127503/7/real_power", current = "can0/n2k/127503/7/current", fuel_rate = "can0/n2k/127489/0/fuel_rate" }
"#;
const POWER: &str = "can0/n2k/127503/7/real_power";
const INPUT: &str = "can0/n2k/127503/7/current";
const FUEL: &str = "can0/n2k/127489/0/fuel_rate";

fn with(requirement: &str) -> Intent {
    vessel(&format!("{GENSET}\n[[requirement]]\nid = \"R\"\ntext = \"as drawn\"\n{requirement}"))
}

fn judged(intent: &Intent, recording: &Recording) -> Verdict {
    analyze(recording, intent).findings.verdicts.remove(0)
}

/// An hour at 56.8 V with the first charger at 100 A.
fn hour() -> Tape {
    Tape::new(3601).fed().with(VOLTS, |_| 56.8).with(AMPS, |_| 100.0).with(&amps(1), |_| 100.0).with(&amps(2), |_| 25.0)
}

#[track_caller]
fn near(v: &Verdict, wanted: f64, within: f64) {
    let got = v.measured.unwrap_or_else(|| panic!("{v:?}"));
    assert!((got - wanted).abs() <= within, "{got}, {wanted} expected: {v:?}");
}

/// Check value F4: 5680 W of DC at an efficiency of 0.93 take 6107.53 W of AC.
#[test]
fn efficiency_is_dc_over_ac() {
    let mut intent =
        with("quantity = \"charger_efficiency\"\nunit = \"fraction\"\nat_least = 0.85\nsource = \"first\"");
    intent.sources[0].fed_by = Some("genset".into());
    let v = judged(&intent, &hour().with(POWER, |_| 6_107.526_881_720_43).recording());
    near(&v, 0.93, 1e-6);
    assert_eq!(v.verdict, VerdictWord::Met);
    // Shared with another charger the power says nothing about this one.
    intent.sources[1].fed_by = Some("genset".into());
    assert_eq!(judged(&intent, &hour().with(POWER, |_| 6107.5).recording()).verdict, VerdictWord::NotTested);
}

/// Check value F5 (g/kWh = L/h · kg/L · 1000 / kW): 4.2 L/h of 0.835 kg/L at 12 kW are 292.25 g/kWh; here with the
/// density of check value F7, 0.84694 kg/L.
#[test]
fn specific_fuel_of_a_generator() {
    let mut intent = with("quantity = \"specific_fuel\"\nunit = \"g/kWh\"\nat_most = 330\nsource = \"genset\"");
    let tape = hour().with(POWER, |_| 12_000.0).with(FUEL, |_| 4.2);
    near(&judged(&intent, &tape.clone().recording()), 292.25 * 0.84694 / 0.835, 0.01);
    // A requirement on an AC source is not lost on a vessel with two banks.
    let second = ampwake_schemas::intent::Bank { name: "second".into(), ..intent.banks[0].clone() };
    intent.banks.push(second);
    assert_eq!(judged(&intent, &tape.recording()).verdict, VerdictWord::Met);
}

#[test]
fn the_share_of_a_group() {
    let intent = with("quantity = \"contribution_share\"\nunit = \"%\"\nat_least = 30\nsource = \"second\"");
    let v = judged(&intent, &hour().recording());
    near(&v, 20.0, 1e-6); // 25 of 125 A
    assert_eq!(v.verdict, VerdictWord::NotMet);
}

#[test]
fn a_night_without_a_word_from_the_regulator_is_a_night() {
    let mut intent = with("quantity = \"source_energy_per_day\"\nunit = \"Wh\"\nat_least = 9000\nsource = \"first\"");
    intent.sources[0].kind = SourceKind::Solar;
    intent.sources[0].available_when = None;
    // Two days: ten amperes at 53.0 V from six to eighteen, an hour of nothing, and silence until five.
    let sun = |t: i64| match t / 3600 % 24 {
        6..18 => 10.0,
        5 | 18 => 0.0,
        _ => f64::NAN,
    };
    let tape = Tape::every(2 * 86_400, 10).with(VOLTS, |_| 53.0).with(AMPS, |_| 0.0).with(&amps(1), sun);
    let v = judged(&intent, &tape.recording());
    // The first five hours, before it was ever heard, are not known.
    near(&v, 2.0 * 12.0 * 530.0 / (43.0 / 24.0), 60.0);
    assert_eq!(v.verdict, VerdictWord::NotMet);
}

#[test]
fn power_is_not_thinned_by_what_was_not_seen() {
    let mut intent = with("quantity = \"regeneration_power\"\nunit = \"W\"\nat_least = 500\nsource = \"second\"");
    intent.sources[1].kind = SourceKind::Regeneration;
    let seen = |hole: i64| {
        let current = move |t: i64| if t % 300 < hole { f64::NAN } else { 25.0 };
        judged(&intent, &hour().with(&amps(2), current).recording())
    };
    near(&seen(0), 25.0 * 56.8, 1e-6);
    near(&seen(50), 25.0 * 56.8, 1e-6);
    assert_eq!(seen(100).verdict, VerdictWord::NotTested);
}

#[test]
fn a_moment_is_no_five_minute_mean() {
    let mut intent = with("quantity = \"input_current\"\nunit = \"A\"\nat_most = 28\nsource = \"first\"");
    intent.sources[0].fed_by = Some("genset".into());
    // Twenty amperes for twenty minutes, and forty for ten seconds in the middle of a silence.
    let current = |t: i64| match t {
        0..1200 => 20.0,
        2000..2010 => 40.0,
        _ => f64::NAN,
    };
    near(&judged(&intent, &hour().with(INPUT, current).recording()), 20.0, 1e-6);
    // Wherever five minutes begin.
    let burst = |t: i64| if (450..750).contains(&t) { 30.0 } else { 20.0 };
    near(&judged(&intent, &hour().with(INPUT, burst).recording()), 30.0, 1e-6);
}

#[test]
fn the_load_of_a_generator_while_it_runs() {
    let load = |sense: &str| {
        let intent = with(&format!("quantity = \"genset_load\"\nunit = \"%\"\n{sense} = 50\nsource = \"genset\""));
        // Half an hour at 40 % of 6900 W, half at 80 %; then it stops.
        let power = |t: i64| match t {
            0..1200 => 2760.0,
            1200..2400 => 5520.0,
            _ => 0.0,
        };
        judged(&intent, &hour().with(POWER, power).recording())
    };
    near(&load("at_most"), 80.0, 1e-6);
    near(&load("at_least"), 40.0, 1e-6);
}

/// Check value H1 (JCGM 100: rectangular limits a/√3, resolution q/√12): a shunt of class 0.5 % at 150 A with 0.5 A of
/// offset, 0.1 A of resolution and 0.2 A of repeatability: 0.558271 A.
#[test]
fn what_an_accuracy_in_the_intent_means() {
    let mut intent = vessel("");
    intent.accuracy.current.percent = 0.5 / 3_f64.sqrt();
    intent.accuracy.current.floor = (0.5 / 3_f64.sqrt()).hypot(0.1 / 12_f64.sqrt()).hypot(0.2);
    let u = hour().view(&intent).u_current(150.0);
    assert!((u - 0.558_271_140_814_807_7).abs() < 1e-9, "{u}");
}
