//! Sources that are to blame, and sources that are not.

use crate::analyze::analyze;
use crate::testing::{AMPS, Tape, VOLTS, WARMTH, amps, signal, vessel};
use ampwake_schemas::findings::{Cause, Finding, Kind, Severity};
use ampwake_schemas::intent::Intent;

fn lacking(intent: &Intent, tape: &Tape) -> Vec<(String, Option<Cause>, Severity)> {
    let lack = |f: &Finding| matches!(f.kind, Kind::NonContributingSource | Kind::UnderContributingSource);
    let all = analyze(&tape.clone().recording(), intent).findings.findings.into_iter().filter(lack);
    all.map(|f| (f.source.unwrap_or_default(), f.cause, f.severity)).collect()
}

/// An hour at 53.5 V in which both have their input and give nothing.
fn both_idle() -> Tape {
    Tape::new(3600).fed().with(VOLTS, |_| 53.5).with(AMPS, |_| -5.0).with(&amps(1), |_| 0.0).with(&amps(2), |_| 0.0)
}

#[test]
fn a_battery_that_takes_no_charge_is_why_and_nobody_is_blamed() {
    let both = |cause| ["first", "second"].map(|s| (s.to_owned(), Some(cause), Severity::Info)).to_vec();
    let mut intent = vessel("");
    for (role, no, yes) in
        [("charge_permitted", 0.0, 1.0), ("contactor", 0.0, 1.0), ("charge_current_limit", 0.0, 200.0)]
    {
        let address = format!("can0/dbc/pack/{role}");
        intent.banks[0].signals.further.clear();
        intent.banks[0].signals.further.insert(role.into(), signal(&address));
        let refuses = both_idle().with(&address, move |_| no);
        assert_eq!(lacking(&intent, &refuses), both(Cause::BatteryNotPermitting), "{role}");
        // It permits; it refuses for ten minutes; nothing is known of it: then they are to be asked why.
        for permits in [
            both_idle().with(&address, move |_| yes),
            both_idle().with(&address, move |t| if t < 600 { no } else { yes }),
            both_idle().with(&address, |_| f64::NAN),
        ] {
            let found = lacking(&intent, &permits);
            assert!(found.len() == 2 && found.iter().all(|f| f.1 != Some(Cause::BatteryNotPermitting)), "{found:?}");
        }
    }
    intent.banks[0].signals.further.clear();
    assert_eq!(lacking(&intent, &both_idle().with(WARMTH, |_| -3.0)), both(Cause::BatteryNotPermitting));
    // At the set-point there was nothing to refuse.
    let full = both_idle().with(WARMTH, |_| -3.0).with(VOLTS, |_| 56.8);
    assert_eq!(lacking(&intent, &full), []);
}

#[test]
fn an_unmeasured_source_is_not_blamed_for_the_silence_of_another() {
    let mut intent = vessel("");
    intent.sources[1].signals.current = None;
    // The first gives 50 A of the 50 A that flow; from 1800 s on the bank takes 20 A, and the first is silent.
    let tape = |last_heard: i64, bank_a: f64| {
        Tape::new(9000)
            .fed()
            .with(VOLTS, |_| 53.5)
            .with(AMPS, move |t| if t < 1800 { 50.0 } else { bank_a })
            .with(&amps(1), move |t| {
                if t >= last_heard {
                    f64::NAN
                } else if t < 1800 {
                    50.0
                } else {
                    bank_a
                }
            })
            .with(&crate::testing::state(1), |_| 2.0)
            .with(&crate::testing::state(2), |_| 1.0)
    };
    let blames_second =
        |tape: &Tape| lacking(&intent, tape).iter().any(|f| f.0 == "second" && f.2 >= Severity::Caution);
    assert!(blames_second(&tape(9999, 50.0)), "all that flows is the first's");
    // Half an hour of evidence, then two unknowns in one balance.
    let view = tape(1200, 20.0);
    let view = view.view(&intent);
    assert!(view.sources[1].blind[3000] && !view.sources[1].blind[1000] && !view.sources[1].blind[1500]);
    let w = crate::analyze::work(view);
    assert!(w.opportunity[1].open[1000] && !w.opportunity[1].open[3000]);
}

#[test]
fn a_fault_explains_a_shortfall_only_where_it_makes_the_difference() {
    use crate::faults::SourceFault;
    let intent = vessel("");
    let tape = Tape::new(7200)
        .fed()
        .with(VOLTS, |_| 54.0)
        .with(AMPS, |_| 60.0)
        .with(&amps(1), |t| if t < 1800 { 100.0 } else { 60.0 })
        .with(&amps(2), |_| 50.0);
    let why = |cells: std::ops::Range<usize>, others: &[&str]| {
        let mut view = tape.view(&intent);
        view.sources[0].faults = vec![SourceFault {
            code: "SPN 1675, FMI 3".into(),
            text: "the device at address 41 reports a fault".into(),
            cells: vec![cells],
            own: true,
            others: others.iter().map(|o| (*o).to_owned()).collect(),
        }];
        let w = crate::analyze::work(view);
        crate::cause::explain_shortfall(&w.view, 0, &w.progress, &w.opportunity[0]).map(|s| s.1.cause)
    };
    assert_eq!(why(1800..7200, &[]), Some(Cause::FaultReported));
    // There all the time, also while it gave all it could; gone before; another source's too.
    for other in [why(0..7200, &[]), why(0..1800, &[]), why(1800..7200, &["second"])] {
        assert_eq!(other, Some(Cause::LimitedBySetting));
    }
}
