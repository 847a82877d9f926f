//! The main job, as a user runs it, on recordings that our own code did not write.
//!
//! Source: `golden/recordings/*/ABOUT.md`: simulated voyages whose frames were encoded by the PyPI library `nmea2000`
//! 2026.10.3 and checked by decoding with `n2k` 0.5.0. The figures compared here are the truth that stands there.

use ampwake_analyzer::commands::{Cli, Streams, run};
use ampwake_schemas::findings::{Cause, Finding, Findings, Kind, Severity, Stage, VerdictWord};
use ampwake_tests::file;
use clap::Parser;

/// Runs `ampwake analyze --log … --intent … --json … --html …`; returns the findings, the report and the summary.
fn analyse(name: &str) -> (Findings, String, String) {
    let folder = file(&format!("golden/recordings/{name}"));
    let out = tempfile::tempdir().expect("a temporary folder");
    let (json, html) = (out.path().join("findings.json"), out.path().join("report.html"));
    let path = |p: &std::path::Path| p.display().to_string();
    let arguments = [
        "ampwake".into(),
        "analyze".into(),
        "--log".into(),
        path(&folder.join("log.candump.gz")),
        "--intent".into(),
        path(&folder.join("vessel.toml")),
        "--json".into(),
        path(&json),
        "--html".into(),
        path(&html),
    ];
    let (mut stdout, mut stderr) = (Vec::new(), Vec::new());
    let cli = Cli::try_parse_from::<_, String>(arguments).expect("the arguments are right");
    let status = run(cli, &mut Streams { out: &mut stdout, err: &mut stderr, terminal: false });
    assert_eq!(status, 0, "{}", String::from_utf8_lossy(&stderr));
    let findings = serde_json::from_slice(&std::fs::read(&json).expect("findings")).expect("valid findings");
    let html = std::fs::read_to_string(&html).expect("a report");
    (findings, html, String::from_utf8(stdout).expect("text"))
}

fn given(f: &Findings, source: &str) -> (f64, f64) {
    let mine = || f.sessions.iter().flat_map(|s| &s.sources).filter(|s| s.source == source);
    (mine().map(|s| s.charge_ah).sum(), mine().map(|s| s.energy_wh).sum())
}

fn near(what: &str, got: f64, wanted: f64, tolerance: f64) {
    assert!((got - wanted).abs() <= tolerance, "{what}: {got}, the truth is {wanted} ± {tolerance}");
}

fn verdicts(f: &Findings) -> Vec<(&str, VerdictWord)> {
    f.verdicts.iter().map(|v| (v.id.as_str(), v.verdict)).collect()
}

fn alarms(f: &Findings) -> Vec<&Finding> {
    f.findings.iter().filter(|x| x.severity >= Severity::Caution).collect()
}

/// Seconds after the start of the recording at which each stage of all sessions begins.
fn stages(f: &Findings, recording_start: &str) -> Vec<(Stage, f64)> {
    let start = ampwake_schemas::time::Timestamp::parse_rfc3339(recording_start).expect("a time");
    f.sessions.iter().flat_map(|s| &s.stages).map(|s| (s.stage, s.start.seconds_since(start))).collect()
}

