//! Voyages simulated and encoded apart from this project, against their truth.
//!
//! Source: `golden/voyages/*/ABOUT.md`. Vessels, devices and events are invented; volts and amps come from a simulation that
//! shares nothing with `analyzer/src/model` (hysteresis, two RC pairs, a resistance that grows near full and cold, soft limits,
//! slow state machines); frames were encoded by the PyPI library `nmea2000` 2026.10.3 and a sample decoded back with `n2k` 0.5.0.
//! `truth.json` says what a good reader finds, what nobody may be blamed for, and what each requirement came to.

use ampwake_analyzer::commands::{Cli, Streams, run};
use ampwake_tests::file;
use clap::Parser;
use serde_json::Value;
use std::path::{Path, PathBuf};

/// A truth's value that is one word, several, or null.
fn words(v: &Value) -> Vec<Option<&str>> {
    match v {
        Value::Array(list) => list.iter().map(Value::as_str).collect(),
        one => vec![one.as_str()],
    }
}

/// Does a finding fit an entry of the truth?
fn fits(entry: &Value, finding: &Value) -> bool {
    let kind = words(&entry["kind"]).iter().any(|k| *k == Some("*") || *k == finding["kind"].as_str());
    let source = entry["source"].as_str() == Some("any") || entry["source"].as_str() == finding["source"].as_str();
    let cause = entry["cause"].is_null() || words(&entry["cause"]).contains(&finding["cause"].as_str());
    let severity = entry["severity"].is_null() || words(&entry["severity"]).contains(&finding["severity"].as_str());
    kind && source && cause && severity
}

fn list<'a>(v: &'a Value, name: &str) -> &'a [Value] {
    v[name].as_array().map_or(&[], Vec::as_slice)
}

fn analyse(folder: &Path) -> Value {
    let out = tempfile::tempdir().expect("a temporary folder");
    let json = out.path().join("findings.json");
    let text = |p: PathBuf| p.display().to_string();
    let arguments = [
        "ampwake".to_owned(),
        "analyze".to_owned(),
        "--log".to_owned(),
        text(folder.join("log.candump.zst")),
        "--intent".to_owned(),
        text(folder.join("vessel.toml")),
        "--json".to_owned(),
        text(json.clone()),
    ];
    let (mut stdout, mut stderr) = (Vec::new(), Vec::new());
    let cli = Cli::try_parse_from(arguments).expect("the arguments are right");
    let status = run(cli, &mut Streams { out: &mut stdout, err: &mut stderr, terminal: false });
    assert_eq!(status, 0, "{}: {}", folder.display(), String::from_utf8_lossy(&stderr));
    serde_json::from_slice(&std::fs::read(json).expect("findings")).expect("JSON")
}

/// What is wrong with the findings, in words.
fn compare(truth: &Value, found: &Value) -> Vec<String> {
    let mut wrong = Vec::new();
    let findings = list(found, "findings");
    let expected = list(truth, "findings_expected");
    for entry in expected.iter().filter(|e| e["required"] == true) {
        if !findings.iter().any(|f| fits(entry, f)) {
            wrong.push(format!("missed: {} {} {}", entry["kind"], entry["cause"], entry["source"]));
        }
    }
    for f in findings {
        let alarm = f["severity"] != "info";
        if alarm && !expected.iter().any(|e| fits(e, f)) {
            wrong.push(format!("not true: {} {} {}: {}", f["kind"], f["cause"], f["source"], f["summary"]));
        }
    }
    for (id, t) in truth["verdicts"].as_object().expect("verdicts") {
        let v = list(found, "verdicts").iter().find(|v| v["id"] == id.as_str());
        let word = v.map_or(&Value::Null, |v| &v["verdict"]);
        if *word != t["verdict"] && !list(t, "accept").contains(word) {
            wrong.push(format!("verdict {id}: {word}, the truth is {}", t["verdict"]));
        }
    }
    for (name, t) in truth["sources"].as_object().expect("sources") {
        let mine =
            list(found, "sessions").iter().flat_map(|s| list(s, "sources")).filter(|s| s["source"] == name.as_str());
        let got: f64 = mine.filter_map(|s| s["charge_ah"].as_f64()).sum();
        let wanted = t["charge_ah"].as_f64().unwrap_or(0.0);
        // 2 % or what the truth allows for a source that has to be inferred, and half an ampere-hour of sensor offset.
        let tolerance = (t["tol_pct"].as_f64().unwrap_or(2.0) / 100.0 * wanted).max(0.6);
        if t["measured"] == true && (got - wanted).abs() > tolerance {
            wrong.push(format!("charge of {name}: {got:.2} Ah, the truth is {wanted:.2} Ah"));
        }
    }
    wrong
}

#[test]
fn every_voyage_is_read_as_it_was() {
    let folder = file("golden/voyages");
    let mut voyages: Vec<PathBuf> = std::fs::read_dir(folder)
        .expect("the voyages")
        .map(|e| e.expect("an entry").path())
        .filter(|p| p.is_dir())
        .collect();
    voyages.sort();
    assert!(voyages.len() >= 10, "the voyages are missing");
    // Two at a time: the tests share two cores with whatever else runs.
    let halves: Vec<Vec<PathBuf>> = (0..2).map(|h| voyages.iter().skip(h).step_by(2).cloned().collect()).collect();
    let workers: Vec<_> = halves
        .into_iter()
        .map(|half| {
            std::thread::spawn(move || {
                half.iter()
                    .flat_map(|v| {
                        let truth = std::fs::read_to_string(v.join("truth.json")).expect("the truth");
                        let truth = serde_json::from_str(&truth).expect("JSON");
                        let name = v.file_name().unwrap_or_default().to_string_lossy().into_owned();
                        compare(&truth, &analyse(v))
                            .into_iter()
                            .map(move |w| format!("{name}: {w}"))
                            .collect::<Vec<_>>()
                    })
                    .collect::<Vec<String>>()
            })
        })
        .collect();
    let wrong: Vec<String> = workers.into_iter().flat_map(|w| w.join().expect("a worker")).collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_comparison_can_fail() {
    let truth: Value = serde_json::json!({
        "findings_expected": [{"kind": "data_gap", "source": null, "cause": null, "required": true}],
        "verdicts": {"A": {"verdict": "met"}}, "sources": {"x": {"charge_ah": 10.0, "measured": true}},
    });
    let found = serde_json::json!({
        "findings": [{"kind": "over_voltage", "cause": null, "severity": "danger", "source": null, "summary": "too much"}],
        "verdicts": [{"id": "A", "verdict": "not_met"}], "sessions": [{"sources": [{"source": "x", "charge_ah": 5.0}]}],
    });
    assert_eq!(compare(&truth, &found).len(), 4);
}
