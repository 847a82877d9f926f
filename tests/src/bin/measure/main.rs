//! What this computer does in how long: the parts of the figures (`tests/figures`) that are measured from within. Every
//! part prints one line of JSON.

mod daemon;

use ampwake_logger::bus::recording::{Input, Recording};
use ampwake_logger::pipeline::Pipeline;
use ampwake_schemas::message::Scale;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Coding, Store, StreamColumn};
use ampwake_tests::crash::mixed;
use ampwake_tests::seasons::{Ageing, INTENT, Season};
use clap::Parser;
use rusqlite::Connection;
use serde_json::json;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

type Outcome = Result<serde_json::Value, Box<dyn std::error::Error>>;

/// Measures one thing.
#[derive(Parser)]
enum Part {
    /// Unpacks every sealed block: minimum, maximum, mean and integral of every channel.
    Scan {
        database: PathBuf,
        #[arg(long, default_value_t = 7)]
        rounds: u32,
    },
    /// The same from rows, which are written first.
    Rows {
        database: PathBuf,
        rows: PathBuf,
        #[arg(long, default_value_t = 3)]
        rounds: u32,
    },
    /// Reads a recording and decodes it, without storing it.
    Decode { recording: PathBuf },
    /// Records a day of 100 samples a second, committed every so many seconds, and counts what goes to the device.
    Write {
        database: PathBuf,
        #[arg(long, default_value_t = 10)]
        commit_s: i64,
        #[arg(long)]
        as_rows: bool,
        #[arg(long, default_value_t = 86_400)]
        seconds: i64,
    },
    /// The recorder on a bus that plays a recording, so many frames a second.
    Daemon {
        recording: PathBuf,
        database: PathBuf,
        #[arg(long, default_value_t = 1850.0)]
        per_second: f64,
        #[arg(long, default_value_t = 30.0)]
        seconds: f64,
        /// Keep the raw frames too.
        #[arg(long)]
        raw: bool,
    },
    /// The recorder through so many hours of a recording that is played again and again, as fast as it takes them.
    Voyage {
        recording: PathBuf,
        database: PathBuf,
        #[arg(long, default_value_t = 600.0)]
        per_second: f64,
        #[arg(long, default_value_t = 24)]
        hours: u32,
    },
    /// A database of so many days of 60 channels at 1 Hz, and the intent that names them.
    Year {
        database: PathBuf,
        intent: PathBuf,
        #[arg(long, default_value_t = 365)]
        days: u32,
    },
    /// What the tables of a database take, in bytes, each with its indexes.
    Tables { database: PathBuf },
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let said = match Part::parse() {
        Part::Scan { database, rounds } => scan(&database, rounds),
        Part::Rows { database, rows, rounds } => from_rows(&database, &rows, rounds),
        Part::Decode { recording } => decoded(recording),
        Part::Write { database, commit_s, as_rows, seconds } if as_rows => rows_written(&database, commit_s, seconds),
        Part::Write { database, commit_s, seconds, .. } => written(&database, commit_s, seconds),
        Part::Daemon { recording, database, per_second, seconds, raw } => {
            daemon::at_a_pace(recording, &database, per_second, seconds, raw)
        }
        Part::Voyage { recording, database, per_second, hours } => {
            daemon::voyage(recording, &database, per_second, hours)
        }
        Part::Year { database, intent, days } => year(&database, &intent, days),
        Part::Tables { database } => tables(&database),
    }?;
    Ok(writeln!(std::io::stdout(), "{said}")?)
}

/// Seconds of the processor that this thread took (Linux; elsewhere seconds that passed): on a computer where others work
/// too, what one core does.
fn thread_seconds(since: Instant) -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let spent: Option<f64> = text.split_whitespace().next().and_then(|ns| ns.parse().ok());
    spent.map_or(since.elapsed().as_secs_f64(), |ns| ns / 1e9)
}

