//! Recordings of NMEA 0183 sentences, in every form in which their times are written, and in none.
//!
//! The sentences were written by a library that shares no code with this project
//! (`golden/sentences/ABOUT.md`).

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::commands::{Cli, Streams, run};
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;
use ampwake_tests::{file, small_bank};
use clap::Parser;
use std::io::Read;
use std::path::{Path, PathBuf};

const FORMS: [&str; 5] = ["seconds", "candump", "dates", "tags", "bare"];

fn golden(form: &str) -> PathBuf {
    file(&format!("golden/sentences/{form}.log.gz"))
}

fn text(form: &str) -> String {
    let mut text = String::new();
    flate2::read::GzDecoder::new(std::fs::File::open(golden(form)).unwrap()).read_to_string(&mut text).unwrap();
    text
}

/// `ampwake import`, with what it said.
fn import(log: &Path, db: &Path, more: &[&str]) -> (u8, String) {
    let words = ["ampwake", "import", log.to_str().unwrap(), "--db", db.to_str().unwrap()];
    let cli = Cli::try_parse_from(words.iter().chain(more)).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false });
    (status, String::from_utf8([out, err].concat()).unwrap())
}

#[test]
fn every_form_says_what_went_in() {
    let expected: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(file("golden/sentences/expected.json")).unwrap()).unwrap();
    let start = Timestamp::parse_rfc3339(expected["start"].as_str().unwrap()).unwrap().millis();
    for form in FORMS {
        let folder = tempfile::tempdir().unwrap();
        let db = folder.path().join("voyage.db");
        let (status, said) = import(&golden(form), &db, &["--bus", "aft=nmea0183"]);
        assert_eq!(status, 0, "{form}: {said}");
        assert!(said.contains("sentence unknown: 240"), "{form}: {said}");
        assert_eq!(said.contains("its own sentences tell"), form == "bare", "{form}: {said}");
        let store = Store::open(&db).unwrap();
        let channels = expected["channels"].as_object().unwrap();
        assert_eq!(channels.len(), 13);
        for (channel, values) in channels {
            let id = store.find(&format!("aft/nmea0183/{channel}").parse().unwrap()).unwrap().unwrap().id;
            let read = store.read_all(id, None, None).unwrap();
            assert_eq!(read.len(), 240, "{form} {channel}");
            for (k, row) in values.as_array().unwrap().iter().enumerate() {
                let [second, delay, value] = [0, 1, 2].map(|i| row[i].as_f64().unwrap());
                // A TAG block of whole seconds and a receiver's second say no parts of it.
                let delay = if matches!(form, "tags" | "bare") { 0.0 } else { delay };
                let (time, reading) = read[k * 40];
                assert_eq!(time.millis(), start + ((second + delay) * 1000.0).round() as i64, "{form} {channel}");
                assert!((reading.value().unwrap() - value).abs() < 1e-9, "{form} {channel} {reading:?} {value}");
            }
        }
        let segments = store.segments().unwrap();
        assert!(segments.len() == 1 && segments[0].offset_ms == 0, "{form}: {segments:?}");
        assert_eq!(store.events().unwrap().iter().any(|e| e.kind == "times_told"), form == "bare");
    }
}

#[test]
fn damage_costs_what_is_damaged() {
    let whole = text("dates");
    let lines: Vec<&str> = whole.lines().collect();
    let mut damaged = lines.clone();
    let (cut, twice) = (&lines[1004][..40], format!("{}{}", &lines[1014][..45], lines[1015]));
    let wrong = lines[1022].replace("XDR", "XDS");
    let bare = lines[1034].rsplit_once('*').unwrap().0;
    (damaged[1004], damaged[1014], damaged[1022], damaged[1034]) = (cut, &twice, &wrong, bare);
    damaged[1044] = "no carrier";
    let folder = tempfile::tempdir().unwrap();
    let (log, db) = (folder.path().join("aft.log"), folder.path().join("voyage.db"));
    std::fs::write(&log, damaged.join("\n")).unwrap();
    let (status, said) = import(&log, &db, &[]);
    assert_eq!(status, 0, "{said}");
    for problem in [
        "damaged line: 1\n",
        "sentence checksum: 1\n",
        "sentence cut: 1\n",
        "sentence without checksum: 2\n",
        "sentence unknown: 240\n",
    ] {
        assert!(said.contains(problem), "{problem}{said}");
    }
    // Nobody named the line.
    let store = Store::open(&db).unwrap();
    assert!(store.channels().unwrap().iter().all(|c| c.address.bus == "serial"));
    let event = store.events().unwrap().into_iter().find(|e| e.kind == "damaged_recording").unwrap();
    assert!(event.text.contains("line 1045 `no carrier`"), "{}", event.text);
}

