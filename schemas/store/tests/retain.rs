//! What is let go, what stays, and that nobody takes the one for the other.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod common;

use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Keep, Retained, SegmentId, Store, Summary, Writer};
use common::{Case, ms, volts};

const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;
/// 2025-01-01T00:00:00Z.
const START: i64 = 1_735_689_600_000;

/// A sample every ten minutes for so many days, sealed every day.
fn recorded(w: &mut Writer, start: i64, days: i64) {
    let v = volts(w);
    for day in 0..days {
        for sample in 0..144 {
            let t = start + day * DAY + sample * 600_000;
            w.append(v, ms(t), Reading::Value((t / 600_000 % 1000) as f64));
        }
        w.seal().unwrap();
    }
}

/// A database with its writer, in its first segment.
fn begun(segment: &str) -> (Case, Writer, SegmentId) {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    let segment = w.begin_segment(segment);
    (case, w, segment)
}

fn keep(full_days: u32) -> Keep {
    Keep { full_days, max_bytes: 1_000_000_000, beside: 0 }
}

/// Steps until there is nothing more to do; the steps.
fn retained(w: &mut Writer, keep: Keep, now: i64) -> Vec<Retained> {
    let mut steps = Vec::new();
    loop {
        steps.push(w.retain(keep, ms(now)).unwrap());
        if !steps[steps.len() - 1].more {
            return steps;
        }
    }
}

/// Reopened, so that it is looked again at once; so many looks, that is days of old recording.
fn looks(case: &Case, keep: Keep, now: i64, looks: usize) {
    for _ in 0..looks {
        retained(&mut Store::create(case.path()).unwrap(), keep, now);
    }
}

fn first(s: &Store) -> Timestamp {
    let channel = s.channels().unwrap()[0].id;
    s.read_all(channel, None, None).unwrap()[0].0
}

fn whole(s: &Store) -> Summary {
    s.summary(s.channels().unwrap()[0].id, None, None).unwrap()
}

fn count(case: &Case, sql: &str) -> i64 {
    rusqlite::Connection::open(case.path()).unwrap().query_row(sql, [], |row| row.get(0)).unwrap()
}

#[test]
fn old_blocks_lose_their_rows_and_keep_what_they_come_to() {
    let (case, mut w, _) = begun("test");
    recorded(&mut w, START, 20);
    let (before, period) = (whole(&w), w.period().unwrap());
    let (info, hours) = (w.channels().unwrap(), count(&case, "SELECT count(*) FROM rollup_hour"));
    assert_eq!(w.full_from().unwrap(), None);
    drop(w);
    let now = START + 20 * DAY;
    looks(&case, keep(15), now, 3);
    let s = Store::open(case.path()).unwrap();
    assert_eq!((s.full_from().unwrap(), first(&s)), (Some(ms(START + 3 * DAY)), ms(START + 3 * DAY)), "a day per look");
    drop(s);
    looks(&case, keep(15), now, 5);
    let s = Store::open(case.path()).unwrap();
    assert_eq!((s.full_from().unwrap(), first(&s)), (Some(ms(START + 5 * DAY)), ms(START + 5 * DAY)));
    assert_eq!((whole(&s), s.period().unwrap(), s.channels().unwrap()), (before, period, info), "all is still counted");
    assert_eq!(count(&case, "SELECT count(*) FROM rollup_hour"), hours);
    assert_eq!(count(&case, "SELECT count(*) FROM block WHERE length(data) = 0"), 5);
    assert_eq!(s.damage().unwrap(), [] as [String; 0]);
    let from_mid = s.summary(s.channels().unwrap()[0].id, Some(ms(START + 10 * DAY)), None).unwrap();
    assert_eq!(from_mid.count, 10 * 144);
}

