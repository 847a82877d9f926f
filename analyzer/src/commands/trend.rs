//! `ampwake trend`: what changed over months and years.

use super::range::Range;
use super::{Failure, Outcome, Streams, analyze, output, read_intent, source};
use crate::report;
use std::path::PathBuf;

/// Arguments of `trend`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database.
    db: PathBuf,
    /// The design intent.
    #[arg(long, value_name = "FILE")]
    intent: PathBuf,
    #[command(flatten)]
    range: Range,
    /// Write the trends as JSON here, as in the findings; `-` is standard output.
    #[arg(long, value_name = "OUT")]
    json: Option<PathBuf>,
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let (intent, _) = read_intent(&args.intent)?;
    args.range.check()?;
    let opened = source::database(&args.db)?;
    let (from, to) = args.range.ends(&opened.store)?;
    let findings = analyze::analyse(&opened, &intent, from, to, streams)?.findings;
    if let Some(target) = &args.json {
        output::write(target, streams, |out| {
            serde_json::to_writer_pretty(&mut *out, &findings.trend)?;
            writeln!(out)
        })?;
    }
    report::trend_text(&findings, output::beside(&[args.json.as_deref()], streams))?;
    Ok(Outcome::Done)
}
