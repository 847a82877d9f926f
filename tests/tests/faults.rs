//! What the fuzzer keeps, in the ordinary tests: every input that ever broke something (`golden/faults`), and its
//! corpora, through the functions that the fuzz targets call.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_tests::file;
use ampwake_tests::foreign::{Ground, WAYS, corpus, way};
use std::panic::{AssertUnwindSafe, catch_unwind};

fn ground() -> Ground {
    Ground::new(tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap())
}

/// Runs the inputs; the names of those that fail.
fn failures(ground: &Ground, name: &str, inputs: &corpus::Inputs) -> Vec<String> {
    let run = way(name);
    let fails = |bytes: &[u8]| catch_unwind(AssertUnwindSafe(|| run(ground, bytes))).is_err();
    inputs.iter().filter(|(_, bytes)| fails(bytes)).map(|(input, _)| format!("{name}: {input}")).collect()
}

#[test]
fn no_fault_comes_back() {
    let (ground, inputs) = (ground(), corpus::folder(&file("golden/faults")).unwrap());
    let mut failed = Vec::new();
    for input in &inputs {
        let (name, _) = input.0.split_once('-').unwrap_or_else(|| panic!("{} names no way in", input.0));
        failed.extend(failures(&ground, name, &vec![input.clone()]));
    }
    assert!(inputs.len() >= WAYS.len(), "every way in has a fault");
    assert!(failed.is_empty(), "{failed:#?}");
}

#[test]
fn the_corpora_hold() {
    let ground = ground();
    let mut failed = Vec::new();
    for (name, _) in WAYS {
        let inputs = corpus::archive(&file(&format!("fuzz/corpus/{name}.tar.gz"))).unwrap();
        assert!(inputs.len() > 20, "the corpus of {name} has {} inputs", inputs.len());
        failed.extend(failures(&ground, name, &inputs));
    }
    assert!(failed.is_empty(), "{failed:#?}");
}

#[test]
fn every_way_in_has_its_target_and_its_row() {
    let manifest = std::fs::read_to_string(file("fuzz/Cargo.toml")).unwrap();
    let about = std::fs::read_to_string(file("fuzz/README.md")).unwrap();
    for (name, _) in WAYS {
        let target = std::fs::read_to_string(file(&format!("fuzz/targets/{name}.rs"))).unwrap();
        assert!(target.contains(&format!("run(\"{name}\", ")), "{name}");
        assert!(manifest.contains(&format!("name = \"{name}\"\npath = \"targets/{name}.rs\"")), "{name}");
        assert!(about.contains(&format!("| `{name}` |")), "{name} is not in the table of tests/fuzz/README.md");
    }
    assert_eq!(manifest.matches("[[bin]]").count(), WAYS.len());
}
