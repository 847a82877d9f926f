//! A source that stands idle while the device behind it reports a fault, from the frames to the finding.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::analyze::analyze;
use ampwake_analyzer::load::load;
use ampwake_logger::dbc::Definitions;
use ampwake_logger::dialect::Dialect;
use ampwake_logger::import::ImportOptions;
use ampwake_schemas::findings::{Cause, Kind};
use ampwake_schemas::message::Protocol::{self, Canopen, J1939, N2k};
use ampwake_tests::imported::Imported;
use ampwake_tests::log_text::LogText;
use ampwake_tests::{BANK_CURRENT, BANK_VOLTAGE, small_bank};
use std::path::Path;
use std::sync::Arc;

const SECONDS: u32 = 7200;
/// Addresses of the two chargers.
const FIRST: u8 = 41;
const SECOND: u8 = 42;
/// Suspect parameter 1675, failure mode 3, once; and none.
const DM1: [u8; 8] = [0x00, 0xFF, 0x8B, 0x06, 0x03, 0x01, 0xFF, 0xFF];
const DM1_NONE: [u8; 8] = [0x00, 0xFF, 0x00, 0x00, 0x00, 0x00, 0xFF, 0xFF];

const SOURCES: &str = r#"
[[source]]
name = "first"
kind = "shore_charger"
rated_a = 100
available_when = { signal = "can0/n2k/127503/1/voltage", above = 200 }
signals = { current = "can0/n2k/127751/1/dc_current", state = "can0/n2k/127507/1/operating_state" }
[[source]]
name = "second"
"#;
const SECOND_CHARGER: &str = r#"
kind = "shore_charger"
rated_a = 50
available_when = { signal = "can0/n2k/127503/1/voltage", above = 200 }
signals = { current = "can0/n2k/127751/2/dc_current", state = "can0/n2k/127507/2/operating_state" }
"#;

/// A recording of `can0`.
struct Log(LogText);

impl Log {
    fn new() -> Self {
        Self(LogText::starting(1_776_511_200.0))
    }

    fn frame(&mut self, second: f64, id: &str, data: &[u8]) {
        self.0.frame(second, "can0", id, data);
    }

    fn message(&mut self, second: u32, source: u8, number: u32, instance: u32, values: &[(&str, f64)]) {
        let at = f64::from(second) + f64::from(source) / 1000.0 + f64::from(number % 100) / 10_000.0;
        self.0.message(at, ("can0", N2k), source, number, Some(instance), values);
    }

    /// The bank, its supply and the first charger, which gives 80 A in bulk.
    fn vessel(&mut self, second: u32) {
        self.message(second, 10, 127_508, 0, &[("battery_voltage", 54.0), ("battery_current", 80.0)]);
        self.message(second, 11, 127_503, 1, &[("voltage", 230.0)]);
        self.message(second, FIRST, 127_751, 1, &[("dc_voltage", 54.1), ("dc_current", 80.0)]);
        self.message(second, FIRST, 127_507, 1, &[("operating_state", 1.0)]);
    }

    /// The second charger, which says bulk and gives nothing.
    fn second(&mut self, second: u32) {
        self.message(second, SECOND, 127_751, 2, &[("dc_voltage", 54.0), ("dc_current", 0.0)]);
        self.message(second, SECOND, 127_507, 2, &[("operating_state", 1.0)]);
    }

    /// Cause and words of the second source's idleness.
    fn why(&self, dialects: Vec<Dialect>, second: &str) -> (Option<Cause>, String) {
        let text = small_bank(BANK_VOLTAGE, BANK_CURRENT, &format!("{SOURCES}{second}"));
        let intent = ampwake_schemas::intent::read("vessel.toml", &text).unwrap();
        let options =
            ImportOptions { bus_protocols: [("can0".to_owned(), dialects)].into(), ..ImportOptions::default() };
        let imported = Imported::from_log(&self.0.text, &options);
        let recording = load(imported.store(), &intent, None, None).unwrap();
        let found = analyze(&recording, &intent).findings.findings;
        let idle = |f: &&ampwake_schemas::findings::Finding| f.kind == Kind::NonContributingSource;
        let all: Vec<_> = found.iter().filter(idle).filter(|f| f.source.as_deref() == Some("second")).collect();
        assert_eq!(all.len(), 1, "{found:?}");
        (all[0].cause, all[0].summary.clone())
    }
}

