//! `ampwake intent check`: is the file right, and was everything it names heard? `ampwake intent draft`: a first file.

use super::{Failure, Outcome, Streams, read_intent};
use crate::quality;
use ampwake_store::Store;
use std::path::PathBuf;

/// What can be done with an intent file.
#[derive(Debug, clap::Subcommand)]
pub enum Command {
    /// Check an intent file, and against a database say which of its signals were never heard.
    Check {
        /// The intent file.
        file: PathBuf,
        /// The database to hold it against.
        db: Option<PathBuf>,
    },
    /// Write a first intent file from what the buses carried; what they cannot say stands in it as a question.
    Draft(super::draft::Args),
}

/// Runs it. Signals that were never heard are a remark, not a failure: the boat may not have sailed yet.
pub fn run(command: &Command, streams: &mut Streams) -> Result<Outcome, Failure> {
    let (file, db) = match command {
        Command::Check { file, db } => (file, db),
        Command::Draft(args) => return super::draft::run(args, streams),
    };
    let (intent, _) = read_intent(file)?;
    writeln!(
        streams.out,
        "{}: {}, {} bank(s), {} source(s), {} load(s), {} requirement(s): no mistakes",
        file.display(),
        crate::report::format::plain(&intent.vessel.name),
        intent.banks.len(),
        intent.sources.len(),
        intent.loads.len(),
        intent.requirements.len()
    )?;
    let Some(db) = db else { return Ok(Outcome::Done) };
    let store = Store::open(db)?;
    let channels = store.channels()?;
    let mut silent = 0;
    for (owner, role, signal) in quality::signals(&intent) {
        let exact = channels.iter().find(|c| c.address == signal.address);
        let senders: Vec<_> = channels.iter().filter(|c| c.address.without_source() == signal.address).collect();
        let owner = crate::report::format::plain(&owner);
        match (exact, &senders[..]) {
            (None, []) => {
                silent += 1;
                writeln!(streams.out, "never heard: {owner}, {role}: {}", signal.address)?;
            }
            (None, [_, _, ..]) => {
                let list: Vec<String> = senders.iter().map(|c| c.address.to_string()).collect();
                writeln!(streams.out, "sent by several devices: {owner}, {role}: choose one of {}", list.join(", "))?;
            }
            (Some(c), _) if c.samples == c.missing => {
                silent += 1;
                writeln!(streams.out, "heard, but never with a value: {owner}, {role}: {}", signal.address)?;
            }
            _ => {}
        }
    }
    if silent == 0 {
        writeln!(streams.out, "every signal was heard")?;
    }
    Ok(Outcome::Done)
}
