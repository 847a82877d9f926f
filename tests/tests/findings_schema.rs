//! The published JSON Schema of the findings says what the program writes.
//!
//! After a wanted change: `AMPWAKE_BLESS=1 cargo test -p ampwake-tests --test findings_schema` rewrites the file.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::report::json;
use ampwake_schemas::findings::Findings;
use ampwake_tests::golden::{check, project};
use ampwake_tests::report_fixture::day;
use serde_json::Value;

fn schema_text() -> String {
    serde_json::to_string_pretty(&Findings::json_schema()).unwrap() + "\n"
}

fn document() -> Value {
    let mut out = Vec::new();
    json(&day().findings, &mut out).unwrap();
    serde_json::from_slice(&out).unwrap()
}

#[test]
fn the_published_file_is_what_the_types_say() {
    check(&project().join("schemas/findings.schema.json"), &schema_text());
}

#[test]
fn a_document_of_the_program_is_valid() {
    let validator = jsonschema::validator_for(&Findings::json_schema()).unwrap();
    let problems: Vec<String> =
        validator.iter_errors(&document()).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert_eq!(problems, Vec::<String>::new());
}

#[test]
fn the_document_reads_back_as_it_was() {
    let read: Findings = serde_json::from_value(document()).unwrap();
    assert_eq!(read, day().findings);
}

#[test]
fn what_the_contract_forbids_is_refused() {
    let validator = jsonschema::validator_for(&Findings::json_schema()).unwrap();
    let broken: [fn(&mut Value); 6] = [
        |d| d["schema"] = "ampwake-findings/2".into(),
        |d| d["verdicts"][0]["verdict"] = "nearly".into(),
        |d| d["findings"][0]["severity"] = "fatal".into(),
        |d| d["sessions"][0]["sources"][0]["lost_ah"] = "much".into(),
        |d| d["period"] = Value::Null,
        |d| {
            d.as_object_mut().unwrap().remove("data_quality");
        },
    ];
    for (n, damage) in broken.iter().enumerate() {
        let mut d = document();
        damage(&mut d);
        assert!(!validator.is_valid(&d), "damage {n} was not noticed");
    }
}
