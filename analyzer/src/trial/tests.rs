//! The plan against tapes: what a vessel needs by its intent, and what each recording covers of it.

use crate::analyze::analyze;
use crate::testing::{AMPS, Tape, VOLTS, amps, heat, own_volts, state, supply, vessel};
use ampwake_schemas::intent::{Intent, SourceKind};
use ampwake_schemas::trial::{Coverage, Test, TestKind, Trial};

fn plan(intent: &Intent, tape: Tape) -> Trial {
    analyze(&tape.recording(), intent).trial
}

fn of<'t>(trial: &'t Trial, kind: TestKind, subject: &str) -> &'t Test {
    let found =
        trial.tests.iter().find(|t| t.standing.kind == kind && t.standing.subjects.iter().any(|s| s == subject));
    found.unwrap_or_else(|| panic!("no {kind} of {subject}"))
}

fn stands(trial: &Trial, kind: TestKind, subject: &str) -> Coverage {
    of(trial, kind, subject).standing.coverage
}

/// Two hours of bulk at 54.0 V; what the two chargers give.
fn bulk(first: impl Fn(i64) -> f64 + Copy, second: impl Fn(i64) -> f64 + Copy) -> Tape {
    Tape::new(7200)
        .fed()
        .with(VOLTS, |_| 54.0)
        .with(AMPS, move |t| first(t) + second(t))
        .with(&amps(1), first)
        .with(&amps(2), second)
        .with(&own_volts(1), |_| 54.1)
        .with(&heat(1), |t| (20.0 + t as f64 / 60.0).min(60.0))
}

#[test]
fn a_source_alone_needs_half_an_hour_at_what_it_owes() {
    let intent = vessel("");
    let alone = |seconds: i64, given: f64| {
        let trial = plan(&intent, bulk(move |t| if t < seconds { given } else { 0.0 }, |_| 0.0));
        stands(&trial, TestKind::SourceAlone, "first")
    };
    assert_eq!(alone(1790, 100.0), Coverage::Begun);
    assert_eq!(alone(1810, 100.0), Coverage::Covered);
    // 95 % of 100 A less twice the sensor's uncertainty, 2 x hypot(0.47, 0.5) A.
    assert_eq!((alone(1810, 93.8), alone(1810, 93.4)), (Coverage::Covered, Coverage::Failed));
    assert_eq!(alone(0, 0.0), Coverage::ToSail);
    // Beside the other it is not alone.
    let trial = plan(&intent, bulk(|_| 100.0, |_| 50.0));
    assert_eq!(stands(&trial, TestKind::SourceAlone, "first"), Coverage::ToSail);
}

#[test]
fn together_counts_what_each_gives() {
    let intent = vessel("");
    let both =
        |second: f64| stands(&plan(&intent, bulk(|_| 100.0, move |_| second)), TestKind::SourcesTogether, "second");
    assert_eq!((both(50.0), both(30.0), both(0.0)), (Coverage::Covered, Coverage::Failed, Coverage::Failed));
    let dark = bulk(|_| 100.0, |_| 0.0).with(&supply(2), |_| 0.0);
    assert_eq!(stands(&plan(&intent, dark), TestKind::SourcesTogether, "second"), Coverage::ToSail);
}

#[test]
fn a_pair_joins_in_both_orders_or_one_holds_the_other_off() {
    let intent = vessel("");
    // The first from 0 s and from 3700 s, the second from 600 s until 3000 s and from 3100 s.
    let first = |t: i64| if !(3000..3760).contains(&t) { 100.0 } else { 0.0 };
    let second = |t: i64| if (660..2400).contains(&t) || t >= 3000 { 50.0 } else { 0.0 };
    let fed1 = |t: i64| if (3000..3700).contains(&t) { 0.0 } else { 230.0 };
    let fed2 = |t: i64| if (600..2400).contains(&t) || t >= 2940 { 230.0 } else { 0.0 };
    let tape = || bulk(first, second).with(&supply(1), fed1).with(&supply(2), fed2);
    let trial = plan(&intent, tape());
    let pair = of(&trial, TestKind::PairJoin, "second");
    assert_eq!(pair.standing.coverage, Coverage::Covered, "{}", pair.standing.seen);
    // One order alone.
    let once = plan(&intent, bulk(|_| 100.0, second).with(&supply(2), fed2));
    let pair = of(&once, TestKind::PairJoin, "second");
    assert_eq!(pair.standing.coverage, Coverage::Begun, "{}", pair.standing.seen);
    assert!(pair.missing[0].contains("first started while second gives"), "{:?}", pair.missing);
    // Held off: it says that it floats.
    let off = plan(&intent, bulk(|_| 100.0, |_| 0.0).with(&state(2), |_| 5.0));
    assert_eq!(stands(&off, TestKind::PairJoin, "second"), Coverage::Failed);
}

