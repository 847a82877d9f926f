//! Writes that a power cut tore: the last pages of the log, pages of the database that were being brought up to date.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod common;

use ampwake_schemas::sample::Reading;
use ampwake_store::{Store, StoreError};
use common::{Case, ms, volts};
use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Rows per commit.
const ROWS: i64 = 300;
/// Of the log, from the SQLite file format: header of the file, header of a frame, page.
const LOG_HEAD: usize = 32;
const FRAME_HEAD: usize = 24;
const PAGE: usize = 4096;

/// A number that looks like no other (Steele, Lea and Flood 2014: SplitMix64).
fn mixed(seed: u64) -> u64 {
    let mut z = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// The files as they lie there while the recorder lives.
struct Snapshot {
    database: Vec<u8>,
    log: Vec<u8>,
}

impl Snapshot {
    fn of(path: &Path) -> Self {
        Self { database: std::fs::read(path).unwrap(), log: std::fs::read(log_of(path)).unwrap_or_default() }
    }
    /// Puts it into a folder of its own.
    fn lay(&self) -> Case {
        let case = Case::new();
        std::fs::write(case.path(), &self.database).unwrap();
        if !self.log.is_empty() {
            std::fs::write(log_of(&case.path()), &self.log).unwrap();
        }
        case
    }
}

fn log_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    name.into()
}

/// Records commit after commit, sealing every third, and takes a snapshot after each.
fn recorded(commits: i64) -> Vec<Snapshot> {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    let mut snapshots = Vec::new();
    for commit in 0..commits {
        for row in commit * ROWS..(commit + 1) * ROWS {
            w.append(v, ms(row), Reading::Value(mixed(row as u64) as f64));
        }
        if commit % 3 == 2 {
            w.seal().unwrap()
        } else {
            w.commit().unwrap()
        }
        snapshots.push(Snapshot::of(&case.path()));
    }
    snapshots
}

/// What never reached the disk: zeros, noise, or what was there before.
fn tear(bytes: &mut [u8], torn: Range<usize>, before: &[u8], how: u64) {
    for at in torn {
        bytes[at] = match how % 3 {
            0 => 0,
            1 => mixed(how ^ (at as u64) << 8) as u8,
            _ => before.get(at).copied().unwrap_or(0),
        };
    }
}

/// Rows in the database, each compared; recording goes on in it.
fn rows_and_on(path: &Path) -> i64 {
    let mut w = Store::create(path).unwrap();
    assert_eq!(w.damage().unwrap(), [] as [String; 0]);
    let v = volts(&mut w);
    let read = w.read_all(v, None, None);
    // Nothing at all was committed: then there is no such channel yet.
    let read = match read {
        Err(StoreError::Unknown { .. }) => Vec::new(),
        other => other.unwrap(),
    };
    for (row, sample) in read.iter().enumerate() {
        assert_eq!(*sample, (ms(row as i64), Reading::Value(mixed(row as u64) as f64)));
    }
    w.begin_segment("after the power cut");
    w.append(v, ms(1_000_000), Reading::Value(1.0));
    w.commit().unwrap();
    assert_eq!(w.read_all(v, None, None).unwrap().len(), read.len() + 1);
    read.len() as i64
}

#[test]
fn a_log_torn_anywhere_in_its_last_commit_costs_that_commit_alone() {
    let snapshots = recorded(7);
    let mut torn = 0;
    for (commit, pair) in snapshots.windows(2).enumerate() {
        let (before, after) = (&pair[0], &pair[1]);
        // A log that was begun anew is shorter in what counts; only growing ones show where the last commit is.
        if after.log.len() <= before.log.len() {
            continue;
        }
        torn += 1;
        for how in 0..24_u64 {
            let seed = mixed(how << 20 ^ commit as u64);
            let (from, to) = (before.log.len(), after.log.len());
            let at = from + (seed % (to - from) as u64) as usize;
            let mut log = after.log.clone();
            if how % 4 == 3 {
                log.truncate(at);
            } else {
                tear(&mut log, at..to, &before.log, how);
            }
            let untouched = log == after.log;
            let case = Snapshot { database: after.database.clone(), log }.lay();
            let kept = if untouched { commit + 2 } else { commit + 1 };
            assert_eq!(rows_and_on(&case.path()), ROWS * kept as i64, "commit {commit}, torn at {at} in way {how}");
        }
    }
    assert!(torn >= 4, "{torn}");
}

/// The pages that a log holds, each as it was last written.
fn pages(log: &[u8]) -> BTreeMap<usize, &[u8]> {
    let frames = log.get(LOG_HEAD..).unwrap_or_default().chunks_exact(FRAME_HEAD + PAGE);
    frames.map(|f| (u32::from_be_bytes(f[..4].try_into().unwrap()) as usize, &f[FRAME_HEAD..])).collect()
}

#[test]
fn a_database_torn_while_the_log_is_brought_home_loses_nothing() {
    let commits = 7;
    let snapshots = recorded(commits);
    let last = snapshots.last().unwrap();
    for how in 0..24_u64 {
        let mut database = last.database.clone();
        for (number, content) in pages(&last.log) {
            let (start, end) = ((number - 1) * PAGE, number * PAGE);
            // Some pages got home whole, some in part, some not at all.
            let home = (mixed(how << 32 ^ number as u64) % (PAGE as u64 * 2)) as usize;
            let home = home.min(PAGE);
            let before = last.database.clone();
            if database.len() < end {
                database.resize(end, 0);
            }
            database[start..start + home].copy_from_slice(&content[..home]);
            tear(&mut database, start + home..end, &before, how);
        }
        let case = Snapshot { database, log: last.log.clone() }.lay();
        assert_eq!(rows_and_on(&case.path()), ROWS * commits, "way {how}");
    }
}

#[test]
fn damage_anywhere_is_an_error_or_an_answer_and_never_a_panic() {
    let snapshots = recorded(7);
    let last = snapshots.last().unwrap();
    let whole = last.lay();
    drop(Store::create(whole.path()).unwrap());
    let sound = std::fs::read(whole.path()).unwrap();
    for seed in 0..120_u64 {
        let mut database = sound.clone();
        let start = (mixed(seed) % database.len() as u64) as usize;
        let end = (start + 1 + (mixed(!seed) % 6000) as usize).min(database.len());
        tear(&mut database, start..end, &[], seed);
        let case = Snapshot { database, log: Vec::new() }.lay();
        // What is read must be what was written, whatever else is refused.
        if let Ok(s) = Store::open(case.path())
            && let Ok(channels) = s.channels()
        {
            for channel in channels {
                for sample in s.read(channel.id, None, None).into_iter().flatten().map_while(Result::ok) {
                    let row = sample.0.millis();
                    assert_eq!(sample.1, Reading::Value(mixed(row as u64) as f64), "seed {seed}");
                }
            }
        }
        drop(Store::create(case.path()));
    }
}
