//! Two chargers on one DC bus, by an independent simulation.
//!
//! Source: the synthetic curves beside `vectors/two_chargers.json` (16 cells of lithium iron phosphate, 400 Ah, 8 mohm,
//! 10 A load; charger A 120 A from 600 s, charger B 80 A from 1800 s; computed apart from this project by left-rectangle
//! integration at 10 s). Held off: A gives 216.342 Ah, B nothing. Linked: A 142.359 Ah, B 74.049 Ah.

use ampwake_analyzer::analyze::analyze;
use ampwake_schemas::findings::{Cause, Findings, Kind};
use ampwake_schemas::intent::{Chemistry, SourceKind};
use ampwake_tests::{BANK_CURRENT, BANK_VOLTAGE, LOAD_CURRENT, bank, charger, columns, intent, recording};

fn findings(path: &str) -> Findings {
    let c = columns(path, &["t_s", "v_bus", "i_batt_a", "i_charger_a", "i_charger_b", "i_load_a"]);
    let column = |k: usize| c[0].iter().copied().zip(c[k].iter().copied()).collect::<Vec<_>>();
    // AC is on at each charger from the moment that the simulation lets it start.
    let supply = |from: f64| c[0].iter().map(|t| (*t, if *t >= from { 230.0 } else { 0.0 })).collect::<Vec<_>>();
    let r = recording(&[
        (BANK_VOLTAGE, column(1)),
        (BANK_CURRENT, column(2)),
        ("can0/n2k/127751/1/dc_current", column(3)),
        ("can0/n2k/127751/2/dc_current", column(4)),
        (LOAD_CURRENT, column(5)),
        ("can0/n2k/127503/1/voltage", supply(600.0)),
        ("can0/n2k/127503/2/voltage", supply(1800.0)),
    ]);
    let mut b = bank(Chemistry::Lfp, 16, 400.0, 56.8, 20.0);
    b.max_charge_a = Some(200.0);
    let mut second = charger("charger B", 2, 80.0);
    second.kind = SourceKind::GensetCharger; // its supply comes later, and that is no fault
    let sources = vec![charger("charger A", 1, 120.0), second];
    analyze(&r, &intent(b, sources, true, 0.5, 0.05)).findings
}

fn charge(f: &Findings, source: &str) -> f64 {
    f.sessions.iter().flat_map(|s| &s.sources).filter(|s| s.source == source).map(|s| s.charge_ah).sum()
}

#[test]
fn held_off_is_found_and_costs_what_it_costs() {
    let f = findings("curves/synthetic_two_chargers_held_off.csv");
    // 10 s steps: trapezoids instead of left rectangles differ at the edges by at most one step of current.
    assert!((charge(&f, "charger A") - 216.342).abs() < 0.4, "{}", charge(&f, "charger A"));
    assert_eq!(charge(&f, "charger B"), 0.0);
    let blamed: Vec<_> = f.findings.iter().filter(|x| x.kind == Kind::NonContributingSource).collect();
    assert_eq!(blamed.len(), 1, "{:#?}", f.findings);
    assert_eq!(blamed[0].source.as_deref(), Some("charger B"));
    assert_eq!(blamed[0].cause, Some(Cause::HeldOffByBusVoltage));
    // From 1800 s until A leaves its limit at 6260 s the bank would have taken all of B's 80 A.
    let lost = blamed[0].evidence["lost_ah"].as_f64().expect("a figure");
    assert!((lost - 80.0 * (6260.0 - 1800.0) / 3600.0).abs() < 6.0, "{lost}");
}

#[test]
fn linked_chargers_are_not_blamed() {
    let f = findings("curves/synthetic_two_chargers_linked.csv");
    assert!((charge(&f, "charger A") - 142.359).abs() < 0.4, "{}", charge(&f, "charger A"));
    assert!((charge(&f, "charger B") - 74.049).abs() < 0.3, "{}", charge(&f, "charger B"));
    let blamed: Vec<_> = f.findings.iter().filter(|x| x.source.is_some()).collect();
    assert!(blamed.is_empty(), "{blamed:#?}");
}
