//! The program `ampwake export` killed at many moments: what stands in the folder is whole, and the next export ends
//! with the same files as one that nobody disturbed. In a pipe it says what it wrote and nothing else.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Twelve days of ten channels.
fn database(path: &Path) {
    let mut w = Store::create(path).unwrap();
    let channel = |i| format!("can0/n2k/127508/{i}/battery_voltage").parse().unwrap();
    let ids: Vec<_> = (0..10).map(|i| w.channel(&channel(i), Unit::Volt).unwrap()).collect();
    w.begin_segment("test");
    for t in 0..12 * 1440_i64 {
        for (i, id) in ids.iter().enumerate() {
            let value = Reading::Value((t * 7919 % 1000) as f64 / 13.0 + i as f64);
            w.append(*id, Timestamp::from_millis(1_757_680_800_000 + t * 60_000), value);
        }
    }
    w.seal().unwrap();
}

fn export(database: &Path, kind: &str, root: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_ampwake"));
    command.arg("export").arg(database).arg(format!("--{kind}")).arg(root);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// Files by their path, drafts that a killed program left aside.
fn files(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).into_iter().flatten() {
            let path = entry.unwrap().path();
            let name = path.strip_prefix(root).unwrap().to_str().unwrap().to_owned();
            if path.is_dir() {
                folders.push(path);
            } else if !name.starts_with('.') {
                found.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    found
}

#[test]
fn what_a_killed_export_leaves_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let db = folder.path().join("voyage.db");
    database(&db);
    for kind in ["csv", "parquet"] {
        let undisturbed = folder.path().join(format!("{kind}-undisturbed"));
        let out = export(&db, kind, &undisturbed).output().unwrap();
        let said = String::from_utf8(out.stdout).unwrap();
        assert!(out.status.success() && out.stderr.is_empty(), "{}", String::from_utf8_lossy(&out.stderr));
        assert!(said.starts_with("172800 samples (0 without a value) of 10 channels") && said.lines().count() == 2);
        let whole = files(&undisturbed);
        assert_eq!(whole.len(), 13);

        let root = folder.path().join(kind);
        for moment in 0..20_u64 {
            let mut child = export(&db, kind, &root).spawn().unwrap();
            std::thread::sleep(Duration::from_millis(moment * 5));
            child.kill().unwrap();
            child.wait().unwrap();
            for (name, bytes) in files(&root) {
                assert!(whole.get(&name) == Some(&bytes), "{name} after {moment}");
            }
        }
        assert!(export(&db, kind, &root).status().unwrap().success());
        assert!(files(&root) == whole);
        let hidden = fs::read_dir(&root).unwrap().filter(|e| !e.as_ref().unwrap().path().is_dir()).count();
        assert_eq!(hidden, 0, "drafts are cleared away");
    }
}
