//! `ampwake export` as it is called: every sample once and exactly, in files that are whole, in a folder that is ours.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::commands::{Cli, Streams, run};
use ampwake_schemas::sample::Reading;
use ampwake_store::{Store, Writer};
use ampwake_tests::patchwork::{BEGIN_MS, CHANNELS, LONG_AGO_MS, patchwork};
use clap::Parser;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::statistics::Statistics;
use parquet::record::RowAccessor;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Channel, unit, time in ms UTC, value, why there is none.
type Sample = (String, String, i64, Option<f64>, Option<String>);

/// A database and room beside it.
struct Case {
    folder: tempfile::TempDir,
    _writer: Writer,
}

/// Status, standard output, standard error.
type Said = (u8, String, String);

impl Case {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let writer = patchwork(&folder.path().join("trip 1.db")).unwrap();
        Self { folder, _writer: writer }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// `ampwake export DB …`; what begins with `out` is a folder of the case.
    fn export(&self, arguments: &[&str]) -> Said {
        let database = self.at("trip 1.db").to_str().unwrap().to_owned();
        let here = |a: &&str| if a.starts_with("out") { self.at(a).to_str().unwrap().into() } else { (*a).to_owned() };
        let whole = ["ampwake".to_owned(), "export".to_owned(), database];
        let cli = Cli::try_parse_from(whole.into_iter().chain(arguments.iter().map(here))).unwrap();
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false });
        (status, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
    }

    /// What its files are called, but for their ends.
    fn name(&self) -> String {
        format!("trip%201-{}", Store::open(self.at("trip 1.db")).unwrap().identity().unwrap())
    }

    /// What the database holds, by day, in the order of channel and time.
    fn samples(&self) -> BTreeMap<String, Vec<Sample>> {
        let store = Store::open(self.at("trip 1.db")).unwrap();
        let mut days: BTreeMap<String, Vec<Sample>> = BTreeMap::new();
        for channel in store.channels().unwrap() {
            for (time, reading) in store.read_all(channel.id, None, None).unwrap() {
                let status = match reading {
                    Reading::Value(_) => None,
                    Reading::NotAvailable => Some("not available"),
                    Reading::OutOfRange => Some("out of range"),
                    Reading::Reserved => Some("reserved"),
                };
                let names = (channel.address.to_string(), channel.unit.to_string());
                let sample = (names.0, names.1, time.millis(), reading.value(), status.map(str::to_owned));
                days.entry(time.to_string()[..10].to_owned()).or_default().push(sample);
            }
        }
        days
    }
}

/// Every file below a folder, by its path within it.
fn files(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(root).unwrap().to_str().unwrap().to_owned();
                found.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    found
}

fn from_csv(bytes: &[u8]) -> Vec<Sample> {
    let text = std::str::from_utf8(bytes).unwrap();
    let mut lines = text.strip_suffix("\r\n").unwrap().split("\r\n");
    assert_eq!(lines.next(), Some("channel,unit,time,value,status"));
    let sample = |line: &str| {
        let [channel, unit, time, value, status] = line.split(',').collect::<Vec<_>>().try_into().unwrap();
        let time = ampwake_schemas::time::Timestamp::parse_rfc3339(time).unwrap().millis();
        let value = (!value.is_empty()).then(|| value.parse().unwrap());
        (channel.to_owned(), unit.to_owned(), time, value, (!status.is_empty()).then(|| status.to_owned()))
    };
    lines.map(sample).collect()
}

fn from_parquet(path: &Path) -> Vec<Sample> {
    let reader = SerializedFileReader::new(fs::File::open(path).unwrap()).unwrap();
    let sample = |row: parquet::record::Row| {
        let text = |at: usize| row.get_string(at).unwrap().clone();
        let (value, status) = (row.get_double(3).ok(), row.get_string(4).ok().cloned());
        (text(0), text(1), row.get_timestamp_millis(2).unwrap(), value, status)
    };
    reader.get_row_iter(None).unwrap().map(|row| sample(row.unwrap())).collect()
}

