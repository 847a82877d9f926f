//! Rules of the house as ordinary tests.

use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace").to_owned()
}

/// Every source file of the workspace with its text.
fn sources() -> Vec<(PathBuf, String)> {
    let mut out = Vec::new();
    let mut folders: Vec<PathBuf> = ["schemas", "logger", "analyzer", "tests"].iter().map(|d| root().join(d)).collect();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() && !path.ends_with("target") {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = std::fs::read_to_string(&path).expect("a source file");
                out.push((path, text));
            }
        }
    }
    assert!(out.len() > 50, "the sources were not found");
    out
}

#[test]
fn no_file_becomes_a_place() {
    let long: Vec<String> = sources()
        .iter()
        .filter(|(_, text)| text.lines().count() > 500)
        .map(|(p, text)| format!("{}: {} lines", p.display(), text.lines().count()))
        .collect();
    assert!(long.is_empty(), "over 500 lines: {long:#?}");
}

#[test]
fn every_file_says_what_it_owes_its_reader() {
    let bare: Vec<PathBuf> = sources()
        .into_iter()
        .filter(|(p, text)| !p.ends_with("tests.rs") && !text.trim_start().starts_with("//!"))
        .map(|(p, _)| p)
        .collect();
    assert!(bare.is_empty(), "without a module doc: {bare:#?}");
}

#[test]
fn nothing_is_left_undone_or_unrun() {
    // Put together here so that this file does not find itself.
    let words = ["todo", "unimplemented"].map(|w| format!("{w}!("));
    let marks = ["FIX", "XX"].map(|w| if w == "FIX" { format!("{w}ME") } else { format!("{w}X") });
    let ignored = format!("#[{}", "ignore");
    for (path, text) in sources() {
        for word in words.iter().chain(&marks).chain([&ignored]) {
            // A DBC file's word for "no node in particular" is no mark of ours.
            assert!(
                !text.replace(&format!("Vector__{}", "XX".to_owned() + "X"), "").contains(word.as_str()),
                "{}: `{word}`",
                path.display()
            );
        }
    }
}

#[test]
fn the_analysis_knows_nothing_about_buses() {
    // The one door between the two programs is the command line.
    for (path, text) in sources() {
        let analysis =
            path.starts_with(root().join("analyzer/src")) && !path.starts_with(root().join("analyzer/src/commands"));
        if analysis {
            assert!(!text.contains("ampwake_logger"), "{} uses the logger", path.display());
        }
    }
}

#[test]
fn the_logger_knows_nothing_about_charging() {
    for (path, text) in sources() {
        if path.starts_with(root().join("logger/src")) {
            for word in ["ampwake_analyzer", "schemas::intent", "schemas::findings::Stage"] {
                assert!(!text.contains(word), "{} uses {word}", path.display());
            }
        }
    }
}

#[test]
fn one_file_sends_on_can_and_one_switch_leads_to_it() {
    let users = |words: &[&str]| -> Vec<String> {
        let programs = [root().join("logger/src"), root().join("analyzer/src"), root().join("schemas")];
        let mut found: Vec<String> = sources()
            .iter()
            .filter(|(p, text)| programs.iter().any(|d| p.starts_with(d)) && words.iter().any(|w| text.contains(w)))
            .map(|(p, _)| p.strip_prefix(root()).expect("below the root").display().to_string())
            .collect();
        found.sort();
        found
    };
    let sender = "logger/src/bus/sender.rs";
    assert_eq!(users(&["CanSocket", "CanFdSocket"]), ["logger/src/bus/kernel_socket.rs", sender]);
    assert_eq!(users(&["write_frame", "write_all_raw", ".transmit(", "sendmsg", "sendto", "socket::send"]), [sender]);
    assert_eq!(users(&["Sender::open"]), ["logger/src/bus/socketcan.rs"]);
    // Whoever makes the questions decides: the switch in the configuration, and the check of that switch.
    let makers = ["logger/src/asking/tests.rs", "logger/src/config/mod.rs", "logger/src/run.rs"];
    assert_eq!(users(&["Questions::on"]), makers);
    let run = std::fs::read_to_string(root().join("logger/src/run.rs")).expect("run.rs");
    assert!(run.contains("if bus.ask { Questions::on(&tables) } else { None }"));
    assert_eq!(users(&["questions(bus)"]), ["logger/src/reload.rs", "logger/src/run.rs"]);
}

#[test]
fn every_message_row_has_a_recorded_check_or_a_published_layout() {
    use ampwake_schemas::message::{Protocol, all};
    let fields = std::fs::read_to_string(root().join("tests/vectors/n2k_fields.json")).expect("the published layouts");
    for def in all(Protocol::N2k) {
        assert!(
            fields.contains(&format!("\"PGN\": {}", def.number)),
            "{} {} is in no published layout",
            def.number,
            def.title
        );
    }
}

/// Licences that may be linked into the programs.
const LICENCES: &[&str] = &[
    "MIT",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "ISC",
    "Zlib",
    "0BSD",
    "Unlicense",
    "CC0-1.0",
    "Unicode-3.0",
    "Unicode-DFS-2016",
    "MPL-2.0",
    "BSL-1.0",
    "MIT-0",
    "Apache-2.0 WITH LLVM-exception",
    "bzip2-1.0.6",
];

fn host() -> String {
    let output = Command::new("rustc").arg("-vV").output().expect("rustc");
    let text = String::from_utf8(output.stdout).expect("text");
    text.lines().find_map(|l| l.strip_prefix("host: ")).expect("a host").to_owned()
}

#[test]
fn dependencies_carry_permissive_licences() {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".into());
    let output = Command::new(cargo)
        // What this computer builds is what is at hand without a network.
        .args(["metadata", "--format-version", "1", "--locked", "--offline", "--filter-platform", &host()])
        .current_dir(root())
        .output()
        .expect("cargo metadata");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let packages = metadata["packages"].as_array().expect("packages");
    assert!(packages.len() > 50);
    for package in packages {
        let licence = package["license"].as_str().unwrap_or("none");
        // One of the alternatives of every part must be on the list.
        let fine = licence.replace('/', " OR ").split(" AND ").all(|part| {
            part.trim_matches(['(', ')']).split(" OR ").any(|l| LICENCES.contains(&l.trim().trim_matches(['(', ')'])))
        });
        assert!(fine, "{} {}: {licence}", package["name"], package["version"]);
    }
}

#[test]
fn dependencies_come_from_one_registry_with_their_checksums() {
    let lock = std::fs::read_to_string(root().join("Cargo.lock")).expect("Cargo.lock");
    let packages: Vec<&str> = lock.split("[[package]]").skip(1).collect();
    let ours = packages.iter().filter(|p| !p.contains("\nsource = ")).count();
    for package in packages.iter().filter(|p| p.contains("\nsource = ")) {
        let from_registry = package.contains("\nsource = \"registry+") && package.contains("\nchecksum = \"");
        assert!(from_registry, "neither a registry's nor ours: {package}");
    }
    assert!(
        ours >= 8 && packages.iter().filter(|p| !p.contains("\nsource = ")).all(|p| p.contains("\nname = \"ampwake-"))
    );
}
