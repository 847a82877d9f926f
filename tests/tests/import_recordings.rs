//! Whole recordings into a database and back out. The golden recordings were encoded by a library that has no
//! code in common with this project; what they should say stands in the `ABOUT.md` beside each.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_logger::bus::recording::Input;
use ampwake_logger::import::{ImportOptions, ImportReport, import};
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Event, Store};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

fn golden(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("golden/recordings").join(name).join("log.candump.gz")
}

fn unpacked(name: &str) -> String {
    let mut text = String::new();
    let file = std::fs::File::open(golden(name)).unwrap();
    flate2::read::GzDecoder::new(file).read_to_string(&mut text).unwrap();
    text
}

/// A database with recordings in it.
struct Imported {
    dir: tempfile::TempDir,
    store: Store,
    report: ImportReport,
}

fn import_files(inputs: &[Input]) -> Imported {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let mut writer = Store::create(&path).unwrap();
    let report = import(inputs, &ImportOptions::default(), &mut writer, &mut |_| {}).unwrap();
    drop(writer);
    Imported { store: Store::open(path).unwrap(), dir, report }
}

fn import_text(text: &str) -> Imported {
    let file = tempfile::NamedTempFile::new().unwrap();
    file.as_file().write_all(text.as_bytes()).unwrap();
    import_files(&[Input::File(file.path().to_owned())])
}

impl Imported {
    /// The mean of a channel over the minute around `minute` after `start`.
    fn mean(&self, channel: &str, start: &str, minute: i64) -> f64 {
        let address: ChannelAddress = channel.parse().unwrap();
        let id = self.store.find(&address).unwrap().unwrap().id;
        let middle = Timestamp::parse_rfc3339(start).unwrap().millis() + minute * 60_000;
        let at = |ms| Some(Timestamp::from_millis(ms));
        let read = self.store.read_all(id, at(middle - 30_000), at(middle + 30_000)).unwrap();
        let values: Vec<f64> = read.iter().filter_map(|(_, r)| r.value()).collect();
        values.iter().sum::<f64>() / values.len() as f64
    }

    fn events(&self, kind: &str) -> Vec<Event> {
        self.store.events().unwrap().into_iter().filter(|e| e.kind == kind).collect()
    }
}

#[track_caller]
fn close(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} ± {tolerance}");
}

#[test]
fn harbour_evening_says_what_its_description_says() {
    let i = import_files(&[Input::File(golden("harbour-evening"))]);
    assert_eq!((i.report.frames, i.report.segments, i.report.clock_steps), (188_558, 1, 0));
    // Depth of water (128267) is no message of ours.
    assert_eq!(i.report.problems, [("unknown_message".to_owned(), 7200)].into());
    assert_eq!(i.report.first.unwrap().to_string(), "2025-09-12T12:40:00.110Z");
    assert_eq!(i.report.last.unwrap().to_string(), "2025-09-12T17:39:59.982Z");
    // Rows of "every ten minutes (true)": minutes 80, 110 and 290, where nothing changes within a minute.
    let start = "2025-09-12T12:40:00Z";
    for (minute, volts, amperes) in [(80, 26.12, 82.1), (110, 27.21, 82.3), (290, 26.13, -14.7)] {
        close(i.mean("can0/n2k/127508/4/battery_voltage", start, minute), volts, 0.1);
        close(i.mean("can0/n2k/127508/4/battery_current", start, minute), amperes, 1.5);
    }
    // The charger's case at its hottest: 87.1 degC at minute 122, sensor offset +0.4 K.
    let hottest = |address: &str| {
        let id = i.store.find(&address.parse().unwrap()).unwrap().unwrap().id;
        i.store.read_all(id, None, None).unwrap().iter().filter_map(|r| r.1.value()).fold(f64::MIN, f64::max)
    };
    let temperatures = i.store.channels().unwrap();
    let highest = temperatures
        .iter()
        .filter(|c| c.address.message == "130316" && c.address.field == "temperature")
        .map(|c| hottest(&c.address.to_string()))
        .fold(f64::MIN, f64::max);
    close(highest, 87.5, 0.5);
    assert!(temperatures.iter().all(|c| c.address.source.is_none()), "no two devices share an instance");
    assert_eq!(i.events("duplicate_instance"), []);
    assert!(i.store.devices().unwrap().iter().all(|d| d.name.is_some()));
}

#[test]
fn two_on_one_bus_has_its_silent_minutes_and_no_clock_step() {
    let i = import_files(&[Input::File(golden("two-on-one-bus"))]);
    assert_eq!((i.report.frames, i.report.clock_steps), (98_014, 0));
    assert_eq!(i.report.problems, [("unknown_message".to_owned(), 4223)].into());
    let id = i.store.find(&"can0/n2k/127508/7/battery_voltage".parse().unwrap()).unwrap().unwrap().id;
    let times: Vec<Timestamp> = i.store.read_all(id, None, None).unwrap().iter().map(|r| r.0).collect();
    let pauses: Vec<_> = times.windows(2).filter(|w| w[1].seconds_since(w[0]) > 30.0).collect();
    assert_eq!(pauses.len(), 1);
    close(pauses[0][1].seconds_since(pauses[0][0]), 240.0, 3.0);
    assert!(i.store.segments().unwrap().iter().all(|s| s.offset_ms == 0), "the bus confirms the pause");
    close(i.mean("can0/n2k/127508/7/battery_voltage", "2025-03-21T20:05:00Z", 140), 50.39, 0.1);
}

