//! Table `sample` against the store that wrote the database: the same values in the same order, and no more unpacked
//! than a query needs.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_blocks::Coding;
use ampwake_sample::{Counts, register};
use ampwake_schemas::message::Scale;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Store, StreamColumn, Writer};
use proptest::prelude::*;
use rusqlite::{Connection, Params};
use std::path::{Path, PathBuf};
use std::sync::Arc;

const VOLTS: &str = "can0/n2k/127508/1/battery_voltage";
const AMPERES: &str = "can0/n2k/127508/1/battery_current";

struct Case {
    _dir: tempfile::TempDir,
    path: PathBuf,
}

impl Case {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        Self { path: dir.path().join("voyage.db"), _dir: dir }
    }
}

fn open(path: &Path) -> (Connection, Arc<Counts>) {
    let c = Store::open(path).unwrap().into_connection();
    let counts = register(&c).unwrap();
    (c, counts)
}

type Row = (i64, Option<f64>, String);

fn rows(c: &Connection, condition: &str, params: impl Params) -> Vec<Row> {
    let sql = format!("SELECT utc_ms, value, said FROM sample WHERE {condition}");
    let mut statement = c.prepare(&sql).unwrap();
    let rows = statement.query_map(params, |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?))).unwrap();
    rows.collect::<Result<_, _>>().unwrap()
}

fn plan(c: &Connection, sql: &str) -> String {
    let mut statement = c.prepare(&format!("EXPLAIN QUERY PLAN {sql}")).unwrap();
    let rows = statement.query_map([], |r| r.get::<_, String>(3)).unwrap();
    rows.map(Result::unwrap).collect::<Vec<_>>().join("; ")
}

fn said(reading: Reading) -> &'static str {
    ["value", "not available", "out of range", "reserved"][usize::from(reading.code())]
}

/// A stream of two channels in hundredths.
fn battery(w: &mut Writer) -> ampwake_store::StreamId {
    let centi = Coding::Scaled(Scale { step: 1, offset: 0, decimals: 2 });
    let columns = [(VOLTS, Unit::Volt), (AMPERES, Unit::Ampere)].map(|(address, unit)| StreamColumn {
        channel: w.channel(&address.parse().unwrap(), unit).unwrap(),
        coding: centi,
    });
    w.stream(&columns).unwrap()
}

/// A sample a second for `rows` seconds from 2026-05-01, in blocks of 8192 and a rest in chunks.
fn seconds(path: &Path, rows: i64) -> Writer {
    let mut w = Store::create(path).unwrap();
    w.begin_segment("test");
    let stream = battery(&mut w);
    for i in 0..rows {
        let t = Timestamp::from_millis(START + 1000 * i);
        w.append_row(stream, t, &[5000 + i % 77, -i], &[0, u8::from(i % 100 == 99)]);
        match i {
            _ if i == rows - 100 => w.seal().unwrap(),
            _ if i > rows - 100 && i % 10 == 0 => w.commit().unwrap(),
            _ => {}
        }
    }
    w.commit().unwrap();
    w
}

/// 2026-05-01T00:00:00Z.
const START: i64 = 1_777_593_600_000;

#[test]
fn a_narrow_query_unpacks_only_the_blocks_that_overlap() {
    let case = Case::new();
    let w = seconds(&case.path, 50_000);
    let (c, counts) = open(&case.path);
    let read = |condition: &str| {
        let before = counts.blocks();
        let found = rows(&c, condition, []).len();
        (found, counts.blocks() - before)
    };
    let blocks: i64 = c.query_row("SELECT count(*) FROM block", [], |r| r.get(0)).unwrap();
    assert_eq!(blocks, 7);
    assert_eq!(read("1"), (100_000, 14), "every block for each of its two channels");
    assert_eq!(read(&format!("address = '{VOLTS}'")), (50_000, 7));
    assert_eq!(read("address = 'nothing/n2k/1/x'"), (0, 0));
    assert_eq!(read(&format!("address IN ('{VOLTS}', '{AMPERES}') AND utc_ms < {START} + 5000")), (10, 2));
    assert_eq!(read("address LIKE '%current' AND utc >= '2026-05-01T13:00'"), (3200, 2));
    assert_eq!(read("address GLOB 'can0/*voltage' AND utc < '2026-05-01T00:01'"), (60, 1));
    let at = START + 20_000_000;
    assert_eq!(read(&format!("address = '{AMPERES}' AND utc_ms BETWEEN {at} AND {at} + 2500.5")), (3, 1));
    assert_eq!(read(&format!("address = '{AMPERES}' AND utc_ms = {at}")), (1, 1));
    assert_eq!(read(&format!("address = '{AMPERES}' AND utc_ms > {at} AND utc_ms <= {at} - 1")), (0, 0));
    assert_eq!(read("utc = '2026-05-01T05:33:20.000Z'"), (2, 2));
    assert_eq!(read("utc_ms = NULL"), (0, 0));
    // What is looked up beforehand narrows as a word does.
    let joined = "SELECT count(*) FROM channel JOIN sample USING (address) WHERE channel.unit = 'V'
                  AND utc BETWEEN '2026-05-01T10:00' AND '2026-05-01T10:01'";
    let before = counts.blocks();
    assert_eq!(c.query_row(joined, [], |r| r.get::<_, i64>(0)).unwrap(), 60);
    assert_eq!(counts.blocks() - before, 1);
    // Either of two, without any row twice.
    let either =
        format!("address = '{VOLTS}' AND utc_ms < {START} + 9000 OR address = '{VOLTS}' AND utc_ms < {START} + 4000");
    assert_eq!(rows(&c, &either, []).len(), 9);
    let ids: (i64, i64) =
        c.query_row("SELECT count(*), count(DISTINCT rowid) FROM sample", [], |r| Ok((r.get(0)?, r.get(1)?))).unwrap();
    assert_eq!(ids, (100_000, 100_000));
    drop(w);
}