/// Zero has two signs, and both are kept.
fn bits(samples: &[Sample]) -> Vec<Option<u64>> {
    samples.iter().map(|s| s.3.map(f64::to_bits)).collect()
}

#[test]
fn every_sample_is_written_once_and_exactly() {
    let case = Case::new();
    let expected = case.samples();
    assert_eq!(expected.keys().collect::<Vec<_>>(), ["2019-03-04", "2025-09-12", "2025-09-13"]);
    for kind in ["csv", "parquet"] {
        let (status, out, err) = case.export(&[&format!("--{kind}"), &format!("out-{kind}"), "--vessel", "Anna"]);
        assert_eq!((status, err.as_str()), (0, ""), "{out}");
        assert!(out.contains("of 4 channels, 2019-03-04 to 2025-09-13\n3 file(s), "), "{out}");
        let root = case.at(&format!("out-{kind}"));
        let files = files(&root);
        let names: Vec<String> =
            expected.keys().map(|day| format!("vessel=Anna/day={day}/{}.{kind}", case.name())).collect();
        assert_eq!(files.keys().cloned().collect::<Vec<_>>(), names);
        for ((name, bytes), expected) in files.iter().zip(expected.values()) {
            let read = if kind == "csv" { from_csv(bytes) } else { from_parquet(&root.join(name)) };
            assert_eq!((read.len(), bits(&read)), (expected.len(), bits(expected)));
            assert!(read == *expected);
        }
    }
}

#[test]
fn row_groups_tell_channels_and_times_apart() {
    let case = Case::new();
    assert_eq!(case.export(&["--parquet", "out"]).0, 0);
    let file = fs::File::open(case.at(&format!("out/vessel=unnamed/day=2025-09-13/{}.parquet", case.name()))).unwrap();
    let reader = SerializedFileReader::new(file).unwrap();
    let text = |b: &[u8]| String::from_utf8(b.to_vec()).unwrap();
    let mut before = String::new();
    for group in reader.metadata().row_groups() {
        let Some(Statistics::ByteArray(channel)) = group.column(0).statistics() else { panic!("no channels") };
        let Some(Statistics::Int64(time)) = group.column(2).statistics() else { panic!("no times") };
        let ends = [channel.min_bytes_opt(), channel.max_bytes_opt()].map(|b| text(b.unwrap()));
        assert!(before <= ends[0] && ends[0] <= ends[1] && time.min_opt() <= time.max_opt());
        before.clone_from(&ends[1]);
        let sorted: Vec<i32> = group.sorting_columns().unwrap().iter().map(|c| c.column_idx).collect();
        assert_eq!(sorted, [0, 2]);
    }
}

#[test]
fn times_and_patterns_choose() {
    let case = Case::new();
    let whole: Vec<Sample> = case.samples().into_values().flatten().collect();
    // Both ends belong to it: a sample lies on each.
    let bounds = ["--from", "2025-09-12T23:59:59.730Z", "--to", "2025-09-13T00:00:00.396Z"];
    let inside = |s: &&Sample| (BEGIN_MS + 3_599_730..=BEGIN_MS + 3_600_396).contains(&s.2);
    let patterns = ["--channel", "can0/*_voltage", "--channel", "rs485/modbus/?/*"];
    let fits = |s: &&Sample| [CHANNELS[2].0, CHANNELS[3].0].contains(&s.0.as_str());
    let expected: Vec<Sample> = whole.iter().filter(inside).filter(fits).cloned().collect();
    assert!(expected.len() == 5 && expected.iter().any(|s| s.2 == BEGIN_MS + 3_599_730), "{expected:?}");
    let (status, ..) = case.export(&[&["--csv", "out"][..], &bounds, &patterns].concat());
    let mut read: Vec<Sample> = files(&case.at("out")).into_values().flat_map(|b| from_csv(&b)).collect();
    read.sort_by_key(|s| (s.2 / 86_400_000, s.0.clone()));
    assert_eq!((status, read), (0, expected));

    let (status, _, err) = case.export(&["--csv", "out", "--channel", "*volts"]);
    assert!(status == 2 && err.contains("none of the 4 channels fits *volts"), "{err}");
    let (status, _, err) = case.export(&["--csv", "out2", "--to", "2001-01-01T00:00:00Z"]);
    assert!(status == 2 && err.contains("between --from and --to"), "{err}");
    assert!(!case.at("out2").exists(), "nothing to export leaves no folder");
}

