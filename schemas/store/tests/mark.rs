//! Events added by hand, also while a recorder writes.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod common;

use ampwake_schemas::sample::Reading;
use ampwake_store::{Store, StoreError};
use common::{Case, event, ms, volts};

#[test]
fn a_mark_comes_in_between_the_recorder_s_commits() {
    let case = Case::new();
    let mut writer = Store::create(case.path()).unwrap();
    let channel = volts(&mut writer);
    for t in 0..20 {
        writer.append(channel, ms(1000 * t), Reading::Value(53.0));
        writer.commit().unwrap();
        Store::mark(case.path(), &event(1000 * t, "mark"), false).unwrap();
    }
    drop(writer);
    let store = Store::open(case.path()).unwrap();
    let marks = store.events().unwrap().into_iter().filter(|e| e.kind == "mark").count();
    assert_eq!((marks, store.read_all(store.channels().unwrap()[0].id, None, None).unwrap().len()), (20, 20));
}

#[test]
fn a_time_by_the_recorder_s_clock_is_corrected_with_it() {
    let case = Case::new();
    let mut writer = Store::create(case.path()).unwrap();
    let channel = volts(&mut writer);
    let segment = writer.begin_segment("run");
    writer.append(channel, ms(5000), Reading::Value(53.0));
    writer.commit().unwrap();
    Store::mark(case.path(), &event(5000, "mark"), true).unwrap();
    Store::mark(case.path(), &event(6000, "mark"), false).unwrap();
    writer.set_segment_offset(segment, 3_600_000, "the clock was an hour slow");
    writer.commit().unwrap();
    let times: Vec<i64> = Store::open(case.path()).unwrap().events().unwrap().iter().map(|e| e.time.millis()).collect();
    assert_eq!(times, [6000, 3_605_000]);
}

#[test]
fn only_a_database_of_ours_is_marked() {
    let case = Case::new();
    let refused = Store::mark(case.path(), &event(0, "mark"), false);
    assert!(matches!(refused, Err(StoreError::NotFound { .. })) && !case.path().exists());
    std::fs::write(case.path(), b"a letter").unwrap();
    assert!(Store::mark(case.path(), &event(0, "mark"), false).is_err());
    assert_eq!(std::fs::read(case.path()).unwrap(), b"a letter");
}
