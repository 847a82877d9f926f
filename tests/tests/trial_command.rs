//! `ampwake trial` on a recording of the demonstration's vessel and on one of nothing much: terminal, page and document.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::commands::{Cli, Streams, run};
use ampwake_schemas::findings::Findings;
use ampwake_schemas::trial::{Coverage, TestKind, Trial};
use ampwake_tests::golden::{check, project};
use clap::Parser;
use std::sync::OnceLock;

fn command(arguments: &[&str]) -> (u8, String, String) {
    let cli = Cli::try_parse_from([&["ampwake"], arguments].concat()).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false });
    (status, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

/// The demonstration, sailed once.
fn demo() -> &'static tempfile::TempDir {
    static DEMO: OnceLock<tempfile::TempDir> = OnceLock::new();
    DEMO.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(command(&["demo", "--out", folder.path().to_str().unwrap()]).0, 0);
        folder
    })
}

fn at(name: &str) -> String {
    demo().path().join(name).to_str().unwrap().to_owned()
}

fn trial(more: &[&str]) -> (u8, String, String) {
    command(&[&["trial", &at("voyage.db"), "--intent", &at("vessel.toml")], more].concat())
}

#[test]
fn the_published_file_is_what_the_types_say_and_what_is_written_is_valid() {
    let schema = Trial::json_schema();
    check(&project().join("schemas/trial.schema.json"), &(serde_json::to_string_pretty(&schema).unwrap() + "\n"));
    let (status, json, text) = trial(&["--json", "-"]);
    assert!(status == 0 && text.contains("trial plan"), "{text}");
    let document: serde_json::Value = serde_json::from_str(&json).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let problems: Vec<String> =
        validator.iter_errors(&document).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert_eq!(problems, Vec::<String>::new());
    let read: Trial = serde_json::from_value(document).unwrap();
    assert!(read.tests.iter().all(|t| !t.standing.seen.is_empty() && !t.accept.is_empty() && !t.steps.is_empty()));
}

#[test]
fn the_demonstration_s_voyage_fails_what_went_wrong_on_it() {
    let (_, json, _) = trial(&["--json", "-"]);
    let plan: Trial = serde_json::from_str(&json).unwrap();
    let findings: Findings = serde_json::from_str(&std::fs::read_to_string(at("findings.json")).unwrap()).unwrap();
    assert_eq!(findings.trial.len(), plan.tests.len());
    let of = |kind: TestKind| plan.tests.iter().filter(move |t| t.standing.kind == kind);
    // One charger that was held off, one alternator that got too hot.
    let failed = |kind: TestKind| of(kind).any(|t| t.standing.coverage == Coverage::Failed);
    assert!(failed(TestKind::HotSoak), "{plan:#?}");
    assert!(failed(TestKind::PairJoin) || failed(TestKind::SourcesTogether), "{plan:#?}");
    // A requirement of the design is a test; what can hurt is none.
    assert_eq!(of(TestKind::Requirement).count(), findings.verdicts.len());
    assert!(of(TestKind::LoadDump).all(|t| matches!(t.standing.coverage, Coverage::OnPaper | Coverage::Failed)));
    assert!(
        of(TestKind::LoadDump).count() > 0
            && of(TestKind::RecorderClock).all(|t| t.standing.coverage == Coverage::Covered)
    );
}

#[test]
fn people_get_a_compact_list_and_a_page_to_sign() {
    let page = at("trial.html");
    let (status, text, err) = trial(&["--html", &page]);
    assert_eq!((status, err.as_str()), (0, ""));
    assert!(text.lines().all(|l| l.chars().count() <= 100) && text.lines().count() < 160, "{text}");
    for word in ["FAILED", "Still to sail", "On paper", "Covered"] {
        assert!(text.contains(word), "{word}: {text}");
    }
    let page = std::fs::read_to_string(page).unwrap();
    for part in [
        "id=\"set-points\"",
        "id=\"signed\"",
        "id=\"open\"",
        "id=\"cautions\"",
        "Stop any test at once on",
        "Do not sail this",
    ] {
        assert!(page.contains(part), "{part}");
    }
    assert!(!page.contains("<script") && !page.contains("http://") && !page.contains("https://"));
}

#[test]
fn before_anything_was_recorded_all_is_still_to_sail() {
    let folder = tempfile::tempdir().unwrap();
    let db = folder.path().join("new.db");
    drop(ampwake_store::Store::create(&db).unwrap());
    let (status, json, text) = command(&["trial", db.to_str().unwrap(), "--intent", &at("vessel.toml"), "--json", "-"]);
    assert!(status == 0 && text.contains("nothing was recorded yet"), "{text}");
    let plan: Trial = serde_json::from_str(&json).unwrap();
    assert!(plan.period.is_none() && plan.tests.len() > 10);
    let waits = |t: &ampwake_schemas::trial::Test| matches!(t.standing.coverage, Coverage::ToSail | Coverage::OnPaper);
    assert!(plan.tests.iter().all(waits), "{:#?}", plan.tests.iter().filter(|t| !waits(t)).collect::<Vec<_>>());
}

#[test]
fn what_cannot_be_planned_is_said() {
    let (status, _, err) = command(&["trial", "/no/such.db", "--intent", &at("vessel.toml")]);
    assert!(status == 2 && err.contains("no such database"), "{err}");
    let (status, _, err) = command(&["trial", &at("voyage.db"), "--intent", &at("voyage.db")]);
    assert!(status == 2 && err.contains("not a text file"), "{err}");
}
