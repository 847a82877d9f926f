//! Whoever looks again and again sees each sample once, and a picture shows what was said.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod common;

use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Follower, Store, Writer};
use common::{Case, address, ms, volts};
use std::collections::BTreeSet;

/// A start that is a whole hour of UTC.
const START: i64 = 1_757_678_400_000;

fn say(w: &mut Writer, channel: ChannelId, seconds: std::ops::Range<i64>) {
    for s in seconds {
        w.append(channel, ms(START + s * 1000), Reading::Value(s as f64));
    }
    w.commit().unwrap();
}

/// The values of the news, which are the seconds.
fn look(store: &Store, follower: &mut Follower, channel: ChannelId) -> (Vec<i64>, bool) {
    let mut news = store.news(follower).unwrap();
    let samples = news.samples.remove(&channel).unwrap_or_default();
    (samples.iter().map(|s| s.1.value().unwrap() as i64).collect(), news.afresh)
}

fn seconds(range: std::ops::Range<i64>) -> Vec<i64> {
    range.collect()
}

#[test]
fn every_sample_is_seen_once_across_commits_and_sealings() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    say(&mut w, v, 0..100);
    let store = Store::open(case.path()).unwrap();
    let mut follower = Follower::new(ms(START + 50_000));
    follower.add(v);
    let before = store.revision().unwrap();
    assert_eq!(look(&store, &mut follower, v), (seconds(50..100), true));
    assert_eq!((look(&store, &mut follower, v), store.revision().unwrap()), ((vec![], false), before));
    say(&mut w, v, 100..110);
    assert_ne!(store.revision().unwrap(), before);
    assert_eq!(look(&store, &mut follower, v), (seconds(100..110), false));
    say(&mut w, v, 110..120);
    w.seal().unwrap();
    assert_eq!(look(&store, &mut follower, v), (seconds(110..120), false));
    // After a sealing chunks are numbered anew.
    say(&mut w, v, 120..125);
    say(&mut w, v, 125..130);
    assert_eq!(look(&store, &mut follower, v), (seconds(120..130), false));
    say(&mut w, v, 130..131);
    assert_eq!(look(&store, &mut follower, v), (seconds(130..131), false));

    // A channel that is wanted later is read from the start, the other one is not read again.
    let a = w.channel(&address("can0/n2k/127508/0/battery_current"), Unit::Ampere).unwrap();
    say(&mut w, a, 60..70);
    follower.add(a);
    let news = store.news(&mut follower).unwrap();
    assert_eq!(news.samples.keys().collect::<Vec<_>>(), [&a]);
    assert_eq!(news.samples[&a].len(), 10);
}

#[test]
fn a_corrected_clock_voids_what_was_read() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    let segment = w.begin_segment("test");
    let v = volts(&mut w);
    say(&mut w, v, 0..10);
    let store = Store::open(case.path()).unwrap();
    let mut follower = Follower::new(Timestamp::from_micros(i64::MIN));
    follower.add(v);
    assert_eq!(look(&store, &mut follower, v).0.len(), 10);
    w.set_segment_offset(segment, 5000, "a test knows");
    w.commit().unwrap();
    let news = store.news(&mut follower).unwrap();
    assert!(news.afresh);
    assert_eq!((news.samples[&v].len(), news.samples[&v][0].0), (10, ms(START + 5000)));
}

#[test]
fn a_picture_is_the_same_from_samples_minutes_and_hours() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    say(&mut w, v, 0..7200);
    w.append(v, ms(START + 7_200_000), Reading::NotAvailable);
    w.seal().unwrap();
    say(&mut w, v, 7201..7300);
    let store = Store::open(case.path()).unwrap();
    let channels = BTreeSet::from([v]);
    let picture = |from_s: i64, step_s: i64, count| {
        let columns = store.columns(&channels, ms(START + from_s * 1000), step_s * 1000, count).unwrap();
        columns[&v].clone()
    };
    // By samples: the bounds are seconds.
    assert_eq!(picture(10, 10, 2), [Some((10.0, 19.0)), Some((20.0, 29.0))]);
    assert_eq!(picture(-10, 10, 2), [None, Some((0.0, 9.0))]);
    // By minutes, the last of them sealed in part.
    assert_eq!(picture(7140, 60, 4), [Some((7140.0, 7199.0)), Some((7201.0, 7259.0)), Some((7260.0, 7299.0)), None]);
    // By hours.
    assert_eq!(picture(0, 3600, 3), [Some((0.0, 3599.0)), Some((3600.0, 7199.0)), Some((7201.0, 7299.0))]);
    // Nobody asked for more than there is, or for a time beyond all times.
    assert_eq!(store.columns(&channels, Timestamp::from_micros(i64::MAX), 60_000, 1).unwrap()[&v], [None]);
    assert_eq!(store.columns(&channels, ms(START), i64::MAX, 3).unwrap()[&v], [Some((0.0, 7299.0)), None, None]);
}
