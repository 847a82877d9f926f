//! The program `ampwake`: a shell around the library.

use ampwake_analyzer::commands::{Cli, Streams, run};
use clap::Parser;
use std::io::{IsTerminal, Write};
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let mut out = std::io::BufWriter::new(std::io::stdout());
    let mut err = std::io::stderr();
    let terminal = err.is_terminal();
    let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal });
    // A reader that went away (`| head`) is no failure of ours.
    let _ = out.flush();
    ExitCode::from(status)
}