fn year(database: &Path, intent: &Path, days: u32) -> Outcome {
    std::fs::write(intent, INTENT)?;
    let (seconds, truth) = timed(1, || Ok(Season { seed: 1, days, ageing: Ageing::default() }.sail(database)?))?;
    let channels = Store::open(database)?.channels()?.len();
    Ok(json!({
        "days": days, "channels": channels, "samples": truth.samples, "seconds": seconds,
        "file": std::fs::metadata(database)?.len()
    }))
}

fn timed<T>(
    rounds: u32,
    mut work: impl FnMut() -> Result<T, Box<dyn std::error::Error>>,
) -> Result<(Vec<f64>, T), Box<dyn std::error::Error>> {
    let (mut seconds, began) = (Vec::new(), Instant::now());
    loop {
        let start = thread_seconds(began);
        let done = work()?;
        seconds.push(thread_seconds(began) - start);
        if seconds.len() as u32 >= rounds {
            return Ok((seconds, done));
        }
    }
}

fn scan(database: &Path, rounds: u32) -> Outcome {
    let store = Store::open(database)?;
    let (seconds, all) = timed(rounds, || Ok(store.scan()?))?;
    let samples: u64 = all.values().map(|s| s.count).sum();
    let integral: f64 = all.values().map(|s| s.integral).sum();
    Ok(json!({ "samples": samples, "seconds": seconds, "integral": integral }))
}

/// Rows as a plain logger keeps them, under a key of channel and time.
const ROWS: &str = "CREATE TABLE IF NOT EXISTS sample (channel INTEGER, time INTEGER, value REAL, PRIMARY KEY (channel, time)) WITHOUT ROWID";

fn from_rows(database: &Path, rows: &Path, rounds: u32) -> Outcome {
    let store = Store::open(database)?;
    let mut connection = Connection::open(rows)?;
    connection.execute_batch(ROWS)?;
    let transaction = connection.transaction()?;
    {
        let mut insert = transaction.prepare("INSERT OR IGNORE INTO sample VALUES (?1, ?2, ?3)")?;
        for channel in store.channels()? {
            for read in store.read(channel.id, None, None)? {
                let (time, reading) = read?;
                insert.execute((channel.id.0, time.millis(), reading.value()))?;
            }
        }
    }
    transaction.commit()?;
    let (seconds, samples) = timed(rounds, || {
        let mut statement = connection.prepare("SELECT channel, time, value FROM sample ORDER BY channel, time")?;
        let mut rows = statement.query([])?;
        let (mut samples, mut sums) = (0_u64, BTreeMap::<i64, (f64, f64, f64, f64, i64, f64)>::new());
        while let Some(row) = rows.next()? {
            samples += 1;
            let (channel, time): (i64, i64) = (row.get(0)?, row.get(1)?);
            let Some(value) = row.get::<_, Option<f64>>(2)? else { continue };
            let entry = sums.entry(channel).or_insert((f64::INFINITY, f64::NEG_INFINITY, 0.0, 0.0, time, value));
            entry.3 += (value + entry.5) / 2.0 * (time - entry.4) as f64 / 1000.0;
            *entry = (entry.0.min(value), entry.1.max(value), entry.2 + value, entry.3, time, value);
        }
        Ok(samples)
    })?;
    Ok(json!({ "samples": samples, "seconds": seconds, "bytes": std::fs::metadata(rows)?.len() }))
}

fn decoded(recording: PathBuf) -> Outcome {
    let folder = tempfile::tempdir()?;
    let mut store = Store::create(folder.path().join("voyage.db"))?;
    let mut pipeline = Pipeline::new(BTreeMap::new());
    let mut recording = Recording::open(&Input::File(recording))?;
    pipeline.begin("measured", recording.stamps().meaning(), &mut store);
    let bus = pipeline.bus("can0");
    let began = Instant::now();
    let start = thread_seconds(began);
    while let Some(received) = recording.next_frame()? {
        pipeline.frame(bus, received.frame, &mut store);
    }
    let (totals, seconds) = (pipeline.totals(), thread_seconds(began) - start);
    Ok(json!({ "frames": totals.frames, "samples": totals.samples, "seconds": [seconds] }))
}