fn tables(protocols: &[Protocol]) -> Vec<Dialect> {
    protocols.iter().map(|p| (*p).into()).collect()
}

/// Two hours in which the device at `address` sends these trouble codes.
fn with_trouble(address: u8, codes: impl Fn(u32) -> Option<[u8; 8]>) -> Log {
    let mut log = Log::new();
    for second in (0..SECONDS).step_by(2) {
        log.vessel(second);
        log.second(second);
        if let Some(codes) = codes(second) {
            log.frame(f64::from(second) + 0.5, &format!("18FECA{address:02X}"), &codes);
        }
    }
    log
}

#[test]
fn a_trouble_code_of_the_charger_s_own_device_is_the_cause_and_is_quoted() {
    let (cause, summary) = with_trouble(SECOND, |_| Some(DM1)).why(tables(&[N2k, J1939]), SECOND_CHARGER);
    assert_eq!(cause, Some(Cause::FaultReported), "{summary}");
    assert!(summary.contains("the device at address 42 on can0 reports a fault: SPN 1675, FMI 3"), "{summary}");
}

#[test]
fn another_device_s_trouble_and_a_trouble_of_before_accuse_nobody() {
    let others = with_trouble(FIRST, |_| Some(DM1));
    let before = with_trouble(SECOND, |t| Some(if t < 900 { DM1 } else { DM1_NONE }));
    // It no longer says anything of it.
    let silent = with_trouble(SECOND, |t| (t < 900).then_some(DM1));
    for (name, log) in [("another's", others), ("ended", before), ("silent", silent)] {
        let (cause, summary) = log.why(tables(&[N2k, J1939]), SECOND_CHARGER);
        assert!(cause.is_some() && cause != Some(Cause::FaultReported), "{name}: {summary}");
    }
}

#[test]
fn an_emergency_of_the_node_that_sends_the_charger_s_own_messages() {
    let file = "VERSION \"\"\nBO_ 389 Charger: 8 C\n SG_ Current : 0|16@1- (0.1,0) [0|0] \"A\" D\n";
    let own = Arc::new(Definitions::from_bytes(Path::new("charger.dbc"), file.as_bytes()).unwrap());
    let dialects = || vec![Dialect::Frames(own.clone()), N2k.into(), Canopen.into()];
    let charger = SECOND_CHARGER
        .replace("can0/n2k/127751/2/dc_current", "can0/dbc/charger/current")
        .replace(", state = \"can0/n2k/127507/2/operating_state\"", "");
    let run = |emergency: &str| {
        let mut log = Log::new();
        log.frame(0.0, emergency, &[0x00, 0x31, 0x05, 0, 0, 0, 0, 0]);
        for second in (0..SECONDS).step_by(2) {
            log.vessel(second);
            // 389 is the first process data object of node 5.
            log.frame(f64::from(second) + 0.5, "185", &[0, 0]);
        }
        log.why(dialects(), &charger)
    };
    let (cause, summary) = run("085");
    assert_eq!(cause, Some(Cause::FaultReported), "{summary}");
    assert!(summary.contains("node 5 on can0 reports error 3100 (register 05)"), "{summary}");
    let (cause, summary) = run("086");
    assert_ne!(cause, Some(Cause::FaultReported), "{summary}");
}

#[test]
fn a_lit_charge_indicator_of_the_alternator_s_engine() {
    let alternator = r#"
kind = "alternator"
rated_a = 50
engine_speed = "can0/n2k/127488/0/engine_speed"
signals = { current = "can0/n2k/127751/2/dc_current" }
"#;
    let run = |engine: u32| {
        let mut log = Log::new();
        for second in (0..SECONDS).step_by(2) {
            log.vessel(second);
            log.message(second, SECOND, 127_751, 2, &[("dc_voltage", 54.0), ("dc_current", 0.0)]);
            log.message(second, 3, 127_488, 0, &[("engine_speed", 1800.0)]);
            log.message(second, 3, 127_489, engine, &[("discrete_status_1", 512.0), ("discrete_status_2", 0.0)]);
        }
        log.why(tables(&[N2k]), alternator)
    };
    let (cause, summary) = run(0);
    assert_eq!(cause, Some(Cause::FaultReported), "{summary}");
    assert!(summary.contains("engine 0 at address 3 on can0 reports \"Charge Indicator\""), "{summary}");
    let (cause, summary) = run(1);
    assert_ne!(cause, Some(Cause::FaultReported), "{summary}");
}
