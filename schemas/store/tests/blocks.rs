//! Chunks and blocks as their users see them: sealing, recovery, damage, corrected clocks, earlier versions.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod common;

use ampwake_schemas::message::Scale;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_store::{Coding, Store, StoreError, StreamColumn};
use common::{Case, address, event, ms, volts};

#[test]
fn sealing_makes_no_difference_to_readers() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    let a = w.channel(&address("can0/n2k/127508/0/battery_current"), Unit::Ampere).unwrap();
    let centi = Coding::Scaled(Scale { step: 1, offset: 0, decimals: 2 });
    let pair = [StreamColumn { channel: v, coding: centi }, StreamColumn { channel: a, coding: centi }];
    let stream = w.stream(&pair).unwrap();
    let mut expected = Vec::new();
    for i in 0..30_000_i64 {
        let code = u8::from(i % 1000 > 990);
        w.append_row(stream, ms(1000 * i), &[5000 + i % 77, -i], &[0, code]);
        let reading = if code == 0 { Reading::Value(-i as f64 / 100.0) } else { Reading::NotAvailable };
        expected.push((ms(1000 * i), reading));
        if i % 997 == 0 {
            w.commit().unwrap();
        }
    }
    w.commit().unwrap();
    let reader = Store::open(case.path()).unwrap();
    let seen = |s: &Store| {
        (
            s.read_all(a, None, None).unwrap(),
            s.channels().unwrap(),
            s.period().unwrap(),
            s.summary(a, None, None).unwrap(),
        )
    };
    let before = seen(&reader);
    assert_eq!(before.0, expected);
    assert_eq!((before.1[0].samples, before.1[0].missing), (30_000, 270));
    let mut reading = reader.read(a, None, None).unwrap();
    let first: Vec<_> = reading.by_ref().take(100).map(Result::unwrap).collect();
    w.seal().unwrap();
    let rest: Vec<_> = reading.map(Result::unwrap).collect();
    assert_eq!([first, rest].concat(), expected, "a sealing in the middle of a read makes no seam");
    let after = seen(&reader);
    assert_eq!((&after.0, &after.1, &after.2), (&before.0, &before.1, &before.2));
    assert_eq!((after.3.count, after.3.min, after.3.max), (before.3.count, before.3.min, before.3.max));
    let scanned = reader.scan().unwrap()[&a];
    assert_eq!((scanned.count, scanned.missing), (30_000, 270));
    assert!((scanned.sum - after.3.sum).abs() < 1e-6, "{} {}", scanned.sum, after.3.sum);
    // Part of a time: what the bounds cut is unpacked.
    let (from, to) = (ms(5_000_500), ms(20_000_000));
    let part = reader.summary(v, Some(from), Some(to)).unwrap();
    assert_eq!((part.count, part.first.unwrap().0, part.last.unwrap().0), (15_000, 5_001_000, 20_000_000));
    let by_hand: f64 = (5001..=20_000).map(|i: i64| (5000 + i % 77) as f64 / 100.0).sum();
    assert!((part.sum - by_hand).abs() < 1e-6, "{} {by_hand}", part.sum);
}

#[test]
fn a_power_cut_before_the_sealing_loses_nothing_that_was_committed() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    let segment = w.begin_segment("test");
    w.set_segment_offset(segment, 500, "by the time on the bus");
    let v = volts(&mut w);
    for i in 0..100 {
        w.append(v, ms(1000 * i), Reading::Value(i as f64));
        w.commit().unwrap();
    }
    w.append(v, ms(200_000), Reading::Value(-1.0));
    std::mem::forget(w); // as a power cut would: nothing is closed
    std::fs::copy(case.path(), case.dir.path().join("copy.db")).unwrap();
    std::fs::copy(case.dir.path().join("voyage.db-wal"), case.dir.path().join("copy.db-wal")).unwrap();
    let w = Store::create(case.dir.path().join("copy.db")).unwrap();
    let c = rusqlite::Connection::open(case.dir.path().join("copy.db")).unwrap();
    let count = |sql: &str| c.query_row(sql, [], |r| r.get::<_, i64>(0)).unwrap();
    assert_eq!((count("SELECT count(*) FROM chunk"), count("SELECT sum(rows) FROM block")), (0, 100));
    let read = w.read_all(v, None, None).unwrap();
    assert_eq!((read.len(), read[99]), (100, (ms(99_500), Reading::Value(99.0))));
    assert_eq!(count("SELECT sum(count) FROM rollup_minute WHERE hour = 0 AND minute = 1"), 40, "the minute of UTC");
}

