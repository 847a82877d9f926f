//! `ampwake watch`: the live view in a terminal.

use super::{Failure, Outcome, Streams};
use crate::live;
use crate::watch::{Manner, watch};
use std::io::IsTerminal;
use std::path::PathBuf;

/// Arguments of `watch`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database that the recorder writes; it may come later.
    db: PathBuf,
    /// The design intent; it may come later, and is read again when it changes.
    #[arg(long)]
    intent: PathBuf,
    /// A line of JSON with every change, for programs.
    #[arg(long)]
    json: bool,
    /// Say it once and end.
    #[arg(long)]
    once: bool,
    /// Hours that are judged.
    #[arg(long, default_value_t = 8.0, value_parser = super::hours)]
    hours: f64,
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let options = live::Options { db: args.db.clone(), intent: args.intent.clone(), hours: args.hours };
    let manner = match () {
        () if args.json => Manner::Json,
        // A screen needs somebody who looks at it and can press a key.
        () if std::io::stdout().is_terminal() && std::io::stdin().is_terminal() => Manner::Screen,
        () => Manner::Lines,
    };
    watch(&options, manner, args.once, streams.out)?;
    Ok(Outcome::Done)
}
