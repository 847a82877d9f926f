//! The store as its users see it: what was written is read back, by whom, and what is refused.

#![allow(clippy::unwrap_used)] // a test fails by panicking

mod common;

use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Device, Store, StoreError};
use common::{Case, address, event, ms, volts};

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
    rusqlite::Connection::open(case.path()).unwrap().pragma_update(None, "user_version", 4).unwrap();
    for e in [Store::open(case.path()).unwrap_err(), Store::create(case.path()).unwrap_err()] {
        assert!(matches!(e, StoreError::Newer { found: 4, known: 3, .. }), "{e}");
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
