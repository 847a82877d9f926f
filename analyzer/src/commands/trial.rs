//! `ampwake trial`: the commissioning tests that a vessel needs, and what a recording has of each.

use super::range::Range;
use super::{Failure, Outcome, Streams, analyze, output, read_intent, source};
use crate::report;
use std::path::PathBuf;

/// Arguments of `trial`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database; a recorder may be writing to it.
    db: PathBuf,
    /// The design intent.
    #[arg(long, value_name = "FILE")]
    intent: PathBuf,
    #[command(flatten)]
    range: Range,
    /// Write the plan as JSON here; `-` is standard output.
    #[arg(long, value_name = "OUT")]
    json: Option<PathBuf>,
    /// Write the plan as one HTML file here, to print and sign.
    #[arg(long, value_name = "OUT")]
    html: Option<PathBuf>,
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let (intent, bytes) = read_intent(&args.intent)?;
    args.range.check()?;
    let opened = source::database(&args.db)?;
    let (from, to) = args.range.ends(&opened.store)?;
    let mut trial = if crate::load::asked(&opened.store, from, to)?.is_some_and(crate::season::is_long) {
        analyze::analyse(&opened, &intent, from, to, streams)?.trial
    } else {
        // Before anything was recorded the plan is wanted most.
        let recording = crate::load::load(&opened.store, &intent, from, to)?;
        crate::analyze::analyze(&recording, &intent).trial
    };
    let provenance = analyze::provenance(&opened, &args.intent, &bytes);
    trial.generated = provenance.generated;
    if let Some(target) = &args.json {
        output::write(target, streams, |out| report::trial_json(&trial, out))?;
    }
    if let Some(target) = &args.html {
        output::write(target, streams, |out| report::trial_html(&trial, &intent, &provenance, out))?;
    }
    report::trial_text(&trial, &intent, output::beside(&[args.json.as_deref(), args.html.as_deref()], streams))?;
    Ok(Outcome::Done)
}
