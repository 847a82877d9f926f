//! The store as its users see it: what was written is read back, by whom, and what is refused.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Coding, Device, Event, Store, StoreError, StreamColumn, Writer};
use std::path::PathBuf;

struct Case {
    dir: tempfile::TempDir,
}

impl Case {
    fn new() -> Self {
        Self { dir: tempfile::tempdir().unwrap() }
    }
    fn path(&self) -> PathBuf {
        self.dir.path().join("voyage.db")
    }
}

fn address(text: &str) -> ChannelAddress {
    text.parse().unwrap()
}

fn ms(t: i64) -> Timestamp {
    Timestamp::from_millis(t)
}

fn volts(writer: &mut Writer) -> ChannelId {
    writer.channel(&address("can0/n2k/127508/0/battery_voltage"), Unit::Volt).unwrap()
}

fn event(time: i64, kind: &str) -> Event {
    Event { time: ms(time), kind: kind.into(), bus: None, channel: None, text: String::new(), details: "{}".into() }
}

#[test]
fn what_was_committed_is_read_back() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    let readings =
        [Reading::Value(53.2), Reading::NotAvailable, Reading::OutOfRange, Reading::Reserved, Reading::Value(0.0)];
    for (i, reading) in readings.into_iter().enumerate() {
        w.append(v, ms(1000 + 10 * i as i64), reading);
    }
    w.append(v, ms(2000), Reading::Value(f64::NAN));
    w.commit().unwrap();
    drop(w);

    let s = Store::open(case.path()).unwrap();
    let channel = s.find(&address("can0/n2k/127508/0/battery_voltage")).unwrap().unwrap();
    assert_eq!((channel.samples, channel.missing, channel.latest), (6, 4, None));
    assert_eq!((channel.first, channel.last), (Some(ms(1000)), Some(ms(2000))));
    assert_eq!(channel.unit, Unit::Volt);
    let read = s.read_all(channel.id, None, None).unwrap();
    assert_eq!(read[..5].iter().map(|r| r.1).collect::<Vec<_>>(), readings);
    // A number that is none must not come back as one.
    assert_eq!(read[5], (ms(2000), Reading::OutOfRange));
    assert_eq!(s.find(&address("can0/n2k/127508/0/battery_current")).unwrap(), None);
    assert_eq!(s.period().unwrap().map(|p| (p.start, p.end)), Some((ms(1000), ms(2000))));
}

#[test]
fn equal_times_keep_the_order_of_arrival_and_small_disorder_is_sorted() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    for (t, value) in [(100, 1.0), (100, 2.0), (90, 3.0)] {
        w.append(v, ms(t), Reading::Value(value));
    }
    w.commit().unwrap();
    for (t, value) in [(100, 4.0), (95, 5.0)] {
        w.append(v, ms(t), Reading::Value(value));
    }
    w.commit().unwrap();
    let values: Vec<f64> = w.read_all(v, None, None).unwrap().iter().filter_map(|r| r.1.value()).collect();
    assert_eq!(values, [3.0, 5.0, 1.0, 2.0, 4.0]);
    assert_eq!(w.channels().unwrap()[0].latest, Some(4.0));
}

