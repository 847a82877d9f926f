//! `ampwake intent draft`: a first intent file from what the buses carried.

use super::{Failure, Outcome, Streams, channels, output};
use crate::draft::{Heard, draft};
use ampwake_store::Store;
use std::path::{Path, PathBuf};

/// Arguments of `intent draft`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database.
    db: PathBuf,
    /// Where to write it; `-`, which is what happens without it, is standard output. A file that exists is kept.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let target = args.out.as_deref().unwrap_or(Path::new("-"));
    if target != Path::new("-") && target.exists() {
        let text = "exists already, and may hold what somebody wrote; name another file or move it away";
        return Err(Failure::Input(format!("{}: {text}", target.display())));
    }
    let store = Store::open(&args.db)?;
    let heard: Vec<Heard> = channels::with_ranges(&store)?
        .into_iter()
        .map(|(c, range)| Heard { address: c.address, unit: c.unit, range, latest: c.latest })
        .collect();
    if heard.is_empty() {
        let text =
            "nothing was decoded, so there is nothing to draft from; is the protocol of the bus right? see --bus";
        return Err(Failure::Input(format!("{}: {text}", args.db.display())));
    }
    let text = draft(&heard);
    output::write(target, streams, |out| out.write_all(text.as_bytes()))?;
    if target != Path::new("-") {
        writeln!(streams.err, "next: ampwake intent check {}", target.display())?;
    }
    Ok(Outcome::Done)
}