#[test]
fn a_clock_that_was_never_set_does_not_make_old() {
    let (case, mut w, _) = begun("last season");
    recorded(&mut w, START, 2);
    w.begin_segment("the clock stood in 1970");
    recorded(&mut w, 0, 2);
    drop(w);
    // Both days of the first are old, and what came after them was recorded after them.
    looks(&case, keep(30), START + 31 * DAY + 12 * HOUR, 9);
    let s = Store::open(case.path()).unwrap();
    let read = s.read_all(s.channels().unwrap()[0].id, None, None).unwrap();
    assert_eq!(read.iter().filter(|r| r.0 < ms(START)).count(), 2 * 144);
    assert_eq!(read.iter().filter(|r| r.0 >= ms(START)).count(), 144);
    drop(s);
    looks(&case, keep(30), START + 33 * DAY, 9);
    let s = Store::open(case.path()).unwrap();
    assert!(s.read_all(s.channels().unwrap()[0].id, None, None).unwrap().is_empty());
    assert_eq!(whole(&s).count, 4 * 144);
}

#[test]
fn a_clock_that_runs_ahead_for_an_hour_costs_a_day_of_the_oldest() {
    let (_case, mut w, _) = begun("test");
    recorded(&mut w, START, 10);
    retained(&mut w, keep(30), START + 5000 * DAY);
    retained(&mut w, keep(30), START + 5000 * DAY);
    assert_eq!(first(&w), ms(START + DAY));
}

#[test]
fn minutes_go_after_a_season_and_a_bit_and_hours_stay() {
    let (case, mut w, _) = begun("test");
    recorded(&mut w, START, 4);
    drop(w);
    looks(&case, keep(36_500), START + 402 * DAY, 6);
    assert_eq!(count(&case, "SELECT min(hour) * 3600000 FROM rollup_minute"), START + 2 * DAY);
    assert_eq!(count(&case, "SELECT min(hour) * 3600000 FROM rollup_hour"), START);
    assert_eq!(first(&Store::open(case.path()).unwrap()), ms(START), "full resolution was to be kept");
}

#[test]
fn where_there_is_no_room_the_oldest_goes_first_and_its_pages_are_used_again() {
    let (case, mut w, _) = begun("test");
    let v = volts(&mut w);
    let limit = Keep { full_days: 36_500, max_bytes: 14_000_000, beside: 1_000_000 };
    let mut largest = 0;
    for day in 0..120_i64 {
        for row in 0..8000_i64 {
            let t = START + day * DAY + row * 10_000;
            let noise = t.wrapping_mul(2_654_435_761).rem_euclid(1 << 32) as f64 / 7.0;
            w.append(v, ms(t), Reading::Value(noise));
        }
        w.seal().unwrap();
        let steps = retained(&mut w, limit, START + (day + 1) * DAY);
        assert!(steps.iter().all(|s| s.blocks <= 128), "short steps");
        largest = largest.max(std::fs::metadata(case.path()).unwrap().len());
    }
    assert!(w.bytes().unwrap() + 1_000_000 < 14_000_000, "{}", w.bytes().unwrap());
    // With its log, which SQLite keeps at some 4 MB.
    assert!(largest < 10_000_000, "the file grew to {largest}");
    assert_eq!(w.channels().unwrap()[0].samples, 120 * 8000);
    assert_eq!(whole(&w).count, 120 * 8000);
    assert!(first(&w) > ms(START + 30 * DAY), "{}", first(&w));
    assert_eq!(w.read_all(v, Some(ms(START + 119 * DAY)), None).unwrap().len(), 8000, "the newest is there");
    assert_eq!(w.damage().unwrap(), [] as [String; 0]);
}

#[test]
fn what_cannot_be_cut_anew_is_not_cut_away_when_a_clock_is_corrected() {
    let (case, mut w, segment) = begun("test");
    recorded(&mut w, START, 3);
    let hours = || count(&case, "SELECT sum(count) FROM rollup_hour");
    let before = hours();
    retained(&mut w, keep(1), START + 30 * DAY);
    w.set_segment_offset(segment, 5 * HOUR, "from the bus time");
    w.seal().unwrap();
    assert_eq!((hours(), before), (before, 3 * 144));
}