#[test]
fn a_corrected_segment_moves_without_rewriting() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    // The clock stood in 1970 when recording began, and was set later.
    let wrong = w.begin_segment("boot");
    let v = volts(&mut w);
    w.append(v, ms(5_000), Reading::Value(1.0));
    w.append(v, ms(6_000), Reading::Value(2.0));
    w.event(event(5_500, "recording_started"));
    let device =
        Device { bus: "can0".into(), address: 35, name: None, product: "{}".into(), first: ms(5_000), last: ms(6_000) };
    w.device(device);
    w.begin_segment("boot, after the clock was set");
    w.append(v, ms(1_000_000), Reading::Value(3.0));
    w.commit().unwrap();
    w.set_segment_offset(wrong, 990_000, "from the bus time");
    w.commit().unwrap();

    let s = Store::open(case.path()).unwrap();
    let times: Vec<i64> = s.read_all(v, None, None).unwrap().iter().map(|r| r.0.millis()).collect();
    assert_eq!(times, [995_000, 996_000, 1_000_000]);
    assert_eq!(s.channels().unwrap()[0].first, Some(ms(995_000)));
    assert_eq!(s.channels().unwrap()[0].latest, Some(3.0));
    assert_eq!(s.events().unwrap()[0].time, ms(995_500));
    assert_eq!((s.devices().unwrap()[0].first, s.devices().unwrap()[0].last), (ms(995_000), ms(996_000)));
    assert_eq!(s.segments().unwrap()[0].note, "from the bus time");
    assert_eq!(s.period().unwrap().unwrap().start, ms(995_000));
}

#[test]
fn overlapping_segments_are_read_in_the_order_of_time_across_query_steps() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    let n = 10_000;
    let mut v = None;
    for phase in 0..3 {
        w.begin_segment("recording");
        let channel = volts(&mut w);
        v = Some(channel);
        for i in 0..n {
            w.append(channel, ms(3 * i + phase), Reading::Value((3 * i + phase) as f64));
        }
    }
    w.commit().unwrap();
    let read = w.read_all(v.unwrap(), None, None).unwrap();
    assert_eq!(read.len(), 3 * n as usize);
    assert!(read.iter().enumerate().all(|(i, r)| r.0 == ms(i as i64) && r.1 == Reading::Value(i as f64)));

    let part = w.read_all(v.unwrap(), Some(Timestamp::from_micros(9_999_001)), Some(ms(20_000))).unwrap();
    assert_eq!((part[0].0, part[part.len() - 1].0), (ms(10_000), ms(20_000)));
    assert_eq!(part.len(), 10_001);
    assert_eq!(w.read_all(v.unwrap(), Some(ms(40_000)), None).unwrap(), []);
}

#[test]
fn what_was_not_committed_is_lost_and_nothing_else() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    w.append(v, ms(1), Reading::Value(1.0));
    w.commit().unwrap();
    w.append(v, ms(2), Reading::Value(2.0));
    w.channel(&address("can0/n2k/127508/0/battery_current"), Unit::Ampere).unwrap();
    drop(w);
    let s = Store::open(case.path()).unwrap();
    assert_eq!(s.read_all(v, None, None).unwrap(), [(ms(1), Reading::Value(1.0))]);
    assert_eq!(s.channels().unwrap().len(), 1);
}

#[test]
fn recording_goes_on_in_the_same_file() {
    let case = Case::new();
    for run in 0..3 {
        let mut w = Store::create(case.path()).unwrap();
        w.begin_segment(&format!("run {run}"));
        let v = volts(&mut w);
        w.append(v, ms(run), Reading::Value(run as f64));
        w.problem("damaged_line", 2);
        w.commit().unwrap();
    }
    let s = Store::open(case.path()).unwrap();
    assert_eq!(s.channels().unwrap().len(), 1);
    assert_eq!(s.channels().unwrap()[0].samples, 3);
    assert_eq!(s.problems().unwrap()["damaged_line"], 6);
    assert_eq!(
        s.segments().unwrap().iter().map(|s| s.source.as_str()).collect::<Vec<_>>(),
        ["run 0", "run 1", "run 2"]
    );
}

#[test]
fn readers_work_while_the_writer_writes_and_a_second_writer_is_refused() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    w.append(v, ms(1), Reading::Value(1.0));
    w.commit().unwrap();
    let s = Store::open(case.path()).unwrap();
    let second = Store::create(case.path()).unwrap_err();
    assert!(matches!(second, StoreError::InUse { .. }), "{second}");
    assert!(second.to_string().contains(&format!("process {}", std::process::id())), "{second}");
    // A read that is under way neither stops the writer nor sees half a commit.
    let mut reading = s.read(v, None, None).unwrap();
    assert_eq!(reading.next().unwrap().unwrap().0, ms(1));
    w.append(v, ms(2), Reading::Value(2.0));
    w.commit().unwrap();
    assert!(reading.next().is_none());
    assert_eq!(s.read_all(v, None, None).unwrap().len(), 2);
    drop(w);
    Store::create(case.path()).unwrap();
    let left: Vec<_> = std::fs::read_dir(case.dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(!left.iter().any(|f| f.to_string_lossy().ends_with("-lock")), "{left:?}");
}

