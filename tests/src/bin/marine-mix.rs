//! Writes a recording of a marine mix (`ampwake_tests::marine_mix`) to standard output.

use ampwake_tests::marine_mix::{Manner, write};
use clap::Parser;
use std::io::{BufWriter, Write, stdout};

/// A recording of a vessel's bus, for measuring.
#[derive(Parser)]
struct Args {
    /// Number of frames.
    #[arg(long, default_value_t = 5_000_000)]
    frames: u64,
    /// The same seed gives the same bytes.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Messages early, late and lost, silences, noisy values.
    #[arg(long)]
    rough: bool,
}

fn main() -> std::io::Result<()> {
    let args = Args::parse();
    let mut out = BufWriter::with_capacity(1 << 20, stdout().lock());
    write(&mut out, args.frames, args.seed, if args.rough { Manner::Rough } else { Manner::Steady })?;
    out.flush()
}
