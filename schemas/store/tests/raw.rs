//! The file of raw frames: what goes in comes out, what is let go is the oldest, damage costs no more than itself.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_schemas::time::Timestamp;
use ampwake_store::raw::{Batch, EXTENDED, Packed, RawReader, RawWriter};
use ampwake_store::{Store, StoreError};
use std::path::{Path, PathBuf};

const DAY: i64 = 86_400_000_000;
/// 2025-09-12T12:40:00Z, us.
const START: i64 = 1_757_680_800_000_000;

/// A number that looks like no other (Steele, Lea and Flood 2014: SplitMix64).
fn mixed(seed: u64) -> u64 {
    let z = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB)
}

/// A chunk of so many frames that cannot be made smaller, from this time on.
fn chunk(from: i64, frames: u64) -> Packed {
    let mut batch = Batch::default();
    for n in 0..frames {
        let data = mixed(from as u64 ^ n).to_le_bytes();
        assert!(batch.push(0, Timestamp::from_micros(from + n as i64), 0x19F2_1423, EXTENDED, &data));
    }
    batch.pack(&["can0".to_owned()]).unwrap()
}

fn opened() -> (tempfile::TempDir, PathBuf, RawWriter) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.raw.db");
    let writer = RawWriter::open(&path).unwrap();
    (dir, path, writer)
}

/// The first times of the chunks, and how many could not be read.
fn read(path: &Path) -> (Vec<i64>, usize) {
    let mut reader = RawReader::open(path).unwrap();
    let (mut times, mut damaged) = (Vec::new(), 0);
    while let Some(chunk) = reader.next_chunk().unwrap() {
        match chunk {
            Ok(chunk) => times.push(chunk.frames[0].time.micros()),
            Err(_) => damaged += 1,
        }
    }
    assert_eq!(reader.progress(), 1.0);
    (times, damaged)
}

#[test]
fn chunks_come_back_in_the_order_of_arrival_over_several_runs() {
    let (_dir, path, mut w) = opened();
    assert_eq!(read(&path), (vec![], 0));
    w.append(&chunk(START + 5, 10)).unwrap();
    // While it is open for writing, and after it was opened again.
    assert_eq!(read(&path).0, [START + 5]);
    drop(w);
    RawWriter::open(&path).unwrap().append(&chunk(START, 3)).unwrap();
    assert_eq!(read(&path).0, [START + 5, START]);
    let c = rusqlite::Connection::open(&path).unwrap();
    let sql = "SELECT sum(frames), min(first_us), max(last_us) FROM raw_chunk";
    let row = c.query_row(sql, [], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?))).unwrap();
    assert_eq!(row, (13, START, START + 14));
}

#[test]
fn age_lets_the_oldest_go_and_no_clock_that_is_wrong_costs_more_than_a_day() {
    let (_dir, path, mut w) = opened();
    // Woken up without a clock, then ten days, in their midst again without a clock and once in the future.
    w.append(&chunk(1000, 1)).unwrap();
    for half in 0..20 {
        if half == 8 {
            w.append(&chunk(2000, 1)).unwrap();
            w.append(&chunk(START + 9000 * DAY, 1)).unwrap();
        }
        w.append(&chunk(START + half * DAY / 2, 2)).unwrap();
    }
    let now = |days: i64| Timestamp::from_micros(START + days * DAY);
    assert_eq!(w.let_go(10, now(10)).unwrap(), 0);
    assert_eq!(read(&path).0.len(), 23);
    // A day of them at most, and what came before without a clock.
    assert_eq!(w.let_go(1, now(40_000)).unwrap(), 1 + 2 * 2);
    assert_eq!(read(&path).0[0], START + DAY);
    assert_eq!(w.let_go(7, now(10)).unwrap(), 2 * 2);
    assert_eq!(w.let_go(7, now(10)).unwrap(), 2 * 2);
    assert_eq!((w.let_go(7, now(10)).unwrap(), read(&path).0[0]), (0, START + 3 * DAY));
    // The clock that was wrong in the midst goes with its neighbours, not before and not never.
    assert_eq!(w.let_go(5, now(10)).unwrap(), 2 * 2);
    assert_eq!(w.let_go(5, now(10)).unwrap(), 2 * 2 + 2);
    assert_eq!(read(&path).0[0], START + 5 * DAY);
    // A recorder that has no clock at all has no age either.
    let (_dir, path, mut w) = opened();
    w.append(&chunk(1000, 1)).unwrap();
    assert_eq!((w.let_go(1, Timestamp::from_micros(30 * DAY)).unwrap(), read(&path).0.len()), (0, 1));
}