#[test]
fn a_block_of_which_only_the_summary_was_kept_has_no_rows() {
    let case = Case::new();
    drop(seconds(&case.path, 20_000));
    let (c, _) = open(&case.path);
    let before = rows(&c, "1", []).len();
    rusqlite::Connection::open(&case.path).unwrap().execute("UPDATE block SET data = x'' WHERE id = 1", []).unwrap();
    let after = rows(&c, "1", []).len();
    assert_eq!(before - after, 2 * 8192);
    assert_eq!(rows(&c, "said = 'damaged'", []).len(), 0);
}

#[test]
fn an_order_that_is_given_anyway_is_not_sorted() {
    let case = Case::new();
    seconds(&case.path, 20_000);
    let (c, _) = open(&case.path);
    let sorts = |sql: &str| plan(&c, sql).contains("USE TEMP B-TREE");
    for order in ["utc_ms", "utc", "address, utc_ms", "address DESC, utc"] {
        let sql = format!("SELECT utc FROM sample WHERE address = '{VOLTS}' ORDER BY {order}");
        assert!(!sorts(&sql), "{sql}");
    }
    assert!(!sorts("SELECT address, count(*) FROM sample GROUP BY address"));
    assert!(sorts("SELECT utc FROM sample ORDER BY utc_ms"));
    assert!(sorts("SELECT utc FROM sample ORDER BY address DESC"));
    assert!(sorts(&format!("SELECT utc FROM sample WHERE address IN ('{VOLTS}', '{AMPERES}') ORDER BY utc_ms")));
    let newest = "SELECT utc_ms FROM sample WHERE address = ?1 ORDER BY utc DESC LIMIT 1";
    assert_eq!(c.query_row(newest, [VOLTS], |r| r.get::<_, i64>(0)).unwrap(), START + 19_999_000);
    let shown = plan(&c, &format!("SELECT 1 FROM sample WHERE address = '{VOLTS}' AND utc >= '2026'"));
    assert!(shown.contains("address=") && shown.contains("utc>="), "{shown}");
    // Another collation is SQLite's to judge.
    let shown = plan(&c, "SELECT 1 FROM sample WHERE address = 'A' COLLATE NOCASE");
    assert!(!shown.contains("address="), "{shown}");
    let shouted = VOLTS.to_uppercase();
    assert_eq!(rows(&c, "address = ?1 COLLATE NOCASE", [shouted]).len(), 20_000);
}

#[test]
fn a_sealing_in_the_middle_of_a_query_makes_no_seam() {
    let case = Case::new();
    let mut w = seconds(&case.path, 9000);
    let (c, _) = open(&case.path);
    let mut statement = c.prepare("SELECT utc_ms FROM sample WHERE address = ?1").unwrap();
    let mut found = statement.query([VOLTS]).unwrap();
    assert!(found.next().unwrap().is_some());
    w.seal().unwrap();
    let mut n = 1;
    while found.next().unwrap().is_some() {
        n += 1;
    }
    assert_eq!(n, 9000);
}

