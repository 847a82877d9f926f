//! The recorder as a whole, from a bus to the disk.

use super::{Outcome, to_the_device};
use ampwake_logger::bus::Frame;
use ampwake_logger::bus::recording::{Input, Recording};
use ampwake_logger::bus::source::{Outlet, Source};
use ampwake_logger::raw::RawOptions;
use ampwake_logger::record::record;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Store, raw};
use ampwake_tests::counter::options;
use ampwake_tests::peak_kb;
use serde_json::json;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

fn first_frames(recording: PathBuf, most: usize) -> Result<Vec<Frame>, Box<dyn std::error::Error>> {
    let mut recording = Recording::open(&Input::File(recording))?;
    let mut frames = Vec::new();
    while frames.len() < most {
        let Some(received) = recording.next_frame()? else { break };
        frames.push(received.frame);
    }
    Ok(frames)
}

/// A bus that plays frames at an even pace.
struct Player {
    frames: Vec<Frame>,
    pause: Duration,
    length: Duration,
}

impl Source for Player {
    fn name(&self) -> &str {
        "can0"
    }

    fn run(self: Box<Self>, out: &Outlet) {
        let start = Instant::now();
        for (n, frame) in self.frames.iter().enumerate() {
            let due = self.pause * n as u32;
            if due > self.length || out.is_over() {
                return;
            }
            // Ten milliseconds at a time, as a driver hands them on.
            let ahead = due.saturating_sub(start.elapsed());
            if ahead > Duration::from_millis(10) {
                std::thread::sleep(ahead);
            }
            if !out.frame(*frame) {
                return;
            }
        }
    }
}

fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<f64> =
        text.rsplit(')').next().unwrap_or("").split_whitespace().filter_map(|f| f.parse().ok()).collect();
    // User and system time, in hundredths of a second on Linux (the state before them is no number).
    (fields.get(10).unwrap_or(&0.0) + fields.get(11).unwrap_or(&0.0)) / 100.0
}

fn resident_mb() -> f64 {
    peak_kb().unwrap_or(0) as f64 / 1000.0
}

/// The recorder on a bus that plays a recording at a pace.
pub fn at_a_pace(recording: PathBuf, database: &Path, per_second: f64, seconds: f64, with_raw: bool) -> Outcome {
    let frames = first_frames(recording, (per_second * seconds) as usize)?;
    // What the frames take is the bus's, not the recorder's.
    let (held, idle) = (resident_mb(), cpu_seconds());
    let count = frames.len();
    let player =
        Player { frames, pause: Duration::from_secs_f64(1.0 / per_second), length: Duration::from_secs_f64(seconds) };
    let runtime = tokio::runtime::Builder::new_current_thread().build()?;
    let start = Instant::now();
    let store = Store::create(database)?;
    let own = raw::beside(database);
    let mut options = options(Duration::from_secs(10));
    options.raw = with_raw.then(|| RawOptions { path: own.clone(), days: 7, max_bytes: 1 << 40 });
    let written = to_the_device();
    let report = runtime.block_on(record(vec![Box::new(player)], store, options, std::future::pending()))?;
    let wall = start.elapsed().as_secs_f64();
    let cpu = cpu_seconds() - idle;
    Ok(json!({
        "frames": count, "recorded": report.totals.frames, "seconds": [wall], "cpu_s": cpu, "share": cpu / wall,
        "resident_mb": resident_mb(), "of_that_the_bus_mb": held, "written": to_the_device() - written,
        "raw_bytes": std::fs::metadata(own).map_or(0, |m| m.len())
    }))
}

/// Frames that are played again and again.
const LOOP: usize = 60_000;
/// So many times as fast as on board a day is recorded here, about: commits come that much more often.
const FASTER: u64 = 1000;

/// A bus that plays frames as fast as they are taken; their times are those of an even pace.
struct Fast {
    frames: Vec<Frame>,
    pause_us: i64,
    count: u64,
    first_hour: u64,
    /// Peak resident memory after the first hour, kB.
    peak: Arc<AtomicU64>,
}

impl Source for Fast {
    fn name(&self) -> &str {
        "can0"
    }

    fn run(self: Box<Self>, out: &Outlet) {
        let first = self.frames.first().map_or(0, |frame| frame.time.micros());
        for (n, mut frame) in (0..self.count).zip(self.frames.iter().copied().cycle()) {
            if n == self.first_hour {
                self.peak.store(peak_kb().unwrap_or(0), Ordering::Relaxed);
            }
            frame.time = Timestamp::from_micros(first + n as i64 * self.pause_us);
            if !out.frame(frame) {
                return;
            }
        }
    }
}

/// The recorder through hours of a bus, much faster than on board.
pub fn voyage(recording: PathBuf, database: &Path, per_second: f64, hours: u32) -> Outcome {
    let frames = first_frames(recording, LOOP)?;
    let per_hour = (per_second * 3600.0) as u64;
    let (count, peak) = (per_hour * u64::from(hours), Arc::new(AtomicU64::new(0)));
    let pause_us = (1e6 / per_second) as i64;
    let bus = Fast { frames, pause_us, count, first_hour: per_hour, peak: peak.clone() };
    let runtime = tokio::runtime::Builder::new_current_thread().build()?;
    let start = Instant::now();
    let store = Store::create(database)?;
    let options = options(Duration::from_secs(10) / FASTER as u32);
    let report = runtime.block_on(record(vec![Box::new(bus)], store, options, std::future::pending()))?;
    Ok(json!({
        "frames": count, "recorded": report.totals.frames, "samples": report.totals.samples, "commits": report.commits,
        "seconds": [start.elapsed().as_secs_f64()], "first_hour_mb": peak.load(Ordering::Relaxed) as f64 / 1000.0,
        "resident_mb": resident_mb(), "file": std::fs::metadata(database)?.len()
    }))
}
