//! Nothing that was committed is lost: the recorder killed at random moments, and with every system call refused in turn.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_store::Store;
use ampwake_tests::counter::CHANNEL;
use ampwake_tests::crash::{Said, Tally, refuser};
use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

const CRASH: &str = env!("CARGO_BIN_EXE_crash");

/// `AMPWAKE_KILLS=1000` for the long run.
#[test]
fn killed_at_random_moments_it_loses_what_was_not_committed_and_nothing_else() {
    let kills = std::env::var("AMPWAKE_KILLS").unwrap_or_else(|_| "20".to_owned());
    let ran = Command::new(CRASH).args(["--times", &kills]).output().unwrap();
    let (out, errors) = (String::from_utf8_lossy(&ran.stdout), String::from_utf8_lossy(&ran.stderr));
    assert!(ran.status.success() && out.starts_with(&format!("{kills} kills")), "{out}{errors}");
}

/// The numbers of the counting bus, in the order of time.
fn numbers(path: &Path) -> Vec<u32> {
    let Ok(store) = Store::open(path) else { return Vec::new() };
    let Ok(Some(channel)) = store.find(&CHANNEL.parse().unwrap()) else { return Vec::new() };
    let read = store.read_all(channel.id, None, None).unwrap();
    read.iter().map(|(_, r)| (r.value().unwrap() * 100.0).round() as u32).collect()
}

/// The daemon's recorder on a disk that refuses for a second, with these errors: full, failing, read-only.
#[test]
fn a_disk_that_refuses_for_a_while_costs_nothing_and_it_is_said() {
    let tools = tempfile::tempdir().unwrap();
    let library = refuser(tools.path());
    for (error, growth) in [("28", true), ("5", false), ("30", true)] {
        let dir = tempfile::tempdir().unwrap();
        let (path, refusing) = (dir.path().join("voyage.db"), dir.path().join("refusing"));
        let mut command = Command::new(env!("CARGO_BIN_EXE_endless-recorder"));
        command.arg(&path).env("LD_PRELOAD", &library).env("AMPWAKE_REFUSE_PATH", "voyage.db");
        command.env("AMPWAKE_REFUSE_CALL", "1").env("AMPWAKE_REFUSE_ERROR", error).env("AMPWAKE_REFUSE_FROM", "1");
        command.env("AMPWAKE_REFUSE_WHILE", &refusing);
        if growth {
            command.env("AMPWAKE_REFUSE_GROWTH", "1");
        }
        let mut child = command.spawn().unwrap();
        let mut until = |reached: &dyn Fn() -> bool| {
            while !reached() {
                assert!(child.try_wait().unwrap().is_none(), "error {error}: the recorder ended by itself");
                std::thread::sleep(Duration::from_millis(10));
            }
        };
        until(&|| numbers(&path).len() >= 100);
        std::fs::write(&refusing, "").unwrap();
        std::thread::sleep(Duration::from_secs(1));
        std::fs::remove_file(&refusing).unwrap();
        let events = || Store::open(&path).and_then(|s| s.events()).unwrap_or_default();
        until(&|| events().iter().any(|e| e.kind == "disk_back"));
        child.kill().unwrap();
        child.wait().unwrap();
        let read = numbers(&path);
        assert!(read.iter().enumerate().all(|(i, n)| *n == i as u32 % 30_000), "error {error}: each number once");
        drop(Store::create(&path).unwrap());
        let events = events();
        let back = events.iter().find(|e| e.kind == "disk_back").unwrap();
        assert!(back.text.contains("0 samples were given up"), "{}", back.text);
    }
}

/// How calls are refused.
struct Refusal {
    /// The error's number (Linux: 5 EIO, 28 ENOSPC).
    error: i32,
    /// All calls from the n-th on.
    lasting: bool,
    /// Only calls that need room.
    growth: bool,
}

/// What may lie there afterwards: a reader leaves log and index.
const KNOWN: [&str; 4] = ["voyage.db", "voyage.db-wal", "voyage.db-shm", "mark"];

/// Lets a recorder open an existing database, commit, seal and end with call `n` refused. Returns the name of the call,
/// `None` when there are not so many, and whether the recorder came through.
fn refused(dir: &Path, library: &Path, n: u32, how: &Refusal) -> Option<(String, bool)> {
    let (path, mark) = (dir.join("voyage.db"), dir.join("mark"));
    let mut tally = Tally::default();
    let mut record = |run: u64, refuse: bool| {
        let mut command = Command::new(CRASH);
        command.args(["--commits", "8", "--run", &run.to_string(), "--record"]).arg(&path);
        if refuse {
            command.env("LD_PRELOAD", library).env("AMPWAKE_REFUSE_PATH", "voyage.db");
            command.env("AMPWAKE_REFUSE_CALL", n.to_string()).env("AMPWAKE_REFUSE_ERROR", how.error.to_string());
            command.env("AMPWAKE_REFUSE_MARK", &mark);
            for (name, wanted) in [("AMPWAKE_REFUSE_FROM", how.lasting), ("AMPWAKE_REFUSE_GROWTH", how.growth)] {
                if wanted {
                    command.env(name, "1");
                }
            }
        }
        let ran = command.output().unwrap();
        let out = String::from_utf8_lossy(&ran.stdout);
        let errors = String::from_utf8_lossy(&ran.stderr);
        let at = format!("call {n} ({}), run {run}", std::fs::read_to_string(&mark).unwrap_or_default());
        // Ended by a signal or a panic: that must not be.
        assert!(matches!(ran.status.code(), Some(0 | 1)), "{at}: {:?}: {errors}", ran.status);
        tally.judge(&path, run, &Said::read(&out)).unwrap_or_else(|e| panic!("{at}: {e}\n{out}{errors}"));
        ran.status.success()
    };
    // What was there before, what is refused, and what goes on after it.
    assert!(record(0, false));
    let through = record(1, true);
    assert!(record(2, false));
    tally.all(&path).unwrap();
    let name = std::fs::read_to_string(&mark).ok();
    let left: Vec<_> = std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    assert!(left.iter().all(|f| KNOWN.contains(&f.as_str())), "call {n}: {left:?}");
    name.map(|name| (name, through))
}

/// Every call in turn until there are no more; the names of those refused.
fn each_refused(how: &Refusal) -> BTreeSet<String> {
    let tools = tempfile::tempdir().unwrap();
    let library = refuser(tools.path());
    let mut names = BTreeSet::new();
    for n in 1.. {
        let dir = tempfile::tempdir().unwrap();
        let Some((name, through)) = refused(dir.path(), &library, n, how) else { break };
        assert!(through || how.lasting, "call {n} ({name}): one refusal must not end a recording");
        names.insert(name);
    }
    names
}

#[test]
fn any_one_call_refused_ends_no_recording_and_loses_nothing() {
    let names = each_refused(&Refusal { error: 5, lasting: false, growth: false });
    let expected = ["fsync", "ftruncate", "open", "pread", "pwrite", "unlink", "write"];
    for name in expected {
        assert!(names.iter().any(|n| n.trim_end_matches("64") == name.trim_end_matches("64")), "{name}: {names:?}");
    }
}

#[test]
fn a_disk_that_fails_for_good_keeps_what_was_committed() {
    assert!(!each_refused(&Refusal { error: 5, lasting: true, growth: false }).is_empty());
}

#[test]
fn a_disk_that_is_full_keeps_what_was_committed() {
    assert!(!each_refused(&Refusal { error: 28, lasting: true, growth: true }).is_empty());
}
