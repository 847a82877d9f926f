//! Sails a season into a database: what reads years has something to read.

use ampwake_tests::seasons::{Ageing, INTENT, Season};
use clap::Parser;
use std::io::Write;
use std::path::PathBuf;

/// Leaves `season.db`, `vessel.toml` and prints the truth.
#[derive(Debug, Parser)]
struct Args {
    /// How long.
    #[arg(long, default_value_t = 30)]
    days: u32,
    /// Of weather, plans and noise.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Part of the bank's capacity that is lost in a year.
    #[arg(long, default_value_t = 0.0)]
    fade: f64,
    /// Part by which the bank's resistance grows in a year.
    #[arg(long, default_value_t = 0.0)]
    stiffening: f64,
    /// Milliohms that the port charger's cable gains in a year.
    #[arg(long, default_value_t = 0.0)]
    cable: f64,
    /// Day on which half of the aft panels is lost.
    #[arg(long)]
    string_lost: Option<u32>,
    /// Day on which the bank is replaced.
    #[arg(long)]
    battery_swapped: Option<u32>,
    /// Where to; must not hold a season already.
    #[arg(long)]
    out: PathBuf,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args = Args::parse();
    std::fs::create_dir_all(&args.out)?;
    std::fs::write(args.out.join("vessel.toml"), INTENT)?;
    let ageing = Ageing {
        fade_per_year: args.fade,
        stiffening_per_year: args.stiffening,
        cable_mohm_per_year: args.cable,
        string_lost: args.string_lost,
        battery_swapped: args.battery_swapped,
    };
    let season = Season { seed: args.seed, days: args.days, ageing };
    let truth = season.sail(&args.out.join("season.db"))?;
    writeln!(std::io::stdout(), "{truth:#?}")?;
    Ok(())
}