#[test]
fn what_is_damaged_is_told_and_the_rest_is_read() {
    let case = Case::new();
    seconds(&case.path, 30_000);
    let c = Connection::open(&case.path).unwrap();
    let spoil = |table: &str, id: i64| {
        let mut data: Vec<u8> =
            c.query_row(&format!("SELECT data FROM {table} WHERE id = ?1"), [id], |r| r.get(0)).unwrap();
        data[30] ^= 4;
        c.execute(&format!("UPDATE {table} SET data = ?1 WHERE id = ?2"), (data, id)).unwrap();
    };
    spoil("block", 2);
    spoil("chunk", 3);
    c.execute("UPDATE block SET data = 'no blob at all' WHERE id = 3", []).unwrap();
    let (c, counts) = open(&case.path);
    let damaged: Vec<(String, String)> = c
        .prepare("SELECT address, utc FROM sample WHERE said = 'damaged'")
        .unwrap()
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let times = ["2026-05-01T02:16:32.000Z", "2026-05-01T04:33:04.000Z"];
    assert_eq!(damaged.len(), 6);
    assert_eq!((damaged[0].1.as_str(), damaged[1].1.as_str()), (times[0], times[1]));
    assert_eq!(counts.damaged(), 3);
    let values = rows(&c, "address = ?1 AND said <> 'damaged'", [VOLTS]).len();
    assert_eq!(values, 30_000 - 2 * 8192 - 10);
    // Told within the time that was asked for.
    let inside = rows(&c, "address = ?1 AND utc >= '2026-05-01T03' AND utc < '2026-05-01T03:00:01'", [VOLTS]);
    assert_eq!(inside, [(START + 3 * 3_600_000, None, "damaged".to_owned())]);
}

/// Random rows: times that go back and forth, two segments that overlap after correction, commits and sealings between.
#[derive(Debug, Clone)]
enum Step {
    Row { step_ms: i64, raw: i64, code: u8 },
    Alone { step_ms: i64, value: f64 },
    Commit,
    Seal,
    Segment { offset_ms: i64 },
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        12 => (-3_i64..50, -5000_i64..5000, 0_u8..=3).prop_map(|(step_ms, raw, code)| Step::Row { step_ms, raw, code }),
        6 => (-3_i64..50, any::<f64>()).prop_map(|(step_ms, value)| Step::Alone { step_ms, value }),
        2 => Just(Step::Commit),
        1 => Just(Step::Seal),
        1 => (-500_i64..500).prop_map(|offset_ms| Step::Segment { offset_ms }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// What the store says, the table says, in its order, whatever lies in chunks and whatever in blocks.
    #[test]
    fn rows_are_those_of_the_store(
        steps in prop::collection::vec(step(), 1..200), ends in (-200_i64..3000, 0_i64..2000), sealed: bool,
    ) {
        let case = Case::new();
        let mut w = Store::create(&case.path).unwrap();
        w.begin_segment("first");
        let stream = battery(&mut w);
        let alone = w.channel(&AMPERES.parse().unwrap(), Unit::Ampere).unwrap();
        let mut t = 0;
        for step in &steps {
            match step {
                Step::Row { step_ms, raw, code } => {
                    t += step_ms;
                    w.append_row(stream, Timestamp::from_millis(t), &[*raw, -raw], &[*code, 0]);
                }
                // The same channel, written by itself.
                Step::Alone { step_ms, value } => {
                    t += step_ms;
                    w.append(alone, Timestamp::from_millis(t), Reading::Value(*value));
                }
                Step::Commit => w.commit().unwrap(),
                Step::Seal => w.seal().unwrap(),
                Step::Segment { offset_ms } => {
                    let segment = w.begin_segment("more");
                    w.set_segment_offset(segment, *offset_ms, "a test");
                }
            }
        }
        if sealed { w.seal().unwrap() } else { w.commit().unwrap() }
        let (from, to) = (ends.0, ends.0 + ends.1);
        let store = Store::open(&case.path).unwrap();
        let (c, _) = open(&case.path);
        for channel in store.channels().unwrap() {
            for bounds in [None, Some((from, to))] {
                let at = |t| Some(Timestamp::from_millis(t));
                let (first, last) = bounds.map_or((None, None), |b| (at(b.0), at(b.1)));
                let expected: Vec<Row> = store
                    .read_all(channel.id, first, last)
                    .unwrap()
                    .into_iter()
                    .map(|(t, reading)| (t.millis(), reading.value(), said(reading).to_owned()))
                    .collect();
                let address = channel.address.to_string();
                let found = match bounds {
                    None => rows(&c, "address = ?1", [address]),
                    Some((from, to)) => rows(&c, "address = ?1 AND utc_ms BETWEEN ?2 AND ?3", (address, from, to)),
                };
                prop_assert_eq!(found, expected);
            }
        }
    }
}
