//! A disk that is full for long and a file that breaks: what is given up, what is set aside, that recording goes on.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod common;

use ampwake_schemas::sample::Reading;
use ampwake_store::{Place, Store, StoreError};
use common::{Case, event, ms, volts};

fn value(n: i64) -> Reading {
    Reading::Value(n as f64)
}

#[test]
fn the_older_half_of_what_waits_is_given_up_and_nothing_that_was_committed() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    (0..100).for_each(|n| w.append(v, ms(n), value(n)));
    w.commit().unwrap();
    (100..200).for_each(|n| w.append(v, ms(n), value(n)));
    assert_eq!((w.shed(), w.pending()), (50, 50));
    assert_eq!((w.shed(), w.pending()), (25, 25));
    (200..210).for_each(|n| w.append(v, ms(n), value(n)));
    w.commit().unwrap();
    let expected: Vec<_> = (0..100).chain(175..210).map(|n| (ms(n), value(n))).collect();
    assert_eq!(w.read_all(v, None, None).unwrap(), expected);
    w.seal().unwrap();
    assert_eq!(w.read_all(v, None, None).unwrap(), expected);
    assert_eq!(w.channels().unwrap()[0].samples, 135);
}

/// Breaks everything but what says whose the file is.
fn broken(case: &Case, from: usize) -> Vec<u8> {
    let mut bytes = std::fs::read(case.path()).unwrap();
    bytes.iter_mut().skip(from).for_each(|byte| *byte ^= 0x5A);
    std::fs::write(case.path(), &bytes).unwrap();
    bytes
}

#[test]
fn a_damaged_file_is_set_aside_whole_and_recording_begins_in_a_new_one() {
    for from in [100, 4096] {
        let case = Case::new();
        let mut w = Store::create(case.path()).unwrap();
        w.begin_segment("test");
        let v = volts(&mut w);
        w.append(v, ms(1), value(1));
        w.seal().unwrap();
        drop(w);
        let bytes = broken(&case, from);
        assert!(Store::create(case.path()).is_err_and(|e| e.is_damage()));
        let (mut w, aside) = Store::create_or_set_aside(case.path()).unwrap();
        let aside = aside.unwrap();
        assert!(aside.to_string_lossy().contains("voyage.db.damaged-"), "{aside:?}");
        assert_eq!(std::fs::read(aside).unwrap(), bytes, "as it was");
        w.begin_segment("after");
        let v = volts(&mut w);
        w.append(v, ms(2), value(2));
        w.commit().unwrap();
        assert_eq!(w.read_all(v, None, None).unwrap(), [(ms(2), value(2))]);
    }
    // What was never ours is nobody's to move.
    let case = Case::new();
    std::fs::write(case.path(), "a letter").unwrap();
    let refused = Store::create_or_set_aside(case.path()).map(|_| ()).unwrap_err();
    assert!(matches!(refused, StoreError::NotSqlite { .. }), "{refused}");
    assert_eq!(std::fs::read_dir(case.dir.path()).unwrap().count(), 1);
}

#[test]
fn a_file_that_breaks_while_it_is_recorded_into_costs_no_more_than_itself() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    let segment = w.begin_segment("test");
    let v = volts(&mut w);
    w.set_segment_offset(segment, 5, "from the bus time");
    (0..100).for_each(|n| w.append(v, ms(n), value(n)));
    w.seal().unwrap();
    (100..150).for_each(|n| w.append(v, ms(n), value(n)));
    w.commit().unwrap();
    (150..200).for_each(|n| w.append(v, ms(n), value(n)));
    w.event(event(150, "noted"));
    let aside = w.start_afresh().unwrap();
    (200..210).for_each(|n| w.append(v, ms(n), value(n)));
    w.commit().unwrap();
    w.seal().unwrap();
    // Since the last sealing it was still in memory.
    let expected: Vec<_> = (100..210).map(|n| (ms(n + 5), value(n))).collect();
    assert_eq!(w.read_all(v, None, None).unwrap(), expected);
    assert_eq!((w.events().unwrap().len(), w.segments().unwrap().len()), (1, 1));
    assert_eq!(w.damage().unwrap(), [] as [String; 0]);
    drop(w);
    assert_eq!(Store::open(aside).unwrap().read_all(v, None, None).unwrap().len(), 150);
    // The number of a segment is not given twice.
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("next");
    w.append(v, ms(1000), value(1));
    w.commit().unwrap();
    assert_eq!(w.segments().unwrap().len(), 2);
}

#[test]
fn a_file_that_was_removed_or_renamed_costs_no_more_than_what_was_sealed_in_it() {
    for renamed in [false, true] {
        let case = Case::new();
        let mut w = Store::create(case.path()).unwrap();
        w.begin_segment("test");
        let v = volts(&mut w);
        (0..50).for_each(|n| w.append(v, ms(n), value(n)));
        w.seal().unwrap();
        (50..80).for_each(|n| w.append(v, ms(n), value(n)));
        w.commit().unwrap();
        // A reader keeps the log alive.
        let reader = Store::open(case.path()).unwrap();
        assert_eq!(reader.channels().unwrap().len(), 1);
        let away = case.dir.path().join("away.db");
        match renamed {
            true => std::fs::rename(case.path(), &away).unwrap(),
            false => std::fs::remove_file(case.path()).unwrap(),
        }
        w.start_afresh().unwrap();
        (80..90).for_each(|n| w.append(v, ms(n), value(n)));
        w.commit().unwrap();
        let expected: Vec<_> = (50..90).map(|n| (ms(n), value(n))).collect();
        assert_eq!(w.read_all(v, None, None).unwrap(), expected);
        assert_eq!(w.damage().unwrap(), [] as [String; 0]);
    }
}

#[test]
fn another_file_in_its_place_is_set_aside_as_it_is() {
    let case = Case::new();
    let other = case.dir.path().join("other.db");
    let mut w = Store::create(&other).unwrap();
    w.begin_segment("another");
    let v = volts(&mut w);
    (0..7).for_each(|n| w.append(v, ms(n), value(n)));
    w.commit().unwrap();
    drop(w);
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    (10..20).for_each(|n| w.append(v, ms(n), value(n)));
    w.commit().unwrap();
    assert_eq!(w.place(), Place::Here);
    std::fs::rename(&other, case.path()).unwrap();
    assert_eq!(w.place(), Place::Replaced);
    assert!(matches!(w.reopen(), Err(StoreError::NotFound { .. })), "its channels are not those of the other");
    let aside = w.start_afresh().unwrap();
    assert!(aside.to_string_lossy().contains("voyage.db.replaced-"), "{}", aside.display());
    assert_eq!(w.place(), Place::Here);
    w.commit().unwrap();
    let expected: Vec<_> = (10..20).map(|n| (ms(n), value(n))).collect();
    assert_eq!(w.read_all(v, None, None).unwrap(), expected);
    let aside = Store::open(aside).unwrap();
    assert_eq!(aside.damage().unwrap(), [] as [String; 0]);
    assert_eq!(aside.read_all(aside.channels().unwrap()[0].id, None, None).unwrap().len(), 7);
    assert_ne!(aside.identity().unwrap(), w.identity().unwrap());
}

#[test]
fn events_that_wait_for_the_disk_have_a_bound() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    (0..10_007).for_each(|n| w.event(event(n, "noted")));
    assert_eq!((w.shed_events(), w.shed_events()), (7, 0));
    w.commit().unwrap();
    let events = w.events().unwrap();
    assert_eq!((events.len(), events[0].time), (10_000, ms(7)), "the newest stay");
}
