//! `ampwake sql` as it is called: what it shows, what it refuses, and that nothing it is asked leaves a trace.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::commands::{Cli, Streams, run};
use clap::Parser;
use std::collections::BTreeMap;

struct Case {
    folder: tempfile::TempDir,
}

impl Case {
    /// A database of ten battery messages, one a second from 2025-09-12T12:40:00.110Z (NMEA 2000 127508; 53.28 V, 20.5 A,
    /// no temperature), the last without a current.
    fn new() -> Self {
        let case = Self { folder: tempfile::tempdir().unwrap() };
        let lines: Vec<String> = (0..10)
            .map(|i| {
                format!(
                    "({}.110000) can0 19F21423#00D014{}FFFFFF\n",
                    1_757_680_800 + i,
                    if i < 9 { "CD00" } else { "FF7F" }
                )
            })
            .collect();
        std::fs::write(case.at("trip.log"), lines.concat()).unwrap();
        let (status, _, err) = command(&["import", &case.at("trip.log"), "--db", &case.at("trip.db")]);
        assert_eq!(status, 0, "{err}");
        case
    }

    fn at(&self, name: &str) -> String {
        self.folder.path().join(name).to_str().unwrap().to_owned()
    }

    fn sql(&self, query: &str, more: &[&str]) -> (u8, String, String) {
        command(&[&["sql", &self.at("trip.db"), query], more].concat())
    }

    /// Every file with its bytes, but for the empty log and its index that SQLite keeps beside a database that is read.
    fn files(&self) -> BTreeMap<String, Vec<u8>> {
        let entries = std::fs::read_dir(self.folder.path()).unwrap().map(|e| e.unwrap());
        let files = entries.map(|e| (e.file_name().into_string().unwrap(), std::fs::read(e.path()).unwrap()));
        files.filter(|(name, bytes)| !(name.ends_with("-shm") || name.ends_with("-wal") && bytes.is_empty())).collect()
    }
}

fn command(arguments: &[&str]) -> (u8, String, String) {
    let cli = Cli::try_parse_from([&["ampwake"], arguments].concat()).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false });
    (status, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

const LAST_TWO: &str = "SELECT address, utc, value, unit, said FROM sample
     WHERE address LIKE '%/battery_current' AND utc >= '2025-09-12T12:40:08' ORDER BY utc";

#[test]
fn samples_come_as_rows_for_programs_and_for_people() {
    let case = Case::new();
    assert_eq!(
        case.sql(LAST_TWO, &[]),
        (
            0,
            "address\tutc\tvalue\tunit\tsaid\n\
             can0/n2k/127508/0/battery_current\t2025-09-12T12:40:08.110Z\t20.5\tA\tvalue\n\
             can0/n2k/127508/0/battery_current\t2025-09-12T12:40:09.110Z\t\tA\tnot available\n"
                .to_owned(),
            String::new()
        )
    );
    assert_eq!(
        case.sql(LAST_TWO, &["--table"]).1,
        "address                            utc                       value  unit  said\n\
         can0/n2k/127508/0/battery_current  2025-09-12T12:40:08.110Z   20.5  A     value\n\
         can0/n2k/127508/0/battery_current  2025-09-12T12:40:09.110Z         A     not available\n"
    );
    let (status, json, _) = case.sql(LAST_TWO, &["--json"]);
    let rows: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!((status, rows[0]["value"].as_f64(), rows[1]["value"].is_null()), (0, Some(20.5), true));
    // Samples beside the ordinary tables; and several statements, one after the other.
    let query = "SELECT count(*) AS n FROM sample JOIN channel USING (address) WHERE channel.unit = 'V';
                 SELECT address FROM minute_utc WHERE unit = 'V'";
    assert_eq!(case.sql(query, &[]).1, "n\n10\n\naddress\ncan0/n2k/127508/0/battery_voltage\n");
    let (status, _, err) = case.sql(query, &["--json"]);
    assert!(status == 2 && err.contains("--json"), "{err}");
}

#[test]
fn what_would_write_is_refused_and_leaves_nothing() {
    let case = Case::new();
    let before = case.files();
    let new = |name: &str| case.at(name);
    for query in [
        "INSERT INTO meta VALUES ('a', 'b')",
        "DELETE FROM block",
        "UPDATE sample SET value = 0",
        "INSERT INTO sample DEFAULT VALUES",
        "DROP TABLE chunk",
        "CREATE TEMP TABLE mine (a)",
        "CREATE VIEW mine AS SELECT 1",
        "PRAGMA user_version = 7",
        "PRAGMA journal_mode = DELETE",
        "PRAGMA query_only = 0; DELETE FROM block",
        "PRAGMA writable_schema = 1; DELETE FROM sqlite_schema",
        "PRAGMA wal_checkpoint(TRUNCATE)",
        "VACUUM",
        "REINDEX",
        &format!("VACUUM INTO '{}'", new("copy.db")),
        &format!("ATTACH '{}' AS new", new("new.db")),
        &format!("ATTACH 'file:{}?mode=rwc' AS new", new("new.db")),
        &format!("SELECT load_extension('{}')", new("nothing")),
        "SELECT 1; BEGIN IMMEDIATE; DELETE FROM block; COMMIT",
    ] {
        let (status, out, err) = case.sql(query, &[]);
        assert!(status == 2 && err.contains("trip.db: "), "{query}: {status} {out} {err}");
    }
    let after = case.files();
    assert!(after.keys().eq(before.keys()), "{:?}", after.keys());
    // Not compared by `assert_eq!`, which would print every byte.
    assert!(after == before, "bytes were changed");
}

#[test]
fn what_cannot_be_answered_is_an_error_in_words() {
    let case = Case::new();
    for (query, words) in [
        ("SELECT volts FROM sample", "no such column: volts"),
        ("SELEKT 1", "syntax error"),
        (" -- nothing", "there is no query"),
        ("SELECT count(*) FROM sample; SELECT", "incomplete input"),
    ] {
        let (status, _, err) = case.sql(query, &[]);
        assert!(status == 2 && err.contains(words), "{query}: {err}");
    }
    let (status, _, err) = command(&["sql", &case.at("trip.log"), "SELECT 1"]);
    assert!(status == 2 && err.contains("no SQLite database"), "{err}");
    let (status, _, err) = command(&["sql", &case.at("none.db"), "SELECT 1"]);
    assert!(status == 2 && err.contains("there is no such database"), "{err}");
}

#[test]
fn a_damaged_block_is_told_and_the_rest_is_shown() {
    let case = Case::new();
    // One byte of the one block, as a failing card leaves it.
    let query = "SELECT lower(hex(data)) AS data FROM block LIMIT 1";
    let (_, found, _) = case.sql(query, &[]);
    let data: Vec<u8> = found.lines().nth(1).unwrap().as_bytes().chunks(2).map(hex).collect();
    let path = case.at("trip.db");
    let mut file = std::fs::read(&path).unwrap();
    let place = file.windows(data.len()).position(|part| part == data).unwrap();
    file[place + data.len() / 2] ^= 0x10;
    std::fs::write(&path, file).unwrap();
    let (status, out, err) = case.sql("SELECT said, count(*) AS n FROM sample GROUP BY said", &[]);
    assert_eq!(status, 0, "{err}");
    assert!(out.contains("damaged\t") && err.contains("1 blocks of samples are damaged"), "{out}{err}");
}

fn hex(two: &[u8]) -> u8 {
    u8::from_str_radix(std::str::from_utf8(two).unwrap(), 16).unwrap()
}
