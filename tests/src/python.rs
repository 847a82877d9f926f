//! Programs in Python that share no code with ours.

use std::path::Path;
use std::process::{Command, Stdio};

/// Runs a script of this package and returns what it wrote; `None`, with the reason on standard error, where the
/// interpreter (`AMPWAKE_PYTHON`, else `python3`) or one of the packages (as `import` names them) is not here.
///
/// # Panics
/// The script fails.
#[allow(clippy::print_stderr)] // the reason of a skipped test
pub fn run(script: &str, packages: &str, arguments: &[&Path]) -> Option<String> {
    let python = std::env::var("AMPWAKE_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let probe = Command::new(&python).args(["-c", &format!("import {packages}")]).stderr(Stdio::null()).status();
    if !probe.is_ok_and(|status| status.success()) {
        eprintln!("skipped: {python} with the packages {packages} is not here");
        return None;
    }
    let out = Command::new(&python).arg(crate::file(script)).args(arguments).output().expect("an interpreter");
    assert!(out.status.success(), "{script}: {}", String::from_utf8_lossy(&out.stderr));
    Some(String::from_utf8(out.stdout).expect("text"))
}
