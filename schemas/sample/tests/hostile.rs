//! Databases that were altered to do harm: an error or fewer rows, never a panic and no reading without end.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_sample::register;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;
use rusqlite::Connection;

/// A small database of ours, altered by `sql`, and what counting its samples gives.
fn after(sql: &str) -> Result<i64, String> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let mut w = Store::create(&path).unwrap();
    w.begin_segment("test");
    let channel = w.channel(&"can0/n2k/127508/1/battery_voltage".parse().unwrap(), Unit::Volt).unwrap();
    for i in 0..1000 {
        w.append(channel, Timestamp::from_millis(i * 100), Reading::Value(i as f64));
        match i {
            500 => w.seal().unwrap(),
            _ if i % 100 == 0 => w.commit().unwrap(),
            _ => {}
        }
    }
    w.commit().unwrap();
    drop(w);
    let c = Connection::open(&path).unwrap();
    c.execute_batch(&format!("PRAGMA foreign_keys = OFF; PRAGMA journal_mode = DELETE; {sql}")).unwrap();
    drop(c);
    let c = Connection::open(&path).unwrap();
    register(&c).unwrap();
    // Every column is asked for.
    let sql =
        "SELECT count(*), total(value), max(utc), max(address || unit || said || segment || offset_ms) FROM sample";
    c.query_row(sql, [], |r| r.get(0)).map_err(|e| e.to_string())
}

#[test]
fn an_untouched_one_is_read() {
    assert_eq!(after(""), Ok(1000));
}

#[test]
fn views_in_the_place_of_tables_are_not_read() {
    for table in ["channel", "block", "chunk", "segment", "clock", "stream_column"] {
        for view in
            ["SELECT * FROM sample", "WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT 1 FROM n) SELECT x FROM n"]
        {
            let said = after(&format!(
                "PRAGMA legacy_alter_table = ON; ALTER TABLE {table} RENAME TO kept;
                 CREATE VIEW {table} AS {view};"
            ));
            assert!(said.as_ref().is_err_and(|e| e.contains("was altered")), "{table}: {said:?}");
        }
    }
}

#[test]
fn another_programs_database_and_another_version_are_refused() {
    for (sql, words) in [
        ("PRAGMA application_id = 1", "not one of Ampwake"),
        ("PRAGMA user_version = 1", "earlier version"),
        ("PRAGMA user_version = 99", "of version 99"),
        ("DROP TABLE chunk", "damaged"),
    ] {
        let said = after(sql);
        assert!(said.as_ref().is_err_and(|e| e.contains(words)), "{sql}: {said:?}");
    }
}

#[test]
fn wrong_types_and_wild_numbers_are_errors_or_gaps() {
    for (sql, rows) in [
        ("UPDATE chunk SET data = 5", Some(501)),
        ("UPDATE chunk SET data = zeroblob(100000)", None),
        ("UPDATE chunk SET data = randomblob(3000)", None),
        ("UPDATE chunk SET segment = 'x'", None),
        ("UPDATE block SET data = 5", Some(500)),
        ("UPDATE block SET data = randomblob(3000)", Some(500)),
        ("UPDATE block SET first_ms = 'soon'", None),
        ("UPDATE block SET first_ms = -9223372036854775808, last_ms = 9223372036854775807", Some(1000)),
        ("UPDATE block SET last_ms = first_ms - 1", Some(1000)),
        ("UPDATE block SET id = 9223372036854775807", Some(1000)),
        ("INSERT INTO clock VALUES (1, 1, 9223372036854775807, '')", Some(1000)),
        ("INSERT INTO clock VALUES (1, 1, 'x', '')", None),
        ("UPDATE stream_column SET place = -7", Some(1000)),
        ("UPDATE stream_column SET place = 9223372036854775807", None),
        (
            "UPDATE stream_column SET step = 9223372036854775807, shift = 9223372036854775807, decimals = 255",
            Some(1000),
        ),
        ("UPDATE stream_column SET step = 1, shift = NULL, decimals = 1", None),
        ("UPDATE stream_column SET step = 1, shift = 1, decimals = -1", None),
        ("UPDATE stream_column SET step = 1, shift = 1, decimals = 9999", None),
        ("UPDATE channel SET address = x'FF00FE'", None),
        ("UPDATE channel SET unit = zeroblob(9)", None),
        ("DELETE FROM segment", Some(1000)),
        ("DELETE FROM stream_column", Some(0)),
    ] {
        let said = after(sql);
        if let Some(rows) = rows {
            // One more where it says that something is damaged.
            assert!(said == Ok(rows) || said == Ok(rows + 1), "{sql}: {said:?}");
        }
    }
}
