//! Sails many simulated voyages through the whole program and prints what came of them.
//!
//! The tests sail a few fixed ones; this is for the times when the analysis changes, and shows what a change does to
//! hundreds of vessels that nobody looked at.

use ampwake_tests::voyages::{Plot, Score, Tally, Vessels, Voyage, analyse, report, table};
use clap::Parser;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Sails simulated voyages with known truth through the whole program, and prints their score.
#[derive(Debug, Parser)]
struct Args {
    /// How many seeds of every plot.
    #[arg(long, default_value_t = 20)]
    seeds: u64,
    /// The first seed.
    #[arg(long, default_value_t = 1)]
    from: u64,
    /// Only this plot.
    #[arg(long, value_parser = plot)]
    plot: Option<Plot>,
    /// So many voyages instead, a third of them healthy and the rest of every other plot in turn.
    #[arg(long, value_name = "NUMBER", conflicts_with_all = ["seeds", "plot"])]
    mixed: Option<u64>,
    /// Vessels with a worn bank and poor sensors.
    #[arg(long)]
    rough: bool,
    /// Write the figures and confusion tables here, as Markdown.
    #[arg(long, value_name = "FILE")]
    table: Option<PathBuf>,
    /// Leave recording, intent, database, findings and truth of every voyage that falls short here; of every voyage
    /// where only one is asked for.
    #[arg(long, value_name = "DIR")]
    keep: Option<PathBuf>,
}

fn plot(text: &str) -> Result<Plot, String> {
    let all = || Plot::ALL.map(Plot::text).join(", ");
    Plot::parse(text).ok_or_else(|| format!("no such plot; there are {}", all()))
}

fn main() -> io::Result<()> {
    let args = Args::parse();
    let plots: Vec<Plot> = args.plot.map_or_else(|| Plot::ALL.to_vec(), |p| vec![p]);
    let all: Vec<(Plot, u64)> = match args.mixed {
        Some(number) => (args.from..args.from + number).map(|seed| (mixed(seed), seed)).collect(),
        None => plots.iter().flat_map(|p| (args.from..args.from + args.seeds).map(move |seed| (*p, seed))).collect(),
    };
    let vessels = if args.rough { Vessels::Rough } else { Vessels::Ordinary };
    let (next, tally) = (AtomicUsize::new(0), Mutex::new(Tally::default()));
    let work = || -> io::Result<()> {
        while let Some(&(plot, seed)) = all.get(next.fetch_add(1, Ordering::Relaxed)) {
            let score = sail(Voyage::on(plot, seed, vessels), args.keep.as_deref(), all.len() == 1)?;
            tally.lock().unwrap_or_else(|e| e.into_inner()).add(plot, seed, score);
        }
        Ok(())
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        workers.into_iter().try_for_each(|w| w.join().unwrap_or_else(|e| std::panic::resume_unwind(e)))
    })?;
    let tally = tally.into_inner().unwrap_or_else(|e| e.into_inner());
    if let Some(path) = &args.table {
        let options: Vec<String> = std::env::args().skip(1).collect();
        std::fs::write(path, table(&tally, &options.join(" ")))?;
    }
    report(&tally, &mut io::stdout().lock())
}

/// The plot of a seed where a third is to be healthy.
fn mixed(seed: u64) -> Plot {
    let troubles: Vec<Plot> = Plot::ALL.into_iter().filter(|p| *p != Plot::Healthy).collect();
    if seed.is_multiple_of(3) {
        Plot::Healthy
    } else {
        troubles[(seed / 3 * 2 + seed % 3 - 1) as usize % troubles.len()]
    }
}

fn sail(voyage: Voyage, keep: Option<&Path>, always: bool) -> io::Result<Score> {
    let dir = tempfile::tempdir()?;
    let (plot, seed) = (voyage.plot, voyage.seed);
    let analysis = analyse(&voyage, dir.path());
    let score = Score::of(&voyage, &analysis.findings);
    if let Some(keep) = keep.filter(|_| always || !score.faults().is_empty()) {
        let to = keep.join(format!("{plot}-{seed}"));
        std::fs::create_dir_all(&to)?;
        for entry in std::fs::read_dir(dir.path())? {
            let entry = entry?;
            std::fs::copy(entry.path(), to.join(entry.file_name()))?;
        }
        let findings = serde_json::to_string_pretty(&analysis.findings).map_err(io::Error::other)?;
        std::fs::write(to.join("findings.json"), findings)?;
        let mut truth = std::fs::File::create(to.join("truth.txt"))?;
        writeln!(truth, "{:#?}\n{:#?}\n{:#?}", score, voyage.expected, voyage.truth)?;
    }
    Ok(score)
}
