//! Common practice, no source: a 12 V class lead-acid bank rests at 12.5 V; its first charger lifts the DC bus to 14.2 V; a
//! second charger that senses nothing but voltage takes the bank for full and stays idle. That is held off, not broken.

use ampwake_analyzer::analyze::analyze;
use ampwake_schemas::findings::{Cause, Finding, Kind, Severity};
use ampwake_schemas::intent::{Chemistry, SourceKind};
use ampwake_tests::{BANK_CURRENT, BANK_VOLTAGE, bank, charger, intent, recording, signal};

/// Two hours at one sample a second; the first charger runs from minute 10 to `first_stops`, the second has AC all the time
/// and answers with its state `code` while it idles. After the first stops, the second joins when `joins`.
fn findings(code: f64, first_stops: f64, joins: bool) -> Vec<Finding> {
    let column = |f: &dyn Fn(f64) -> f64| (0..7200).map(|s| (f64::from(s), f(f64::from(s) / 60.0))).collect::<Vec<_>>();
    let first = |m: f64| (10.0..first_stops).contains(&m);
    // Chargers watch the bus for a while before they start again.
    let second = |m: f64| joins && m >= first_stops + 1.5;
    // The bus comes up from 12.5 V to 14.2 V within a few minutes and stays below the profile's 14.6 V.
    let volts = |m: f64| match m {
        _ if first(m) => 14.2 - 1.7 * (-(m - 10.0) / 2.0).exp(),
        _ if second(m) => 13.6,
        _ => 12.5,
    };
    let amps = |m: f64| match m {
        _ if first(m) => 40.0,
        _ if second(m) => 40.0,
        _ => 0.0,
    };
    let r = recording(&[
        (BANK_VOLTAGE, column(&volts)),
        (BANK_CURRENT, column(&amps)),
        ("can0/n2k/127751/1/dc_current", column(&|m| if first(m) { 40.0 } else { 0.0 })),
        ("can0/n2k/127751/2/dc_current", column(&|m| if second(m) { 40.0 } else { 0.0 })),
        ("can0/n2k/127503/1/voltage", column(&|m| if first(m) { 230.0 } else { 0.0 })),
        ("can0/n2k/127503/2/voltage", column(&|m| if m >= 10.0 { 230.0 } else { 0.0 })),
        ("can0/n2k/127507/2/operating_state", column(&|m| if second(m) { 1.0 } else { code })),
    ]);
    let b = bank(Chemistry::Flooded, 6, 400.0, 14.6, 8.0);
    let mut two = charger("second charger", 2, 40.0);
    two.signals.state = Some(signal("can0/n2k/127507/2/operating_state"));
    let mut one = charger("first charger", 1, 40.0);
    one.kind = SourceKind::GensetCharger; // that its generator stops is nothing
    let sources = vec![one, two];
    analyze(&r, &intent(b, sources, false, 0.5, 0.05)).findings.findings
}

fn blamed(findings: &[Finding]) -> Vec<(&str, Option<Cause>)> {
    findings
        .iter()
        .filter(|f| f.kind == Kind::NonContributingSource && f.severity >= Severity::Caution)
        .map(|f| (f.source.as_deref().unwrap_or("bank"), f.cause))
        .collect()
}

#[test]
fn the_second_charger_is_held_off_and_not_broken() {
    // It reports float (5), or that it does not charge (0): both are what a charger says that takes the bank for full.
    for code in [5.0, 0.0] {
        let found = findings(code, 120.0, false);
        assert_eq!(blamed(&found), [("second charger", Some(Cause::HeldOffByBusVoltage))], "{found:#?}");
    }
}

#[test]
fn a_charger_that_joins_when_the_first_stops_is_surely_held_off() {
    let alone = findings(5.0, 120.0, false);
    let joined = findings(5.0, 80.0, true);
    assert_eq!(blamed(&joined), [("second charger", Some(Cause::HeldOffByBusVoltage))], "{joined:#?}");
    let confidence = |f: &[Finding]| f.iter().find(|x| x.kind == Kind::NonContributingSource).map(|x| x.confidence);
    assert!(confidence(&joined) > confidence(&alone), "the natural experiment counts");
}

#[test]
fn a_charger_that_reports_a_fault_is_broken_and_not_held_off() {
    assert_eq!(blamed(&findings(9.0, 120.0, false)), [("second charger", Some(Cause::FaultReported))]);
}

#[test]
fn a_charger_that_does_not_join_when_the_first_stops_is_not_held_off() {
    let found = findings(0.0, 60.0, false);
    let causes = blamed(&found);
    assert_eq!(causes.len(), 1, "{found:#?}");
    assert_ne!(causes[0].1, Some(Cause::HeldOffByBusVoltage));
}