#[test]
fn what_is_damaged_is_set_aside_and_the_rest_is_kept() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    for i in 0..10 {
        w.append(v, ms(1000 * i), Reading::Value(i as f64));
        w.commit().unwrap();
    }
    drop(w);
    let c = rusqlite::Connection::open(case.path()).unwrap();
    let mut data: Vec<u8> = c.query_row("SELECT data FROM chunk WHERE id = 4", [], |r| r.get(0)).unwrap();
    data[8] ^= 1;
    c.execute("UPDATE chunk SET data = ?1 WHERE id = 4", [&data]).unwrap();
    let w = Store::create(case.path()).unwrap();
    assert_eq!(w.read_all(v, None, None).unwrap().len(), 9);
    assert_eq!(w.problems().unwrap()["damaged_block"], 1);
    assert_eq!(c.query_row("SELECT count(*) FROM damaged", [], |r| r.get::<_, i64>(0)).unwrap(), 1);
    // A sealed block: those who read it are told.
    let mut data: Vec<u8> = c.query_row("SELECT data FROM block", [], |r| r.get(0)).unwrap();
    data[8] ^= 1;
    c.execute("UPDATE block SET data = ?1", [&data]).unwrap();
    let e = w.read_all(v, None, None).unwrap_err();
    assert!(matches!(e, StoreError::Block { .. }) && e.to_string().contains("damaged"), "{e}");
}

#[test]
fn an_import_that_was_broken_off_leaves_nothing() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("recorded before");
    let v = volts(&mut w);
    w.append(v, ms(1), Reading::Value(1.0));
    w.seal().unwrap();
    w.begin_bulk();
    w.begin_segment("import");
    for i in 0..20_000 {
        w.append(v, ms(10_000 + i), Reading::Value(2.0));
    }
    w.problem("damaged_line", 3);
    w.event(event(10_000, "clock_step"));
    w.commit().unwrap();
    assert_eq!(w.find(&address("can0/n2k/127508/0/battery_voltage")).unwrap().unwrap().samples, 1 + 16_384);
    drop(w);
    let mut w = Store::create(case.path()).unwrap();
    assert_eq!(w.read_all(v, None, None).unwrap(), [(ms(1), Reading::Value(1.0))]);
    assert_eq!((w.segments().unwrap().len(), w.events().unwrap().len(), w.problems().unwrap().len()), (1, 0, 0));
    // Again, and to its end.
    w.begin_bulk();
    w.begin_segment("import");
    for i in 0..20_000 {
        w.append(v, ms(10_000 + i), Reading::Value(2.0));
    }
    w.problem("damaged_line", 3);
    w.end_bulk();
    w.commit().unwrap();
    drop(w);
    let w = Store::create(case.path()).unwrap();
    assert_eq!((w.read_all(v, None, None).unwrap().len(), w.problems().unwrap()["damaged_line"]), (20_001, 3));
}

#[test]
fn an_older_recording_that_is_imported_later_is_not_the_latest() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("recorded");
    let v = volts(&mut w);
    w.append(v, ms(1_000_000), Reading::Value(53.0));
    w.seal().unwrap();
    // Its clock stood in the future, which is known.
    let older = w.begin_segment("imported");
    w.set_segment_offset(older, -2_000_000, "by the time on the bus");
    w.append(v, ms(2_500_000), Reading::Value(51.0));
    w.commit().unwrap();
    let c = rusqlite::Connection::open(case.path()).unwrap();
    let latest = || c.query_row("SELECT value FROM latest", [], |r| r.get::<_, f64>(0)).unwrap();
    assert_eq!(latest(), 53.0);
    w.seal().unwrap();
    assert_eq!((latest(), w.channels().unwrap()[0].latest), (53.0, Some(53.0)));
    w.begin_segment("recorded again");
    w.append(v, ms(1_000_001), Reading::Value(54.0));
    w.seal().unwrap();
    assert_eq!(latest(), 54.0);
}

#[test]
fn a_corrected_clock_moves_the_rollups() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    let segment = w.begin_segment("boot");
    let v = volts(&mut w);
    for i in 0..120 {
        w.append(v, ms(1000 * i), Reading::Value(10.0));
    }
    w.seal().unwrap();
    let c = rusqlite::Connection::open(case.path()).unwrap();
    let minutes = || -> Vec<(i64, i64, f64)> {
        c.prepare(
            "SELECT (hour * 60 + minute) * 60000 AS start, count, integral / 2000.0 FROM rollup_minute ORDER BY start",
        )
        .unwrap()
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap()
    };
    assert_eq!(minutes(), [(0, 60, 590.0), (60_000, 60, 600.0)]);
    w.set_segment_offset(segment, 3_600_000 + 30_000, "by the time on the bus");
    w.seal().unwrap();
    let h = 3_600_000;
    assert_eq!(minutes(), [(h, 30, 290.0), (h + 60_000, 60, 600.0), (h + 120_000, 30, 300.0)]);
    assert_eq!(c.query_row("SELECT count(*) FROM clock", [], |r| r.get::<_, i64>(0)).unwrap(), 1);
}