#[test]
fn harbour_evening_has_one_hot_charger_and_nobody_to_blame() {
    let (f, html, summary) = analyse("harbour-evening");
    // Charge within the sensors' offsets over five hours (0.10, 0.05 and 0.15 A) and the recording's edges.
    for (source, ah, wh) in
        [("genset charger", 186.00, 5226.0), ("deck solar", 30.75, 835.0), ("engine alternator", 112.64, 2997.0)]
    {
        let (q, e) = given(&f, source);
        near(source, q, ah, 0.01 * ah + 0.3);
        near(source, e, wh, 0.015 * wh + 10.0);
    }
    // Bank: +0.12 A offset over the time of charge.
    near("bank", f.sessions.iter().map(|s| s.charge_ah).sum(), 247.7, 1.0);

    let alarms = alarms(&f);
    assert_eq!(alarms.len(), 1, "{alarms:#?}");
    assert_eq!((alarms[0].kind, alarms[0].source.as_deref()), (Kind::TemperatureExcursion, Some("genset charger")));
    near("minutes above", alarms[0].evidence["above_s"].as_f64().expect("a figure") / 60.0, 15.6, 1.0);
    near("hottest", alarms[0].evidence["temperature_max_c"].as_f64().expect("a figure"), 87.1 + 0.4, 0.6);

    use VerdictWord::{Met, NotMet};
    assert_eq!(verdicts(&f), [("H1", Met), ("H2", NotMet), ("H3", Met), ("H4", Met)]);
    near("absorption, min", f.verdicts[2].measured.expect("measured"), 76.8, 3.0);

    // Bulk, absorption and float where they truly were; the kettle and the watermaker are no stages of their own.
    let edges: Vec<(Stage, f64)> = stages(&f, "2025-09-12T12:40:00Z");
    use Stage::{Absorption, Bulk, Discharge, Float};
    let truth = [
        (Discharge, 0.0),
        (Bulk, 496.0),
        (Discharge, 4200.0),
        (Bulk, 4609.0),
        (Absorption, 9199.0),
        (Float, 13924.0),
        (Discharge, 17207.0),
    ];
    assert_eq!(edges.iter().map(|e| e.0).collect::<Vec<_>>(), truth.map(|t| t.0), "{edges:?}");
    for ((stage, t), (_, true_t)) in edges.iter().zip(truth).skip(1) {
        near(stage.text(), *t, true_t, 60.0);
    }
    assert!(html.contains("Brindlefin") && summary.contains("87."), "{summary}");
}

#[test]
fn two_on_one_bus_names_the_converter_that_was_held_off() {
    let (f, html, summary) = analyse("two-on-one-bus");
    // Observed charge: what flowed in the four silent minutes is nobody's.
    for (source, ah) in [("dc generator", 162.78), ("wind turbines", 24.89), ("fuel cell converter", 39.60)] {
        near(source, given(&f, source).0, ah, 0.01 * ah + 0.2);
    }
    near("bank", f.sessions.iter().map(|s| s.charge_ah).sum(), 65.16, 0.6);

    let alarms = alarms(&f);
    assert_eq!(alarms.len(), 1, "{alarms:#?}");
    let held = alarms[0];
    assert_eq!(held.kind, Kind::NonContributingSource);
    assert_eq!(held.cause, Some(Cause::HeldOffByBusVoltage));
    assert_eq!(held.source.as_deref(), Some("fuel cell converter"));
    near("opportunity, s", held.evidence["opportunity_s"].as_f64().expect("a figure"), 80.37 * 60.0, 60.0);
    near("lost, Ah", held.evidence["lost_ah"].as_f64().expect("a figure"), 53.6, 1.0);
    assert!(summary.contains("held off by the bus voltage"), "{summary}");
    // It joined by itself when the others had stopped, at its own restart level.
    near("joined at, V", held.evidence["joined_at_bus_voltage_v"].as_f64().expect("a figure"), 48.95, 0.15);

    let gaps: Vec<&Finding> = f.findings.iter().filter(|x| x.kind == Kind::DataGap).collect();
    assert_eq!(gaps.len(), 1);
    near("silence, s", gaps[0].end.seconds_since(gaps[0].start), 240.0, 8.0);

    use VerdictWord::{Met, NotMet};
    assert_eq!(verdicts(&f), [("T1", Met), ("T2", NotMet), ("T3", NotMet), ("T4", Met)]);
    near("T2, min", f.verdicts[1].measured.expect("measured"), 80.6, 0.5);
    near("T3, observed", f.verdicts[2].measured.expect("measured"), 39.60 / (162.78 + 24.89 + 39.60), 0.003);
    assert!(html.contains("held off by the bus voltage"));
}
