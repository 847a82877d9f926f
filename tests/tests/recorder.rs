//! The recorder run, stopped and killed: what was heard is in the database.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_logger::bus::recording::{Input, Recording};
use ampwake_logger::bus::source::{Replay, Source};
use ampwake_logger::config;
use ampwake_logger::import::{ImportOptions, import};
use ampwake_logger::record::{RecordOptions, RunReport, record};
use ampwake_logger::run::{RunError, run};
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelInfo, Keep, Store, StoreError};
use ampwake_tests::counter::{CHANNEL, Counter, options};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

fn block_on<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().build().unwrap().block_on(future)
}

/// Records until `stopped` lets it end.
fn recorded(path: &Path, sources: Vec<Box<dyn Source>>, stop: impl FnOnce() + Send + 'static) -> RunReport {
    let (told, shutdown) = tokio::sync::oneshot::channel::<()>();
    let waiting = std::thread::spawn(move || {
        stop();
        let _ = told.send(());
    });
    let store = Store::create(path).unwrap();
    let report = block_on(record(sources, store, options(Duration::from_millis(10)), async {
        let _ = shutdown.await;
    }));
    waiting.join().unwrap();
    report.unwrap()
}

/// The numbers that the counting bus left, segment after segment.
fn numbers(store: &Store) -> Vec<u32> {
    let Some(channel) = store.find(&CHANNEL.parse().unwrap()).unwrap() else { return Vec::new() };
    let read = store.read_all(channel.id, None, None).unwrap();
    read.iter().map(|(_, r)| (r.value().unwrap() * 100.0).round() as u32).collect()
}

#[test]
fn a_stop_loses_nothing_that_was_heard() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let watched = path.clone();
    let counter = Counter { frames: None, pace: Duration::from_micros(50) };
    // Stopped in full run, once something was committed.
    let report = recorded(&path, vec![Box::new(counter)], move || {
        while Store::open(&watched).map_or(true, |s| numbers(&s).len() < 500) {
            std::thread::sleep(Duration::from_millis(5));
        }
    });
    let store = Store::open(&path).unwrap();
    let read = numbers(&store);
    assert_eq!(read.len() as u64, report.totals.frames);
    assert!(read.iter().enumerate().all(|(i, n)| *n == i as u32 % 30_000));
    let kinds: Vec<String> = store.events().unwrap().into_iter().map(|e| e.kind).collect();
    assert_eq!(kinds, ["recording_started", "recording_stopped"]);
    assert!(report.commits >= 2);
}

#[test]
fn a_replayed_recording_is_one_more_bus_and_says_what_its_import_says() {
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("golden/recordings/two-on-one-bus/log.candump.gz");
    let dir = tempfile::tempdir().unwrap();
    let (live, imported) = (dir.path().join("live.db"), dir.path().join("imported.db"));
    let input = Input::File(golden);
    let replay = Replay::new("can0", Recording::open(&input).unwrap());
    let store = Store::create(&live).unwrap();
    let sources: Vec<Box<dyn Source>> = vec![Box::new(replay)];
    let report = block_on(record(sources, store, options(Duration::from_millis(10)), std::future::pending())).unwrap();
    assert_eq!(report.totals.frames, 98_014);
    let mut writer = Store::create(&imported).unwrap();
    import(&[input], &ImportOptions::default(), &mut writer, &mut |_| {}).unwrap();
    let channels = |path: &Path| -> Vec<ChannelInfo> { Store::open(path).unwrap().channels().unwrap() };
    let strip = |c: ChannelInfo| (c.address, c.unit, c.samples, c.missing, c.first, c.last, c.latest.map(f64::to_bits));
    let of_import: Vec<_> = channels(&imported).into_iter().map(strip).collect();
    assert_eq!(channels(&live).into_iter().map(strip).collect::<Vec<_>>(), of_import);

    // A second run appends to the same file.
    let counter = Counter { frames: Some(5000), pace: Duration::ZERO };
    let store = Store::create(&live).unwrap();
    block_on(record(vec![Box::new(counter)], store, options(Duration::from_millis(10)), std::future::pending()))
        .unwrap();
    assert_eq!(numbers(&Store::open(&live).unwrap()), (0..5000).collect::<Vec<_>>());
    assert_eq!(channels(&live).len(), of_import.len() + 3);
}

#[test]
fn two_buses_are_recorded_side_by_side() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let line = |n: u32| format!("(1757680800.{n:06}) can3 19F21423#00{:04X}FF7FFFFFFF\n", (n as u16).swap_bytes());
    let text: String = (0..2000).map(line).collect();
    let recording = Recording::from_reader(Input::Standard, Box::new(std::io::Cursor::new(text))).unwrap();
    let replay = Replay::new("aft", recording);
    let counter = Counter { frames: Some(900), pace: Duration::ZERO };
    let sources: Vec<Box<dyn Source>> = vec![Box::new(replay), Box::new(counter)];
    let store = Store::create(&path).unwrap();
    let report = block_on(record(sources, store, options(Duration::from_secs(60)), std::future::pending())).unwrap();
    assert_eq!((report.totals.frames, report.totals.samples, report.commits), (2900, 3 * 2900, 2));
    let store = Store::open(&path).unwrap();
    assert_eq!(numbers(&store), (0..900).collect::<Vec<_>>());
    let aft = store.find(&"aft/n2k/127508/0/battery_voltage".parse().unwrap()).unwrap().unwrap();
    assert_eq!((aft.samples, aft.latest), (2000, Some(19.99)));
}

