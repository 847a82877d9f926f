//! Kills a recorder under full load at random moments, again and again, and judges what it left in the database.
//!
//! `crash --times 1000` does it; `crash --record DB --run R` is the recorder. `--commits N` lets it end by itself.

use ampwake_tests::crash::{Frames, Recorder, Said, Tally, mixed};
use clap::Parser;
use std::error::Error;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

/// Kills a recorder at random moments and judges what it left.
#[derive(Debug, Parser)]
struct Args {
    /// How often.
    #[arg(long, default_value_t = 20)]
    times: u64,
    /// Which moments.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Be the recorder, into this database.
    #[arg(long, value_name = "DB")]
    record: Option<PathBuf>,
    /// The recorder's run.
    #[arg(long, default_value_t = 0)]
    run: u64,
    /// The recorder ends after so many commits.
    #[arg(long)]
    commits: Option<u64>,
    /// The recorder keeps raw frames too, and lets go what is old.
    #[arg(long)]
    let_go: bool,
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    let out = &mut io::stdout().lock();
    match &args.record {
        Some(path) => record(path, &args, out),
        None => kill(&args, out),
    }
}

fn record(path: &Path, args: &Args, out: &mut dyn Write) -> Result<(), Box<dyn Error>> {
    // A refusal at the start is answered as whatever starts the daemon does: by starting it again.
    let mut opened = Recorder::open(path, args.run);
    if let Err(e) = &opened {
        writeln!(out, "closed {e}")?;
        opened = Recorder::open(path, args.run);
    }
    let mut recorder = opened?;
    if args.let_go {
        recorder.let_go()?;
    }
    let mut commit = 0;
    while args.commits.is_none_or(|commits| commit < commits) {
        let rows = 1 + mixed(args.run << 32 ^ commit) % 400;
        recorder.go_on(rows, out)?;
        commit += 1;
    }
    Ok(())
}

fn kill(args: &Args, out: &mut dyn Write) -> Result<(), Box<dyn Error>> {
    let dir = tempfile::tempdir()?;
    let path = dir.path().join("voyage.db");
    let (mut tally, mut frames) = (Tally::default(), Frames::default());
    for run in 0..args.times {
        let said = killed(&path, run, Duration::from_micros(mixed(args.seed << 32 ^ run) % 60_000))?;
        let judged = tally.judge(&path, run, &said).and_then(|()| frames.judge(&path, run, &said));
        judged.map_err(|e| format!("kill {run} of seed {}: {e}", args.seed))?;
    }
    tally.all(&path)?;
    writeln!(
        out,
        "{} kills: every one of {} committed rows is there once and exact, in one file of {} MB; lost since the last commit: \
         {} rows; commits that were there unsaid: {}; let go meanwhile, down to summaries: {} runs, of {} raw frames {}",
        args.times,
        tally.rows(),
        std::fs::metadata(&path)?.len() / 1_000_000,
        tally.lost,
        tally.unsaid,
        tally.summarised,
        frames.count(),
        frames.gone
    )?;
    Ok(())
}

/// Lets a recorder live for so long, and returns what it said.
fn killed(path: &Path, run: u64, life: Duration) -> Result<Said, Box<dyn Error>> {
    let mut child = Command::new(std::env::current_exe()?)
        .args(["--let-go".as_ref(), "--record".as_ref(), path.as_os_str(), "--run".as_ref(), run.to_string().as_ref()])
        .stdout(Stdio::piped())
        .spawn()?;
    let mut pipe = child.stdout.take().ok_or("no output")?;
    let reader = std::thread::spawn(move || {
        let mut bytes = Vec::new();
        pipe.read_to_end(&mut bytes).map(|_| bytes)
    });
    std::thread::sleep(life);
    child.kill()?;
    let status = child.wait()?;
    let bytes = reader.join().map_err(|_| "the reader of its output died")??;
    match status.code() {
        Some(code) => Err(format!("run {run} ended by itself with status {code}").into()),
        None => Ok(Said::read(&String::from_utf8_lossy(&bytes))),
    }
}
