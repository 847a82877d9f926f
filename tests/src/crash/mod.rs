//! A recorder whose every sample can be foretold, and a judge that knows what must be in the database after it died.
//!
//! The recorder says on its output what it is about to commit (`b`) and what was committed (`c`). Whatever ends it, the
//! database must hold exactly the one or the other. With raw frames it says the same of them (`f`, `g`), and lets go what is
//! old: samples down to their summaries, frames for good.

mod beside;
mod judge;

pub use beside::Frames;
pub use judge::{Said, Tally};

use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::message::Scale;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Coding, Event, Keep, Store, StoreError, StreamColumn, StreamId, Writer};
use beside::Beside;
use std::io::Write;

/// Times of run `r` start here, ms; a run has less than an hour of them.
const RUN_MS: i64 = 3_600_000;
/// The first run's time: 2025-09-12T12:40:00Z, the start of an hour of nothing in particular.
const START_MS: i64 = 1_757_680_800_000;
/// One row in so many has a float beside it, which comes alone.
const FLOAT_EVERY: u64 = 10;
/// One row in so many has no second value.
const MISSING_EVERY: u64 = 7;
/// A commit that fails is tried again so often.
const ATTEMPTS: usize = 5;
/// So little room that old samples go all the time, down to those of the last day.
const KEEP: Keep = Keep { full_days: 36_500, max_bytes: 500_000, beside: 0 };
/// Steps of letting go after one commit.
const STEPS: usize = 6;

/// Channels: three that arrive together as the sender's integers, one float that comes alone.
pub const CHANNELS: [(&str, Unit); 4] = [
    ("can0/n2k/127508/0/battery_voltage", Unit::Volt),
    ("can0/n2k/127508/0/battery_current", Unit::Ampere),
    ("can0/n2k/127508/0/battery_temperature", Unit::Celsius),
    ("can0/n2k/130312/3/actual_temperature", Unit::Celsius),
];

/// When row `n` of a run is, on the recorder's clock.
pub fn time(run: u64, n: u64) -> Timestamp {
    Timestamp::from_millis(START_MS + RUN_MS * run as i64 + n as i64)
}

/// A number that looks like no other (Steele, Lea and Flood 2014: SplitMix64).
pub fn mixed(seed: u64) -> u64 {
    let mut z = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// The raw number of a column in a row: small steps around a number of the run, as a measured value moves.
fn raw(run: u64, n: u64, column: u64) -> i64 {
    let base = (mixed(run) % 1000) as i64;
    base + (mixed(run << 40 ^ n << 2 ^ column) % 40) as i64
}

/// What the channel with this number says in a row; `None` where it has no sample there.
pub fn expected(run: u64, n: u64, channel: usize) -> Option<Reading> {
    match channel {
        1 if n.is_multiple_of(MISSING_EVERY) => Some(Reading::NotAvailable),
        0..=2 => Some(Reading::Value(raw(run, n, channel as u64) as f64 / 100.0)),
        _ => n.is_multiple_of(FLOAT_EVERY).then(|| Reading::Value(raw(run, n, 3) as f64 / 7.0)),
    }
}

/// The recorder: appends rows of one run, commits and now and then seals.
pub struct Recorder {
    writer: Writer,
    run: u64,
    rows: u64,
    commits: u64,
    stream: StreamId,
    alone: ChannelId,
    /// Raw frames are kept too, and what is old is let go.
    beside: Option<Beside>,
}

impl Recorder {
    /// Opens the database and begins run `run`.
    ///
    /// # Errors
    /// The database cannot be opened.
    pub fn open(path: &std::path::Path, run: u64) -> Result<Self, StoreError> {
        let mut writer = Store::create(path)?;
        writer.begin_segment(&format!("run {run}"));
        let mut ids = Vec::new();
        for (address, unit) in CHANNELS {
            let address: ChannelAddress = address.parse().expect("an address");
            ids.push(writer.channel(&address, unit)?);
        }
        let coding = Coding::Scaled(Scale { step: 1, offset: 0, decimals: 2 });
        let columns: Vec<StreamColumn> = ids[..3].iter().map(|&channel| StreamColumn { channel, coding }).collect();
        let stream = writer.stream(&columns)?;
        Ok(Self { writer, run, rows: 0, commits: 0, stream, alone: ids[3], beside: None })
    }

    /// From here on raw frames are kept in the file beside the database, and what is old is let go.
    ///
    /// # Errors
    /// That file cannot be opened.
    pub fn let_go(&mut self) -> Result<(), StoreError> {
        self.beside = Some(Beside::open(self.writer.path())?);
        Ok(())
    }

    /// Appends `rows` rows and commits them, saying so on `out`; seals with every seventh commit. A refusal is tried
    /// again with more rows on top, as the daemon does.
    ///
    /// # Errors
    /// The database refuses for good, or `out` does.
    pub fn go_on(&mut self, rows: u64, out: &mut dyn Write) -> Result<(), Box<dyn std::error::Error>> {
        let seal = self.commits % 7 == 6;
        for attempt in 1.. {
            for _ in 0..rows {
                self.append();
            }
            writeln!(out, "b {}", self.rows)?;
            out.flush()?;
            let result = if seal { self.writer.seal() } else { self.writer.commit() };
            match result {
                Ok(()) => break,
                Err(e) => {
                    writeln!(out, "refused {e}")?;
                    if attempt == ATTEMPTS {
                        return Err(e.into());
                    }
                }
            }
        }
        self.commits += 1;
        writeln!(out, "c {}", self.rows)?;
        out.flush()?;
        if let Some(beside) = &mut self.beside {
            beside.go_on(self.run, self.rows, out)?;
            for _ in 0..STEPS {
                if !self.writer.retain(KEEP, time(self.run, self.rows))?.more {
                    break;
                }
            }
        }
        Ok(())
    }

    fn append(&mut self) {
        let (run, n) = (self.run, self.rows);
        let at = time(run, n);
        let missing = u8::from(n.is_multiple_of(MISSING_EVERY));
        let raws = [raw(run, n, 0), raw(run, n, 1), raw(run, n, 2)];
        self.writer.append_row(self.stream, at, &raws, &[0, missing, 0]);
        if let Some(reading) = expected(run, n, 3) {
            self.writer.append(self.alone, at, reading);
        }
        if n.is_multiple_of(100) {
            let text = format!("{n}");
            let kind = "tick".to_owned();
            self.writer.event(Event { time: at, kind, bus: None, channel: None, text, details: "{}".into() });
        }
        self.writer.problem("ticks", 1);
        self.rows += 1;
    }
}

/// The library that refuses, built with the C compiler that SQLite needs as well.
///
/// # Panics
/// Without a C compiler.
pub fn refuser(dir: &std::path::Path) -> std::path::PathBuf {
    let library = dir.join("refuse.so");
    let source = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("crash/refuse.c");
    let cc = std::env::var("CC").unwrap_or_else(|_| "cc".to_owned());
    let built = std::process::Command::new(cc)
        .args(["-shared", "-fPIC", "-O1", "-o"])
        .args([&library, &source])
        .arg("-ldl")
        .output()
        .expect("a C compiler");
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    library
}