/// A database that an earlier version wrote and that is kept from then.
fn kept(case: &Case, file: &str) {
    let old = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(file);
    let bytes = zstd::decode_all(std::fs::File::open(old).unwrap()).unwrap();
    std::fs::write(case.path(), bytes).unwrap();
}

/// A database as version 1 wrote it, kept from then: the first 20 000 frames of the golden recording two-on-one-bus,
/// imported. The figures beside it were read with that version.
#[test]
fn the_first_version_is_brought_up_to_date() {
    let case = Case::new();
    kept(&case, "version-1.db.zst");
    let figures: Vec<serde_json::Value> = serde_json::from_str(include_str!("version-1.json")).unwrap();
    let s = Store::open(case.path()).unwrap();
    assert_eq!(s.channels().unwrap().len(), figures.len());
    for figure in &figures {
        let c = s.find(&address(figure["address"].as_str().unwrap())).unwrap().unwrap();
        let read = s.read_all(c.id, None, None).unwrap();
        let sum: f64 = read.iter().filter_map(|r| r.1.value()).sum();
        let number = |key: &str| figure[key].as_f64().unwrap();
        assert_eq!((c.samples as f64, c.missing as f64), (number("samples"), number("missing")), "{figure}");
        assert_eq!((read.len() as f64, read[0].0.millis() as f64), (number("samples"), number("first_ms")), "{figure}");
        assert!((sum - number("sum")).abs() <= 1e-6 * (1.0 + sum.abs()), "{figure}: {sum}");
    }
    assert!(!s.events().unwrap().is_empty() && !s.segments().unwrap().is_empty());
}

/// As version 2 wrote it: the same import. Beside it, what its own views then said of each channel: rows, first and last time,
/// samples, missing, least, most, sums of means, integrals and covered seconds.
#[test]
fn the_second_version_is_brought_up_to_date() {
    let case = Case::new();
    kept(&case, "version-2.db.zst");
    let figures: Vec<serde_json::Value> = serde_json::from_str(include_str!("version-2.json")).unwrap();
    let s = Store::open(case.path()).unwrap();
    assert_eq!(s.damage().unwrap(), [] as [String; 0]);
    for channel in s.channels().unwrap() {
        assert_eq!(s.summary(channel.id, None, None).unwrap().count, channel.samples, "{}", channel.address);
    }
    let c = s.into_connection();
    for figure in &figures {
        let sql = format!(
            "SELECT count(*), min(utc), max(utc), sum(samples), sum(missing), min(min), max(max), total(mean), total(integral),
             total(covered_s) FROM {} WHERE address = ?1",
            figure[0].as_str().unwrap()
        );
        let check = |at: usize, found: rusqlite::types::Value| match found {
            rusqlite::types::Value::Text(text) => assert_eq!(figure[at].as_str(), Some(text.as_str()), "{figure}"),
            rusqlite::types::Value::Integer(n) => assert_eq!(figure[at].as_i64(), Some(n), "{figure}"),
            rusqlite::types::Value::Real(x) => {
                let then = figure[at].as_f64().unwrap();
                assert!((x - then).abs() <= 1e-13 * then.abs(), "{figure}: {x} at {at}");
            }
            _ => assert!(figure[at].is_null(), "{figure}"),
        };
        let address = figure[1].as_str().unwrap();
        let found: Vec<_> = c.query_row(&sql, [address], |row| (0..10).map(|at| row.get(at)).collect()).unwrap();
        found.into_iter().enumerate().for_each(|(at, value)| check(at + 2, value));
    }
    let identity = "SELECT length(value) FROM meta WHERE key = 'identity'";
    assert_eq!(c.query_row(identity, [], |row| row.get::<_, i64>(0)).unwrap(), 16);
    let plan = "EXPLAIN QUERY PLAN SELECT * FROM minute_utc WHERE address = 'can0/n2k/127508/0/battery_voltage'";
    let steps: Vec<String> =
        c.prepare(plan).unwrap().query_map([], |row| row.get(3)).unwrap().collect::<Result<_, _>>().unwrap();
    assert!(steps.iter().any(|step| step.contains("ANY(hour) AND channel=?")), "{steps:?}");
}