#[test]
fn a_recording_is_imported_once() {
    let path = golden("two-on-one-bus");
    let mut i = import_files(&[Input::File(path.clone()), Input::File(path.clone())]);
    assert_eq!((i.report.frames, i.report.skipped.len()), (98_014, 1));
    let mut writer = Store::create(i.dir.path().join("voyage.db")).unwrap();
    i.report = import(&[Input::File(path)], &ImportOptions::default(), &mut writer, &mut |_| {}).unwrap();
    assert_eq!((i.report.frames, i.report.samples, i.report.skipped.len()), (0, 0, 1));
}

#[test]
fn damage_is_counted_and_what_is_good_is_kept() {
    let text = unpacked("two-on-one-bus");
    let whole: Vec<&str> = text.lines().take(5000).collect();
    let mut lines = whole.clone();
    lines[100] = "(1742587505.1) can0 19F2\u{FFFD}14#";
    lines[2000] = "\0\0\0\0";
    let cut = format!("{}\n{}", lines.join("\n"), "(1742587900.000000) can0 19F21414#00FB");
    let i = import_text(&cut);
    assert_eq!(i.report.frames, 4998);
    assert_eq!((i.report.problems["damaged_line"], i.report.problems["cut_last_line"]), (2, 1));
    let event = &i.events("damaged_recording")[0];
    assert!(event.text.contains("line 101 `(1742587505.1) can0 19F2\\xef\\xbf\\xbd14#`"), "{}", event.text);
    assert_eq!(i.store.problems().unwrap()["damaged_line"], 2);
}

#[test]
fn a_clock_that_runs_backwards_in_the_middle_is_corrected_by_the_bus() {
    // The recorder was an hour fast and was set right in the middle.
    let text = unpacked("two-on-one-bus");
    let mut lines: Vec<String> = text.lines().take(20_000).map(str::to_owned).collect();
    for line in &mut lines[..10_000] {
        let (seconds, rest) = line[1..].split_once('.').unwrap();
        *line = format!("({}.{rest}", seconds.parse::<i64>().unwrap() + 3600);
    }
    let i = import_text(&lines.join("\n"));
    assert_eq!((i.report.clock_steps, i.report.segments), (1, 2));
    let offsets: Vec<i64> = i.store.segments().unwrap().iter().map(|s| s.offset_ms).collect();
    close(offsets[0] as f64, -3_600_000.0, 1500.0);
    assert_eq!(offsets[1], 0);
    let details: serde_json::Value = serde_json::from_str(&i.events("clock_step")[0].details).unwrap();
    close(details["step_s"].as_f64().unwrap(), -3600.0, 1.5);
    let whole = import_text(&text.lines().take(20_000).collect::<Vec<_>>().join("\n"));
    close(i.report.last.unwrap().seconds_since(whole.report.last.unwrap()), 0.0, 0.001);
    close(i.report.first.unwrap().seconds_since(whole.report.first.unwrap()), 0.0, 1.5);
}

#[test]
fn a_recording_from_the_screen_with_times_since_its_start() {
    let text = unpacked("two-on-one-bus");
    let screen: String = text
        .lines()
        .take(20_000)
        .map(|line| {
            let (time, rest) = line[1..].split_once(") can0 ").unwrap();
            let (id, data) = rest.split_once('#').unwrap();
            let bytes: Vec<&str> = (0..data.len() / 2).map(|i| &data[2 * i..2 * i + 2]).collect();
            let (seconds, micros) = time.split_once('.').unwrap();
            let since = seconds.parse::<i64>().unwrap() - 1_742_587_500;
            format!(" ({since:03}.{micros})  can0  {id}   [{}]  {}\n", bytes.len(), bytes.join(" "))
        })
        .collect();
    let i = import_text(&screen);
    assert_eq!((i.report.frames, i.report.clock_steps), (20_000, 0));
    let first = i.report.first.unwrap();
    close(first.seconds_since(Timestamp::parse_rfc3339("2025-03-21T20:05:00.110Z").unwrap()), 0.0, 1.5);

    // Without anybody who tells the time it stays in 1970, and says so.
    let mute: String = screen.lines().filter(|l| !l.contains("F010")).map(|l| format!("{l}\n")).collect();
    let i = import_text(&mute);
    assert_eq!(i.report.first.unwrap().micros(), 110_000);
    assert_eq!(i.events("time_of_day_unknown").len(), 1);
}

#[test]
fn what_is_no_recording_is_refused_before_anything_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let rubbish = dir.path().join("photo.jpg");
    std::fs::write(&rubbish, [0xFF, 0xD8, 0, 0x10].repeat(50_000)).unwrap();
    let path = dir.path().join("voyage.db");
    let mut writer = Store::create(&path).unwrap();
    let inputs = [Input::File(golden("two-on-one-bus")), Input::File(rubbish)];
    let error = import(&inputs, &ImportOptions::default(), &mut writer, &mut |_| {}).unwrap_err().to_string();
    assert!(error.contains("photo.jpg") && error.contains("candump"), "{error}");
    assert_eq!(writer.segments().unwrap(), []);
}

#[test]
fn progress_is_told_and_reaches_the_end() {
    let dir = tempfile::tempdir().unwrap();
    let mut writer = Store::create(dir.path().join("voyage.db")).unwrap();
    let mut seen = Vec::new();
    let inputs = [Input::File(golden("two-on-one-bus"))];
    import(&inputs, &ImportOptions::default(), &mut writer, &mut |p| seen.push((p.frames, p.fraction.unwrap())))
        .unwrap();
    assert!(seen.len() >= 4 && seen.windows(2).all(|w| w[0] < w[1]), "{seen:?}");
    assert!(seen[seen.len() - 1].1 > 0.7);
}
