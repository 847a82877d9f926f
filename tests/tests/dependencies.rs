//! The designer ashore may have no Linux: the analyzer must be free of what opens devices.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use std::process::Command;

fn dependencies(package: &str) -> String {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let arguments = ["tree", "--offline", "--locked", "-e", "normal", "--prefix", "none", "-p", package];
    let out = Command::new(cargo).args(arguments).current_dir(env!("CARGO_MANIFEST_DIR")).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

#[test]
fn the_analyzer_opens_no_devices() {
    let holds = |package, crate_name| dependencies(package).lines().any(|l| l.starts_with(crate_name));
    // The question is asked rightly: the logger on its own does hold them.
    assert!(holds("ampwake-logger", "socketcan "));
    for device in ["socketcan ", "tokio-modbus ", "tokio-serial ", "serialport "] {
        assert!(!holds("ampwake-analyzer", device), "{device}");
    }
}