#[test]
fn again_gives_the_same_files_and_leaves_the_other_days() {
    let case = Case::new();
    for kind in ["--csv", "--parquet"] {
        let root = format!("out{kind}");
        assert_eq!(case.export(&[kind, &root]).0, 0);
        let first = files(&case.at(&root));
        fs::write(case.at(&root).join(".ampwake-x.tmp"), "what a killed export left").unwrap();
        assert_eq!(case.export(&[kind, &root]).0, 0);
        assert!(first == files(&case.at(&root)));
        assert_eq!(case.export(&[kind, &root, "--from", "2025-09-13T00:00:00Z"]).0, 0);
        assert!(first == files(&case.at(&root)));
        assert_eq!(case.export(&[kind, &root, "--to", "2019-12-31T00:00:00Z", "--vessel", "Bertha"]).0, 0);
        let new: Vec<String> = files(&case.at(&root)).into_keys().filter(|name| !first.contains_key(name)).collect();
        assert!(new.len() == 1 && new[0].starts_with("vessel=Bertha/day=2019-03-04/"), "{new:?}");
    }
}

#[test]
fn a_folder_with_anything_else_is_refused_and_left_alone() {
    let case = Case::new();
    assert_eq!(case.export(&["--csv", "out"]).0, 0);
    let (status, _, err) = case.export(&["--parquet", "out"]);
    assert!(
        status == 2 && err.contains(&format!("{}.csv", case.name())) && err.contains("a new or empty folder"),
        "{err}"
    );
    fs::create_dir(case.at("out-letters")).unwrap();
    fs::write(case.at("out-letters").join("letter.txt"), "dear").unwrap();
    let (status, _, err) = case.export(&["--csv", "out-letters"]);
    assert!(status == 2 && err.contains("letter.txt"), "{err}");
    assert_eq!(files(&case.at("out-letters")).len(), 1);
    let (status, _, err) = case.export(&["--csv", "out-letters/letter.txt"]);
    assert!(status == 1 && err.contains("letter.txt"), "{err}");
}

#[test]
fn the_vessel_is_named_by_the_intent_or_by_hand() {
    let case = Case::new();
    let intent = case.at("vessel.toml");
    let text = ampwake_tests::small_bank(CHANNELS[2].0, CHANNELS[1].0, "");
    fs::write(&intent, text.replace("\"Test\"", "\"../Marsh Harrier\"")).unwrap();
    let intent = intent.to_str().unwrap();
    let (status, out, _) = case.export(&["--parquet", "out", "--intent", intent, "--json"]);
    let said: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!((status, &said["vessel"], &said["format"]), (0, &"../Marsh Harrier".into(), &"parquet".into()));
    let paths: BTreeSet<String> =
        said["files"].as_array().unwrap().iter().map(|f| f["path"].as_str().unwrap().to_owned()).collect();
    assert_eq!(paths, files(&case.at("out")).into_keys().collect());
    assert!(paths.iter().all(|p| p.starts_with("vessel=%2E%2E%2FMarsh%20Harrier/")), "{paths:?}");
    let whole: Vec<Sample> = case.samples().into_values().flatten().collect();
    let missing = whole.iter().filter(|s| s.3.is_none()).count();
    assert_eq!((&said["samples"], &said["missing"]), (&whole.len().into(), &missing.into()));
    assert_eq!(said["files"][0]["day"], "2019-03-04");
    assert_eq!(whole.iter().map(|s| s.2).min(), Some(LONG_AGO_MS));

    let (status, _, err) = case.export(&["--csv", "out-nobody", "--vessel", ""]);
    assert!(status == 2 && err.contains("--vessel"), "{err}");
    assert!(!case.at("out-nobody").exists());
}