#[test]
fn what_is_not_ours_is_refused_and_left_as_it_is() {
    let case = Case::new();
    assert!(matches!(Store::open(case.path()).unwrap_err(), StoreError::NotFound { .. }));

    std::fs::write(case.path(), "schema = \"ampwake-intent/1\"\n".repeat(50)).unwrap();
    assert!(matches!(Store::open(case.path()).unwrap_err(), StoreError::NotSqlite { .. }));
    assert!(matches!(Store::create(case.path()).unwrap_err(), StoreError::NotSqlite { .. }));

    std::fs::write(case.path(), "").unwrap();
    assert!(matches!(Store::open(case.path()).unwrap_err(), StoreError::NotSqlite { .. }));
    std::fs::remove_file(case.path()).unwrap();

    let foreign = rusqlite::Connection::open(case.path()).unwrap();
    foreign.execute_batch("CREATE TABLE photo (id INTEGER); INSERT INTO photo VALUES (1)").unwrap();
    drop(foreign);
    let before = std::fs::read(case.path()).unwrap();
    let e = Store::create(case.path()).unwrap_err();
    assert!(matches!(e, StoreError::Foreign { .. }), "{e}");
    assert!(e.to_string().contains("voyage.db") && e.to_string().contains("choose another file"), "{e}");
    assert!(matches!(Store::open(case.path()).unwrap_err(), StoreError::Foreign { .. }));
    assert_eq!(std::fs::read(case.path()).unwrap(), before);
}

#[test]
fn a_newer_version_is_refused() {
    let case = Case::new();
    drop(Store::create(case.path()).unwrap());
    rusqlite::Connection::open(case.path()).unwrap().pragma_update(None, "user_version", 3).unwrap();
    for e in [Store::open(case.path()).unwrap_err(), Store::create(case.path()).unwrap_err()] {
        assert!(matches!(e, StoreError::Newer { found: 3, known: 2, .. }), "{e}");
    }
}

#[test]
fn a_damaged_file_is_an_error_and_no_panic() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    for i in 0..20_000 {
        w.append(v, ms(i), Reading::Value(0.1 * i as f64));
    }
    w.commit().unwrap();
    drop(w);
    let mut bytes = std::fs::read(case.path()).unwrap();
    for byte in bytes.iter_mut().skip(4096) {
        *byte ^= 0x5A;
    }
    std::fs::write(case.path(), bytes).unwrap();
    let result = Store::open(case.path()).and_then(|s| s.channels());
    assert!(matches!(result, Err(StoreError::Sqlite { .. })), "{result:?}");
}

#[test]
fn a_channel_keeps_its_unit_and_may_change_its_address() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    let e = w.channel(&address("can0/n2k/127508/0/battery_voltage"), Unit::Ampere).unwrap_err();
    assert!(matches!(e, StoreError::UnitChanged { .. }), "{e}");
    w.append(v, ms(1), Reading::Value(1.0));
    let (old, new) = (address("can0/n2k/127508/0/battery_voltage"), address("can0/n2k/127508@35/0/battery_voltage"));
    assert!(w.rename_channel(&old, &new));
    assert!(!w.rename_channel(&old, &new), "it is not there any more");
    w.commit().unwrap();
    assert_eq!(w.find(&new).unwrap().unwrap().id, v);
    assert_eq!(w.find(&old).unwrap(), None);
    assert_eq!(w.known_channel(&new), Some(v));
    assert!(matches!(w.read(ChannelId(99), None, None).unwrap_err(), StoreError::Unknown { id: 99, .. }));
}