#[test]
fn the_file_becomes_smaller_where_room_is_wanted() {
    let (_dir, path, mut w) = opened();
    for n in 0..100 {
        w.append(&chunk(START + n * 1_000_000, 4000)).unwrap();
    }
    let before = w.bytes().unwrap();
    let most = before / 3;
    let mut gone = 0;
    loop {
        let freed = w.shrink(most, 40_000).unwrap();
        gone += freed.frames;
        if freed.fits && w.bytes().unwrap() <= most {
            break;
        }
        assert!(freed.frames > 0 || w.bytes().unwrap() > most, "{gone} frames and no end");
    }
    assert!(std::fs::metadata(&path).unwrap().len() <= most);
    let (left, damaged) = read(&path);
    assert_eq!((left.len() as u64 * 4000 + gone, damaged), (400_000, 0));
    assert_eq!(*left.last().unwrap(), START + 99_000_000, "the newest stay");
    assert_eq!(left[0], START + (100 - left.len() as i64) * 1_000_000);
    // From here on the file keeps its size: what is written takes the room of what goes.
    for n in 100..150 {
        let next = chunk(START + n * 1_000_000, 4000);
        assert!(w.shrink(most, next.data.len() as u64).unwrap().fits);
        w.append(&next).unwrap();
        assert!(std::fs::metadata(&path).unwrap().len() <= most);
    }
    // And where there is room for nothing, nothing is left.
    let mut steps = 0;
    while w.shrink(0, 0).unwrap().frames > 0 {
        steps += 1;
        assert!(steps < 100);
    }
    assert!(read(&path).0.is_empty());
}

#[test]
fn damage_costs_the_chunk_it_is_in() {
    let (_dir, path, mut w) = opened();
    for n in 0..20 {
        w.append(&chunk(START + n * 1_000_000, 4000)).unwrap();
    }
    drop(w);
    let bytes = std::fs::read(&path).unwrap();
    let at = bytes.len() / 2;
    let flipped: Vec<u8> = bytes.iter().enumerate().map(|(i, b)| if i == at { b ^ 4 } else { *b }).collect();
    std::fs::write(&path, flipped).unwrap();
    let (times, damaged) = read(&path);
    assert_eq!((times.len(), damaged), (19, 1));
    // Cut off in the midst: what lies before is there.
    std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    if let Ok(mut reader) = RawReader::open(&path) {
        while let Ok(Some(_)) = reader.next_chunk() {}
    }
}

#[test]
fn what_it_is_not_is_refused_and_damage_is_set_aside() {
    let (dir, path, mut w) = opened();
    w.append(&chunk(START, 5)).unwrap();
    drop(w);
    assert!(matches!(Store::create(&path), Err(StoreError::RawFrames { .. })));
    assert!(Store::open(&path).unwrap_err().to_string().contains("ampwake import"));
    let database = dir.path().join("voyage.db");
    drop(Store::create(&database).unwrap());
    assert!(matches!(RawWriter::open(&database), Err(StoreError::Foreign { .. })));
    assert!(matches!(RawWriter::set_aside(&database), Err(StoreError::Foreign { .. })));
    assert!(matches!(RawReader::open(&database), Err(StoreError::Foreign { .. })));
    drop(Store::open(&database).unwrap());
    let mut bytes = std::fs::read(&path).unwrap();
    bytes.iter_mut().skip(100).for_each(|b| *b ^= 0x5A);
    std::fs::write(&path, &bytes).unwrap();
    assert!(RawWriter::open(&path).is_err_and(|e| e.is_damage()));
    let aside = RawWriter::set_aside(&path).unwrap();
    assert!(aside.to_string_lossy().contains("voyage.raw.db.damaged-"), "{aside:?}");
    assert_eq!(std::fs::read(aside).unwrap(), bytes);
    RawWriter::open(&path).unwrap().append(&chunk(START, 5)).unwrap();
    assert_eq!(read(&path).0, [START]);
}
