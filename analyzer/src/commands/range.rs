//! `--from` and `--to`, for every command that takes them.

use super::Failure;
use ampwake_schemas::time::Timestamp;

/// The two arguments.
#[derive(Debug, Clone, Copy, clap::Args)]
pub struct Range {
    /// Only from this time on, for example 2026-05-01T08:00:00Z.
    #[arg(long, value_parser = time)]
    pub from: Option<Timestamp>,
    /// Only up to this time.
    #[arg(long, value_parser = time)]
    pub to: Option<Timestamp>,
}

impl Range {
    /// Refuses one that is empty.
    pub fn check(&self) -> Result<(), Failure> {
        match (self.from, self.to) {
            (Some(from), Some(to)) if from >= to => {
                Err(Failure::Input(format!("--from {from} is not before --to {to}")))
            }
            _ => Ok(()),
        }
    }
}

/// A time as people write it.
pub fn time(text: &str) -> Result<Timestamp, String> {
    Timestamp::parse_rfc3339(text).map_err(|e| format!("{e}; write a time such as 2026-05-01T08:00:00Z"))
}
