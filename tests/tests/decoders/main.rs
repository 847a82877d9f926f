//! What independent libraries read in the same messages, and the table of who agrees (`vectors/DECODERS.md`).
//!
//! `vectors/decoders/*.json` hold what each library reads (`vectors/regenerate_decoders.py`); here our own decoder is
//! held against every one of them, and the table is made from what was held. A row without any vector fails: a new
//! message costs its row and one golden (`vectors/rows.json`, which `AMPWAKE_BLESS=1` writes), or a library's word.

#![allow(clippy::unwrap_used)] // a test that cannot read its vectors has to fail

mod agree;
mod rows;
mod table;

use ampwake_tests::{file, golden};
use serde_json::Value;

/// What one library reads.
pub struct Library {
    /// As in the table.
    pub name: String,
    /// The file.
    pub file: Value,
}

/// Every library's file, by name.
fn libraries() -> Vec<Library> {
    let paths = std::fs::read_dir(file("vectors/decoders")).unwrap().map(|entry| entry.unwrap().path());
    let mut out: Vec<Library> = paths
        .map(|path| {
            let file: Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
            let word =
                |key: &str| file[key].as_str().unwrap_or_else(|| panic!("{}: no {key}", path.display())).to_owned();
            Library { name: format!("{} {}", word("library"), word("version")), file }
        })
        .collect();
    out.sort_by(|a, b| a.name.cmp(&b.name));
    out
}

#[test]
fn every_library_reads_what_we_read() {
    let mut wrong = Vec::new();
    let mut held = 0;
    for library in libraries() {
        for vector in library.file["vectors"].as_array().unwrap() {
            let Some(differences) = agree::differences(vector) else { continue };
            held += 1;
            wrong.extend(
                differences
                    .into_iter()
                    .map(|d| format!("{} {} {d} in {}", library.name, vector["message"], vector["payload"])),
            );
        }
    }
    assert!(wrong.is_empty(), "{} differ: {wrong:#?}", wrong.len());
    assert!(held > 300, "{held}");
}

#[test]
fn a_row_that_nobody_else_reads_has_a_golden_of_its_own() {
    golden::check(&file("vectors/rows.json"), &rows::golden(&libraries()));
}

#[test]
fn the_table_says_who_agrees() {
    golden::check(&file("vectors/DECODERS.md"), &table::text(&libraries()));
}

#[test]
fn a_library_that_reads_something_else_is_noticed() {
    let vector = |volts: &str| {
        let text = format!(
            r#"{{"protocol": "n2k", "message": "127508", "payload": "efa44f42c9d47adb", "says": {{"battery_voltage": {volts}}}}}"#
        );
        agree::differences(&serde_json::from_str(&text).unwrap()).unwrap()
    };
    assert!(vector("203.88").is_empty());
    assert!(!vector("203.89").is_empty() && !vector("null").is_empty());
}