fn tables(database: &Path) -> Outcome {
    let connection = Connection::open(database)?;
    let sql = "SELECT s.tbl_name, sum(d.pgsize) FROM dbstat d JOIN sqlite_schema s ON s.name = d.name GROUP BY 1";
    let mut statement = connection.prepare(sql)?;
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(json!(rows.collect::<rusqlite::Result<BTreeMap<String, i64>>>()?))
}

/// Bytes that this process has sent to the device.
fn to_the_device() -> u64 {
    let text = std::fs::read_to_string("/proc/self/io").unwrap_or_default();
    text.lines().find_map(|l| l.strip_prefix("write_bytes: ")?.parse().ok()).unwrap_or(0)
}

/// As most values of a bus are.
const HUNDREDTHS: Coding = Coding::Scaled(Scale { step: 1, offset: 0, decimals: 2 });

/// Twenty messages of five values a second, as the sensors of a vessel send them: steps of the last digit, some noise.
const MESSAGES: i64 = 20;
const VALUES: i64 = 5;
const T0: i64 = 1_769_472_000_000;

fn value(message: i64, place: i64, second: i64) -> i64 {
    // Noise that no codec can foretell.
    let noise = mixed((message << 48 | place << 40 | second) as u64) % 8;
    2000 + message * 50 + second / (30 + place) % 200 + noise as i64
}

fn written(database: &Path, commit_s: i64, seconds: i64) -> Outcome {
    let mut store = Store::create(database)?;
    store.begin_segment("measured");
    let mut streams = Vec::new();
    for message in 0..MESSAGES {
        let columns: Result<Vec<StreamColumn>, ampwake_store::StoreError> = (0..VALUES)
            .map(|place| {
                let address = format!("can0/n2k/127508/{message}/value_{place}").parse().expect("an address");
                Ok(StreamColumn { channel: store.channel(&address, Unit::Volt)?, coding: HUNDREDTHS })
            })
            .collect();
        streams.push(store.stream(&columns?)?);
    }
    let before = to_the_device();
    let start = Instant::now();
    for second in 0..seconds {
        for (message, stream) in streams.iter().enumerate() {
            let raws: Vec<i64> = (0..VALUES).map(|place| value(message as i64, place, second)).collect();
            let jitter = value(message as i64, 9, second) % 7;
            let time = Timestamp::from_millis(T0 + second * 1000 + message as i64 * 50 + jitter);
            store.append_row(*stream, time, &raws, &[0; VALUES as usize]);
        }
        if second % commit_s == commit_s - 1 {
            // As often as in a day that passes.
            store.commit_at(start + Duration::from_secs(second as u64))?;
        }
    }
    store.seal()?;
    drop(store);
    let bytes = to_the_device() - before;
    Ok(
        json!({ "seconds": [start.elapsed().as_secs_f64()], "written": bytes, "file": std::fs::metadata(database)?.len() }),
    )
}

fn rows_written(database: &Path, commit_s: i64, seconds: i64) -> Outcome {
    let connection = Connection::open(database)?;
    connection.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;")?;
    connection.execute_batch("CREATE TABLE sample (time INTEGER, channel INTEGER, value REAL)")?;
    let before = to_the_device();
    let start = Instant::now();
    for from in (0..seconds).step_by(commit_s as usize) {
        let transaction = connection.unchecked_transaction()?;
        let mut insert = transaction.prepare_cached("INSERT INTO sample VALUES (?1, ?2, ?3)")?;
        for second in from..seconds.min(from + commit_s) {
            for message in 0..MESSAGES {
                for place in 0..VALUES {
                    let value = value(message, place, second) as f64 / 100.0;
                    insert.execute((T0 + second * 1000 + message * 50, message * VALUES + place, value))?;
                }
            }
        }
        drop(insert);
        transaction.commit()?;
    }
    drop(connection);
    let bytes = to_the_device() - before;
    Ok(
        json!({ "seconds": [start.elapsed().as_secs_f64()], "written": bytes, "file": std::fs::metadata(database)?.len() }),
    )
}