#[test]
fn a_disconnect_under_an_alternator_is_never_to_be_sailed() {
    let mut intent = vessel("");
    intent.sources[1].kind = SourceKind::Alternator;
    let trial = plan(&intent, bulk(|_| 100.0, |_| 50.0));
    let dump = of(&trial, TestKind::LoadDump, "second");
    assert_eq!(dump.standing.coverage, Coverage::OnPaper);
    assert!(dump.steps[0].starts_with("Do not sail this"));
    assert!(trial.tests.iter().all(|t| t.standing.kind != TestKind::LoadDump || t.standing.subjects == ["second"]));
    // Lead-acid has no contactor to open.
    intent.banks[0].chemistry = ampwake_schemas::intent::Chemistry::Agm;
    let trial = plan(&intent, bulk(|_| 100.0, |_| 50.0));
    assert!(
        trial
            .tests
            .iter()
            .all(|t| !matches!(t.standing.kind, TestKind::LoadDump | TestKind::BatteryLimits | TestKind::ColdCharge))
    );
}

#[test]
fn requirements_stand_as_their_verdicts_do() {
    let r = |id: &str, limit: f64| {
        format!(
            "[[requirement]]\nid = \"{id}\"\ntext = \"it holds\"\nquantity = \"source_current\"\nsource = \"first\"\nat_least = {limit}\nunit = \"A\"\n"
        )
    };
    let intent = vessel(&(r("A", 90.0) + &r("B", 120.0) + &r("C", 100.0)));
    let trial = plan(&intent, bulk(|_| 100.0, |_| 0.0));
    let word = |id: &str| stands(&trial, TestKind::Requirement, id);
    assert_eq!((word("A"), word("B"), word("C")), (Coverage::Covered, Coverage::Failed, Coverage::Begun));
    assert!(trial.open_points.iter().any(|p| p.contains("B: it holds: failed")), "{:#?}", trial.open_points);
    let numbers: Vec<u32> = trial.tests.iter().map(|t| t.standing.number).collect();
    assert_eq!(numbers, (1..=trial.tests.len() as u32).collect::<Vec<_>>());
}

#[test]
fn heat_clock_signals_and_sensors() {
    let intent = vessel("");
    let trial = plan(&intent, bulk(|t| if (3000..3300).contains(&t) { 0.0 } else { 100.0 }, |_| 0.0));
    // It stands at 60 degC for the last hour.
    assert_eq!(stands(&trial, TestKind::HotSoak, "first"), Coverage::Covered);
    assert_eq!(stands(&trial, TestKind::HotSoak, "second"), Coverage::ToSail);
    assert_eq!(stands(&trial, TestKind::SensorIdentity, "first"), Coverage::Covered);
    assert_eq!(stands(&trial, TestKind::SensorIdentity, "second"), Coverage::ToSail);
    assert_eq!(stands(&trial, TestKind::VoltageDrop, "first"), Coverage::Covered);
    let clock = trial.tests.iter().find(|t| t.standing.kind == TestKind::RecorderClock).expect("a test of the clock");
    let signals =
        trial.tests.iter().find(|t| t.standing.kind == TestKind::SignalsHeard).expect("a test of the signals");
    assert_eq!((clock.standing.coverage, signals.standing.coverage), (Coverage::Covered, Coverage::Begun));
    assert!(signals.missing.iter().any(|m| m.starts_with("second, temperature")), "{:?}", signals.missing);
}
