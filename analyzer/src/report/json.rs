//! The findings document as JSON, for programs. Its JSON Schema is published beside it.

use ampwake_schemas::findings::Findings;
use std::io::{self, Write};

/// Writes the document, indented, with a line break at its end.
///
/// # Errors
/// What the writer reports. A figure that is not finite is written as `null` (JSON has no other word for it).
pub fn json(findings: &Findings, out: &mut dyn Write) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut *out, findings)?;
    out.write_all(b"\n")
}

/// Writes the trial plan as JSON.
///
/// # Errors
/// What the writer reports.
pub fn trial_json(trial: &ampwake_schemas::trial::Trial, out: &mut dyn Write) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut *out, trial)?;
    writeln!(out)
}