#[test]
fn a_device_is_one_row_before_and_after_it_claims_its_name() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let device = |address, name, product: &str, first, last| Device {
        bus: "can0".into(),
        address,
        name,
        product: product.into(),
        first: ms(first),
        last: ms(last),
    };
    let name = Some(0xC046_AA00_FF84_BCDB);
    w.device(device(35, None, "{}", 10, 20));
    w.device(device(35, name, "{\"model\":\"x\"}", 30, 40));
    w.commit().unwrap();
    assert_eq!(w.devices().unwrap(), [device(35, name, "{\"model\":\"x\"}", 10, 40)]);
    // It moves, and product information once heard stays.
    w.device(device(36, name, "{}", 50, 60));
    w.device(device(35, None, "{}", 55, 56));
    w.commit().unwrap();
    assert_eq!(w.devices().unwrap(), [device(35, None, "{}", 55, 56), device(36, name, "{\"model\":\"x\"}", 10, 60)]);
}

#[test]
fn ordinary_sql_reads_it() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    let segment = w.begin_segment("test");
    let v = volts(&mut w);
    w.append(v, Timestamp::parse_rfc3339("2025-09-12T12:39:59.110Z").unwrap(), Reading::Value(53.2));
    w.append(v, Timestamp::parse_rfc3339("2025-09-12T12:40:00Z").unwrap(), Reading::NotAvailable);
    w.set_segment_offset(segment, 1000, "");
    w.commit().unwrap();
    let c = rusqlite::Connection::open_with_flags(case.path(), rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let name = "can0/n2k/127508/0/battery_voltage".to_owned();
    let latest = c.query_row("SELECT address, unit, utc, value, said FROM latest_utc", [], |r| {
        Ok((
            r.get::<_, String>(0)?,
            r.get::<_, String>(1)?,
            r.get::<_, String>(2)?,
            r.get::<_, Option<f64>>(3)?,
            r.get::<_, String>(4)?,
        ))
    });
    let expected = (name.clone(), "V".into(), "2025-09-12T12:40:01.000Z".into(), None, "not available".into());
    assert_eq!(latest.unwrap(), expected);
    w.append(v, Timestamp::parse_rfc3339("2025-09-12T12:40:10Z").unwrap(), Reading::Value(53.4));
    w.seal().unwrap();
    let minutes: Vec<(String, String, f64, f64, i64, i64)> = c
        .prepare("SELECT address, utc, min, mean, samples, missing FROM minute_utc")
        .unwrap()
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    assert_eq!(minutes, [(name, "2025-09-12T12:40:00Z".to_owned(), 53.2, (53.2 + 53.4) / 2.0, 2, 1)]);
}

#[test]
fn sealing_makes_no_difference_to_readers() {
    let case = Case::new();
    let mut w = Store::create(case.path()).unwrap();
    w.begin_segment("test");
    let v = volts(&mut w);
    let a = w.channel(&address("can0/n2k/127508/0/battery_current"), Unit::Ampere).unwrap();
    let centi = Coding::Scaled { step: 1, offset: 0, decimals: 2 };
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
    let scanned = reader.scan(a).unwrap();
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
    assert_eq!(count("SELECT sum(count) FROM rollup_minute WHERE start_ms = 60000"), 40, "the minute of UTC");
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
        c.prepare("SELECT start_ms, count, integral FROM rollup_minute ORDER BY start_ms")
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

/// A database as version 1 wrote it, kept from then: the first 20 000 frames of the golden recording two-on-one-bus,
/// imported. The figures beside it were read with that version.
#[test]
fn the_first_version_is_brought_up_to_date() {
    let case = Case::new();
    let old = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/version-1.db.zst");
    let bytes = zstd::decode_all(std::fs::File::open(old).unwrap()).unwrap();
    std::fs::write(case.path(), bytes).unwrap();
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
