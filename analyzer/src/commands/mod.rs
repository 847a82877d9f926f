//! The command line of `ampwake`: one file per command, each a function from arguments to an outcome.

mod alert;
mod analyze;
mod bundle;
mod channels;
mod dbc;
mod demo;
mod draft;
mod export;
mod import;
mod intent;
mod mark;
mod output;
mod pdf;
mod progress;
mod range;
#[cfg(feature = "serve")]
mod serve;
mod source;
mod sql;
mod status;
mod trend;
mod trial;
mod watch;

use clap::{Parser, Subcommand};
use std::io::Write;

/// Reads recordings of a vessel's data buses and says, with evidence, whether the installed charging sources do
/// what the design intended. Listens and advises; it controls nothing and certifies nothing.
#[derive(Debug, Parser)]
#[command(name = "ampwake", version, disable_help_subcommand = true)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Sail a simulated voyage, record and analyse it, and leave everything in a folder.
    Demo(demo::Args),
    /// Read recordings into a database, or take back what `bundle` packed.
    Import(import::Args),
    /// List every channel of a database, ready to paste into an intent file.
    Channels(channels::ChannelsArgs),
    /// List the devices that were heard.
    Devices(channels::DevicesArgs),
    /// Look after the design intent.
    #[command(subcommand)]
    Intent(intent::Command),
    /// Analyse a database or recordings against the design intent.
    Analyze(analyze::Args),
    /// Show on a web page what is going on now, while the recorder writes.
    #[cfg(feature = "serve")]
    Serve(serve::Args),
    /// Show in a terminal what is going on now, while the recorder writes.
    Watch(watch::Args),
    /// Say what changed over months and years: the bank, the leads, each source beside the others of its kind.
    Trend(trend::Args),
    /// Say which commissioning tests the vessel needs, and which of them a recording covers.
    Trial(trial::Args),
    /// Write into a database what you did or read by hand, also while it is recorded into.
    Mark(mark::Args),
    /// Ask a database in SQL, every sample a row of table `sample`.
    Sql(sql::Args),
    /// Write the samples of a database as CSV or Parquet files, one per day.
    Export(export::Args),
    /// Tell findings that are new: run a command, publish over MQTT; what cannot be told waits.
    Alert(alert::Args),
    /// Pack a database, or a part of it, with intent, configuration and report into one archive to send ashore.
    Bundle(bundle::Args),
    /// Say whether it records, and how that is going, on one screen.
    Status(status::Args),
}

/// Why a command did not do what it was asked.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// Wrong usage or input: exit status 2.
    #[error("{0}")]
    Input(String),
    /// It could not be done: exit status 1.
    #[error("{0}")]
    CouldNot(String),
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::CouldNot(error.to_string())
    }
}

impl From<ampwake_store::StoreError> for Failure {
    fn from(error: ampwake_store::StoreError) -> Self {
        Self::Input(error.to_string())
    }
}

/// What a command came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Done: exit status 0.
    Done,
    /// Done, and what `--fail-on` names was found: exit status 3.
    Alarm,
}

/// Where a command writes.
pub struct Streams<'a> {
    /// For what was asked for.
    pub out: &'a mut dyn Write,
    /// For progress and remarks.
    pub err: &'a mut dyn Write,
    /// True when `err` is a terminal: progress is shown there and nowhere else.
    pub terminal: bool,
}

/// Runs the program; returns its exit status.
pub fn run(cli: Cli, streams: &mut Streams) -> u8 {
    let outcome = match cli.command {
        Command::Demo(a) => demo::run(&a, streams),
        Command::Import(a) => import::run(&a, streams),
        Command::Channels(a) => channels::channels(&a, streams),
        Command::Devices(a) => channels::devices(&a, streams),
        Command::Intent(c) => intent::run(&c, streams),
        Command::Analyze(a) => analyze::run(&a, streams),
        #[cfg(feature = "serve")]
        Command::Serve(a) => serve::run(&a, streams),
        Command::Watch(a) => watch::run(&a, streams),
        Command::Trend(a) => trend::run(&a, streams),
        Command::Trial(a) => trial::run(&a, streams),
        Command::Mark(a) => mark::run(&a, streams),
        Command::Sql(a) => sql::run(&a, streams),
        Command::Export(a) => export::run(&a, streams),
        Command::Alert(a) => alert::run(&a, streams),
        Command::Bundle(a) => bundle::run(&a, streams),
        Command::Status(a) => status::run(&a, streams),
    };
    match outcome {
        Ok(Outcome::Done) => 0,
        Ok(Outcome::Alarm) => 3,
        Err(failure) => {
            // Nobody left to tell when standard error is gone.
            let _ = writeln!(streams.err, "ampwake: {failure}");
            match failure {
                Failure::Input(_) => 2,
                Failure::CouldNot(_) => 1,
            }
        }
    }
}

/// Reads and checks an intent file.
pub(crate) fn read_intent(path: &std::path::Path) -> Result<(ampwake_schemas::intent::Intent, Vec<u8>), Failure> {
    let name = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|e| Failure::Input(format!("{name}: cannot read the intent file: {e}")))?;
    let text = std::str::from_utf8(&bytes).map_err(|e| {
        Failure::Input(format!(
            "{name}: not a text file (byte {} is no UTF-8); an intent file is TOML text",
            e.valid_up_to()
        ))
    })?;
    let intent = ampwake_schemas::intent::read(&name, text).map_err(|m| Failure::Input(m.to_string()))?;
    Ok((intent, bytes))
}

/// What tells one intent file from another.
pub(crate) fn sha256_of(bytes: &[u8]) -> String {
    match source::fingerprint_of(bytes) {
        crate::report::Fingerprint::Sha256(hex) => hex,
        crate::report::Fingerprint::Bytes(n) => n.to_string(),
    }
}

/// Hours that are judged live: long enough for a cause, short enough for a small computer.
fn hours(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(hours) if (0.5..=48.0).contains(&hours) => Ok(hours),
        _ => Err("write a number of hours from 0.5 to 48".to_owned()),
    }
}
