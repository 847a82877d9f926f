//! One voyage, carried by several buses: the findings are the vessel's and not the protocol's.
//!
//! The demonstration's voyage is written as NMEA 2000, RV-C, messages of a DBC file, NMEA 0183 sentences and registers of
//! Modbus units, as SAE J1939 as far as that goes, and as a boat on which every device speaks something else. What
//! the intent names is the same each time, by other addresses. Every carrier says how fine its figures are.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod carrier;
mod dbc;
mod j1939;
mod modbus;
mod n2k;
mod refit;
mod rvc;
mod sentences;

use ampwake_analyzer::analyze::Analysis;
use ampwake_analyzer::demo::{SEED, Trace, sail};
use ampwake_analyzer::model::Curve;
use ampwake_schemas::findings::Kind;
use carrier::Carrier;
use std::collections::BTreeMap;

/// What was found, without the figures: kind, cause, source. That a source says another stage than the bank's is found
/// only where `states` are carried.
fn points(analysis: &Analysis, states: bool) -> Vec<String> {
    let told = analysis.findings.findings.iter().filter(|f| states || f.kind != Kind::StageMismatch);
    let mut out: Vec<String> =
        told.map(|f| format!("{} {:?} {:?}", f.kind, f.cause, f.source.as_deref().unwrap_or("bank"))).collect();
    out.sort();
    out.dedup();
    out
}

fn verdicts(analysis: &Analysis) -> Vec<String> {
    analysis.findings.verdicts.iter().map(|v| format!("{} {}", v.id, v.verdict)).collect()
}

/// Ampere-hours of each source over all sessions.
fn charges(analysis: &Analysis) -> BTreeMap<String, f64> {
    let mut out = BTreeMap::new();
    for s in analysis.findings.sessions.iter().flat_map(|s| &s.sources) {
        *out.entry(s.source.clone()).or_default() += s.charge_ah;
    }
    out
}

/// The hottest that a finding about each source or the bank says.
fn hottest(analysis: &Analysis) -> BTreeMap<String, f64> {
    let hot = analysis.findings.findings.iter().filter(|f| f.kind == Kind::TemperatureExcursion);
    hot.filter_map(|f| {
        let who = f.source.clone().unwrap_or_else(|| "bank".to_owned());
        Some((who, f.evidence.get("temperature_max_c")?.as_f64()?))
    })
    .collect()
}

/// The same findings, causes, sources and verdicts; figures that differ by no more than the steps of both carriers.
fn same(name: &str, (carrier, found): (&Carrier, &Analysis), (other, reference): (&Carrier, &Analysis)) {
    let states = carrier.states && other.states;
    assert_eq!(points(found, states), points(reference, states), "{name}");
    assert_eq!(verdicts(found), verdicts(reference), "{name}");
    let (steps, fine) = (carrier.resolution, other.resolution);
    let (here, there) = (&found.findings, &reference.findings);
    let amperes = steps.current + fine.current;
    for (a, b) in here.verdicts.iter().zip(&there.verdicts) {
        let differs = (a.measured.unwrap() - b.measured.unwrap()).abs();
        // Those of two sources add up.
        assert!(differs <= 2.0 * amperes, "{name}, {}: {:?} and {:?}", a.id, a.measured, b.measured);
    }
    let hours: f64 = there.sessions.iter().map(|s| s.end.seconds_since(s.start) / 3600.0).sum();
    for (source, charge) in charges(reference) {
        let differs = (charges(found)[&source] - charge).abs();
        // A rounded value is half a step off at most, all the time.
        assert!(differs <= amperes / 2.0 * hours, "{name}, {source}: {differs} Ah of {charge} Ah in {hours} h");
    }
    if let (Some(a), Some(b)) = (steps.temperature, fine.temperature) {
        for (who, degrees) in hottest(reference) {
            let differs = (hottest(found)[&who] - degrees).abs();
            assert!(differs <= a + b, "{name}, {who}: {differs} K of {degrees} degC");
        }
    }
    let stages = |a: &Analysis| -> Vec<(String, f64)> {
        let spans = a.findings.sessions.iter().flat_map(|s| &s.stages);
        spans.map(|s| (format!("{:?}", s.stage), s.voltage_mean.unwrap_or(f64::NAN))).collect()
    };
    let (mine, theirs) = (stages(found), stages(reference));
    assert!(mine.len() == theirs.len() && !mine.is_empty(), "{name}: {mine:?} {theirs:?}");
    for (a, b) in mine.iter().zip(&theirs) {
        let within = (a.1 - b.1).abs() <= steps.voltage + fine.voltage;
        assert!(a.0 == b.0 && within, "{name}: {a:?} and {b:?}");
    }
}

#[test]
fn the_same_findings_whatever_carries_the_voyage() {
    let voyage = sail(SEED);
    let reference = n2k::nmea_2000(&voyage.trace);
    let expected = reference.analysis();
    let found = points(&expected, true);
    assert!(found.iter().any(|p| p.contains("HeldOffByBusVoltage")), "{found:?}");
    assert!(found.iter().any(|p| p.starts_with("temperature_excursion")), "{found:?}");
    assert_eq!(hottest(&expected).len(), 1);
    for (name, carrier) in [
        ("RV-C", rvc::rv_c(&voyage.trace)),
        ("DBC", dbc::own_messages(&voyage.trace)),
        ("NMEA 0183", sentences::nmea_0183(&voyage.trace)),
        ("a refit", refit::refit(&voyage.trace)),
    ] {
        same(name, (&carrier, &carrier.analysis()), (&reference, &expected));
    }
    let (carrier, found) = modbus::modbus(&voyage.trace);
    same("Modbus", (&carrier, &found), (&reference, &expected));
}

/// The alternator fails while the engine goes on.
fn with_a_failing_alternator() -> Trace {
    let mut scenario = sail(SEED).scenario;
    let engine = &scenario.sail().instants;
    let turning: Vec<usize> = (0..engine.len()).filter(|t| engine[*t].engines[0] > 700.0).collect();
    let (first, last) = (turning[0] as f64, turning[turning.len() - 1] as f64);
    scenario.sources[2].fault = Curve::steps(0.0, [((first + last) / 2.0, 1.0)]);
    scenario.sail()
}

#[test]
fn what_j1939_can_carry_says_the_same_as_nmea_2000_with_nothing_else() {
    for (trace, failing) in [(sail(SEED).trace, false), (with_a_failing_alternator(), true)] {
        let (carrier, mut other) = (j1939::j1939(&trace), n2k::nmea_2000(&trace));
        j1939::NOT_CARRIED.iter().for_each(|address| other.is(address, None));
        other.states = false;
        let names = |c: &Carrier| c.intent().sources.into_iter().map(|s| s.name).collect::<Vec<_>>();
        assert_eq!((names(&carrier), names(&other)), (vec!["engine alternator".to_owned()], names(&carrier)));
        let (found, reference) = (carrier.analysis(), other.analysis());
        let dead = points(&reference, false).iter().any(|p| p.starts_with("non_contributing_source"));
        assert_eq!(dead, failing, "{:?}", points(&reference, false));
        same("J1939", (&carrier, &found), (&other, &reference));
    }
}
