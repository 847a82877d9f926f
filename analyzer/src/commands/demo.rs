//! `ampwake demo`: the whole main job on a simulated voyage.

use super::source::{self, fingerprint};
use super::{Failure, Outcome, Streams, analyze, read_intent};
use crate::report::{InputFile, ReportInput, format};
use ampwake_schemas::findings::{Severity, VerdictWord};
use ampwake_store::Store;
use std::path::PathBuf;

/// Arguments of `demo`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The folder to leave everything in.
    #[arg(long, default_value = "ampwake-demo")]
    out: PathBuf,
}

/// Sails, records, imports, analyses, reports.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let dir = &args.out;
    let files = crate::demo::write(dir)
        .map_err(|e| Failure::CouldNot(format!("{}: cannot write the voyage: {e}", dir.display())))?;
    let (intent, bytes) = read_intent(&files.vessel)?;
    let db = dir.join("voyage.db");
    // A second run replaces the first.
    for old in ["voyage.db", "voyage.db-wal", "voyage.db-shm"] {
        match std::fs::remove_file(dir.join(old)) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                return Err(Failure::CouldNot(format!("{}: cannot replace: {e}", dir.join(old).display())));
            }
            _ => {}
        }
    }
    let mut writer = Store::create(&db)?;
    let options = source::options(&[], Some(&intent))?;
    source::import(std::slice::from_ref(&files.recording), &options, &mut writer, streams)?;
    drop(writer);
    let mut opened = source::database(&db)?;
    opened.inputs = vec![InputFile { name: "recording.log".to_owned(), fingerprint: fingerprint(&files.recording) }];
    let analysis = analyze::analyse(&opened, &intent, None, None, streams)?;
    let provenance = analyze::provenance(&opened, &files.vessel, &bytes);
    let input = ReportInput { findings: &analysis.findings, intent: &intent, charts: &analysis.charts, provenance };
    let (json, html) = (dir.join("findings.json"), dir.join("report.html"));
    super::output::write(&json, streams, |out| crate::report::json(input.findings, out))?;
    super::output::write(&html, streams, |out| crate::report::html(&input, out))?;

    let f = &analysis.findings;
    let count = |w: VerdictWord| f.verdicts.iter().filter(|v| v.verdict == w).count();
    let hours = format::duration(f.period.seconds());
    writeln!(streams.out, "{}: a simulated voyage of {hours}; nothing here sailed.", f.vessel)?;
    for finding in f.findings.iter().filter(|x| x.severity >= Severity::Caution).take(2) {
        writeln!(streams.out, "{}", finding.summary)?;
    }
    writeln!(
        streams.out,
        "Requirements: {} met, {} not met, {} undetermined, {} not tested.",
        count(VerdictWord::Met),
        count(VerdictWord::NotMet),
        count(VerdictWord::Undetermined),
        count(VerdictWord::NotTested)
    )?;
    writeln!(streams.out, "Open {} in a browser: the answer comes first, the figures under it.", html.display())?;
    writeln!(
        streams.out,
        "Beside it: recording.log (what the buses carried), vessel.toml (the design), voyage.db, findings.json."
    )?;
    Ok(Outcome::Done)
}
