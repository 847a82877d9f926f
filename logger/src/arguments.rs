//! The command line of `ampwaked`.

use clap::{Parser, Subcommand};
use std::path::PathBuf;

/// Records what the data buses of a vessel say. It sends nothing but what the configuration turns on: requests on CAN
/// (`ask = true`), reads on Modbus.
#[derive(Debug, Parser)]
#[command(
    name = "ampwaked",
    version,
    after_help = "Signals: SIGHUP reads the configuration again, SIGTERM and SIGINT stop.\nExit status: 0 done, 1 could not do it, 2 wrong usage or configuration."
)]
pub struct Arguments {
    /// What else to do than record.
    #[command(subcommand)]
    pub command: Option<Command>,
    /// The configuration (schema ampwake-logger/1)
    #[arg(long, value_name = "FILE", global = true)]
    pub config: Option<PathBuf>,
}

/// What else to do than record.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Say what would be opened and whether it can be; record nothing
    Check,
}