#[test]
fn killed_at_any_moment_it_loses_the_tail_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let mut before = 0;
    for round in 0..6_u64 {
        let mut child =
            Command::new(env!("CARGO_BIN_EXE_endless-recorder")).arg(&path).stdout(Stdio::null()).spawn().unwrap();
        while Store::open(&path).map_or(true, |s| numbers(&s).len() <= before) {
            assert!(child.try_wait().unwrap().is_none(), "the recorder ended by itself");
            std::thread::sleep(Duration::from_millis(3));
        }
        std::thread::sleep(Duration::from_millis(7 * round));
        child.kill().unwrap();
        child.wait().unwrap();
        let store = Store::open(&path).unwrap();
        let now = numbers(&store).len();
        assert!(now > before, "what was there before is still there");
        before = now;
        // The rounds cover the same times: each number stands there once per round that came so far.
        let segments = store.segments().unwrap().len();
        assert_eq!(segments as u64, round + 1);
        let mut counts = std::collections::BTreeMap::<u32, usize>::new();
        numbers(&store).into_iter().for_each(|n| *counts.entry(n).or_default() += 1);
        let mut last = segments;
        for (i, (n, count)) in counts.iter().enumerate() {
            assert!(*n == i as u32 && *count <= last, "a hole at {i}");
            last = *count;
        }
    }
    Store::create(&path).unwrap();
}

#[test]
fn a_database_that_is_removed_is_noticed_and_recording_goes_on_in_a_new_one() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let watched = path.clone();
    let counter = Counter { frames: None, pace: Duration::from_micros(50) };
    let kinds = |path: &Path| -> Vec<String> {
        Store::open(path).and_then(|s| s.events()).unwrap_or_default().into_iter().map(|e| e.kind).collect()
    };
    let report = recorded(&path, vec![Box::new(counter)], move || {
        while Store::open(&watched).map_or(true, |s| numbers(&s).len() < 500) {
            std::thread::sleep(Duration::from_millis(5));
        }
        std::fs::remove_file(&watched).unwrap();
        while !kinds(&watched).contains(&"database_removed".to_owned()) {
            std::thread::sleep(Duration::from_millis(5));
        }
    });
    // Nothing had been sealed: all of it was still in memory.
    let read = numbers(&Store::open(&path).unwrap());
    assert_eq!(read.len() as u64, report.totals.frames);
    assert!(read.iter().enumerate().all(|(i, n)| *n == i as u32 % 30_000));
}

/// 2025-01-01T00:00:00Z.
const LONG_AGO: i64 = 1_735_689_600_000;

#[test]
fn what_is_old_is_let_go_by_a_recorder_that_runs() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let mut w = Store::create(&path).unwrap();
    w.begin_segment("test");
    let old = w.channel(&"can0/n2k/127508/0/battery_voltage".parse().unwrap(), Unit::Volt).unwrap();
    for day in 0..3 {
        for t in (0..1000).map(|n| LONG_AGO + day * 86_400_000 + n * 1000) {
            w.append(old, Timestamp::from_millis(t), Reading::Value(53.0));
        }
        w.seal().unwrap();
    }
    drop(w);
    let counter = Counter { frames: Some(2000), pace: Duration::from_micros(100) };
    let keep = Some(Keep { full_days: 30, max_bytes: 1_000_000_000, beside: 0 });
    let options = RecordOptions { keep, ..options(Duration::from_millis(20)) };
    let store = Store::create(&path).unwrap();
    block_on(record(vec![Box::new(counter)], store, options, std::future::pending())).unwrap();
    let store = Store::open(&path).unwrap();
    let channel = store.channels().unwrap().into_iter().find(|c| c.address.bus == "can0").unwrap();
    let left = store.read_all(channel.id, None, None).unwrap();
    assert_eq!((left.len(), channel.samples), (2000, 3000), "a day of it; what it came to stays");
    assert_eq!(numbers(&store), (0..2000).collect::<Vec<_>>());
}

fn configuration(dir: &Path, database: &str) -> config::Config {
    let text = format!(
        "schema = \"ampwake-logger/1\"\ndatabase = \"{database}\"\n[[can]]\nname = \"nocan7\"\n[[can]]\nname = \"nocan8\"\n"
    );
    config::read("logger.toml", &text, dir).unwrap()
}

#[test]
fn missing_interfaces_are_all_named_and_no_database_is_made() {
    let dir = tempfile::tempdir().unwrap();
    let error = block_on(run(&configuration(dir.path(), "voyage.db"), std::future::pending())).unwrap_err();
    assert!(matches!(error, RunError::Buses(_)), "{error}");
    let text = error.to_string();
    for expected in ["`nocan7`", "`nocan8`", "ip link set nocan8 up type can bitrate 250000 listen-only on"] {
        assert!(text.contains(expected), "{text}");
    }
    assert!(!dir.path().join("voyage.db").exists());
}

#[test]
fn a_foreign_database_is_refused_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    std::fs::write(&path, "not a database").unwrap();
    assert!(matches!(Store::create(&path).unwrap_err(), StoreError::NotSqlite { .. }));
    assert_eq!(std::fs::read(&path).unwrap(), b"not a database");
}
