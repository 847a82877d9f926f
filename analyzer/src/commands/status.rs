//! `ampwake status`: whether it records, and how that is going.

use super::{Failure, Outcome, Streams};
use crate::status;
use ampwake_schemas::time::Timestamp;
use ampwake_store::StoreError;
use std::path::{Path, PathBuf};

/// Where a package puts things.
const DATABASE: &str = "/var/lib/ampwake/voyage.db";
const CONFIGURATION: &str = "/etc/ampwake/logger.toml";
const INTENT: &str = "/etc/ampwake/vessel.toml";

/// Arguments of `status`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database.
    #[arg(default_value = DATABASE)]
    db: PathBuf,
    /// As JSON for programs.
    #[arg(long)]
    json: bool,
}

/// Runs it. Where nothing was recorded yet it says what is missing, and that is no failure.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let status = match status::look(&args.db) {
        Err(StoreError::NotFound { .. }) => {
            let there = |path| Path::new(path).exists();
            let (configuration, intent) = (there(CONFIGURATION), there(INTENT));
            if args.json {
                let none = serde_json::json!({
                    "version": env!("CARGO_PKG_VERSION"), "database": args.db, "recorded_by": null, "run": null,
                    "missing": { "database": true, "configuration": !configuration, "intent": !intent },
                });
                writeln!(streams.out, "{none:#}")?;
            } else {
                status::write_fresh(&args.db.display().to_string(), configuration, intent, streams.out)?;
            }
            return Ok(Outcome::Done);
        }
        looked => looked?,
    };
    if args.json {
        serde_json::to_writer_pretty(&mut *streams.out, &status).map_err(|e| Failure::CouldNot(e.to_string()))?;
        writeln!(streams.out)?;
    } else {
        status::write(&status, Timestamp::from_micros(chrono::Utc::now().timestamp_micros()), streams.out)?;
    }
    Ok(Outcome::Done)
}
