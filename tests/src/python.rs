//! Programs in Python that share no code with ours.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

/// The versions that the tests were written with, for whoever wants to run them.
const PACKAGES: &str = "pcodec==1.1.0 duckdb==2.0.1 polars==2.1.0 prometheus-client==0.26.0";

/// Runs a script of this package and returns what it wrote; `None`, with the reason on standard error, where there is
/// no Python with these packages (as `import` names them). `AMPWAKE_PYTHON` names the interpreter, else it is `python3`.
///
/// # Panics
/// The script fails, or the interpreter that was named has not got the packages.
pub fn run(script: &str, packages: &str, arguments: &[&Path]) -> Option<String> {
    let named = std::env::var("AMPWAKE_PYTHON").ok();
    let python = named.clone().unwrap_or_else(|| "python3".to_owned());
    let probe = Command::new(&python).args(["-c", &format!("import {packages}")]).stderr(Stdio::null()).status();
    if !probe.is_ok_and(|status| status.success()) {
        assert_eq!(named, None, "AMPWAKE_PYTHON names an interpreter without the packages {packages}");
        // Past the harness, which keeps to itself what a test prints that passes.
        let _ = writeln!(
            std::io::stderr(),
            "skipped: {script}. To run it: python3 -m pip install {PACKAGES}; \
             AMPWAKE_PYTHON=python3 cargo test -p ampwake-tests --test independent_readers --test looked_after"
        );
        return None;
    }
    let out = Command::new(&python).arg(crate::file(script)).args(arguments).output().expect("an interpreter");
    assert!(out.status.success(), "{script}: {}", String::from_utf8_lossy(&out.stderr));
    Some(String::from_utf8(out.stdout).expect("text"))
}