#[test]
fn a_receiver_that_loses_its_satellites_stops_the_clock() {
    let mut lines: Vec<String> = text("bare").lines().map(str::to_owned).collect();
    for second in 60..120 {
        // Some receivers send empty fields, others say that they are not valid; what they cannot know they leave out.
        lines[second * 10] = "$GPZDA,,,,,,*48".to_owned();
        lines[second * 10 + 1] = "$GPRMC,,V,,,,,,,,,,N*53".to_owned();
    }
    let folder = tempfile::tempdir().unwrap();
    let (log, db) = (folder.path().join("aft.log"), folder.path().join("voyage.db"));
    std::fs::write(&log, lines.join("\n")).unwrap();
    let (status, said) = import(&log, &db, &["--bus", "aft=nmea0183"]);
    assert!(status == 0 && said.contains("sentence without time: 540\n"), "{said}");
    let store = Store::open(&db).unwrap();
    let volts = store.find(&"aft/nmea0183/xdr/bank/voltage".parse().unwrap()).unwrap().unwrap();
    let times: Vec<i64> = store.read_all(volts.id, None, None).unwrap().iter().map(|r| r.0.millis() / 1000).collect();
    assert_eq!(times.len(), 180);
    let pauses: Vec<i64> = times.windows(2).map(|w| w[1] - w[0]).filter(|s| *s != 1).collect();
    assert_eq!(pauses, [61]);
}

#[test]
fn recordings_of_one_line_each_are_told_apart_by_the_user() {
    let folder = tempfile::tempdir().unwrap();
    let db = folder.path().join("voyage.db");
    let (status, said) = import(&golden("bare"), &db, &["--bus", "aft=nmea0183", "--bus", "fore=nmea0183"]);
    assert!(status == 2 && said.contains("aft and fore"), "{said}");
    assert_eq!(import(&golden("bare"), &db, &["--bus", "aft=nmea0183"]).0, 0);
    assert_eq!(import(&golden("seconds"), &db, &["--bus", "fore=nmea0183"]).0, 0);
    let buses: std::collections::BTreeSet<String> =
        Store::open(&db).unwrap().channels().unwrap().into_iter().map(|c| c.address.bus).collect();
    assert!(buses.iter().eq(["aft", "fore"]), "{buses:?}");
}

const ALTERNATOR: &str = r#"
[[source]]
name = "alternator"
kind = "alternator"
rated_a = 100
engine_speed = "aft/nmea0183/rpm/engine_1/speed"
"#;

#[test]
fn an_analysis_takes_the_line_s_name_from_the_intent_and_says_whose_times_they_are() {
    let folder = tempfile::tempdir().unwrap();
    let (intent, json) = (folder.path().join("vessel.toml"), folder.path().join("findings.json"));
    let (volts, amps) = ("aft/nmea0183/xdr/bank/voltage", "aft/nmea0183/xdr/bank/current");
    std::fs::write(&intent, small_bank(volts, amps, ALTERNATOR)).unwrap();
    for form in FORMS.iter().filter(|form| !matches!(**form, "candump" | "tags")) {
        let words = ["ampwake", "analyze", "--log"].map(PathBuf::from);
        let more = [golden(form), "--intent".into(), intent.clone(), "--json".into(), json.clone()];
        let cli = Cli::try_parse_from(words.into_iter().chain(more)).unwrap();
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false });
        assert_eq!(status, 0, "{form}: {}", String::from_utf8_lossy(&err));
        let said: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(&json).unwrap()).unwrap();
        assert_eq!(said["data_quality"]["signals"][0]["samples"], 240, "{form}");
        let notes = said["data_quality"]["notes"].to_string();
        assert_eq!(notes.contains("its own sentences tell"), *form == "bare", "{form}: {notes}");
    }
}
