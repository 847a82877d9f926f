//! What we write, read by programs that share no code with us: the database by Python's own SQLite and PyPI `pcodec`,
//! from the written format alone; an export by DuckDB and Polars. Skipped, with the reason, where Python or a package is
//! missing; an interpreter that `AMPWAKE_PYTHON` names must have them.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::export::{Format, Options, export};
use ampwake_logger::bus::recording::Input;
use ampwake_logger::import::{ImportOptions, import};
use ampwake_schemas::sample::Reading;
use ampwake_store::Store;
use ampwake_tests::{file, patchwork, python};
use std::path::Path;

/// A golden recording as a database.
fn imported(path: &Path, recording: &str) -> Store {
    let inputs = [Input::File(file("golden/recordings").join(recording).join("log.candump.gz"))];
    let mut writer = Store::create(path).unwrap();
    import(&inputs, &ImportOptions::default(), &mut writer, &mut |_| {}).unwrap();
    drop(writer);
    Store::open(path).unwrap()
}

/// Both databases of these tests, one after the other.
fn each(mut test: impl FnMut(&Store, &Path)) {
    let folder = tempfile::tempdir().unwrap();
    let golden = imported(&folder.path().join("golden.db"), "two-on-one-bus");
    test(&golden, folder.path());
    let path = folder.path().join("patchwork.db");
    let writer = patchwork::patchwork(&path).unwrap();
    test(&Store::open(&path).unwrap(), folder.path());
    drop(writer);
}

/// What `readers/blocks.py` is to write.
fn as_blocks_py_writes(store: &Store) -> String {
    let mut out = String::new();
    for channel in store.channels().unwrap() {
        let samples = store.read_all(channel.id, None, None).unwrap();
        out.push_str(&format!("channel {} {} {}\n", channel.address, channel.unit, samples.len()));
        for (time, reading) in samples {
            let bits = match reading {
                Reading::Value(v) => format!("{:016x}", v.to_bits()),
                _ => "-".to_owned(),
            };
            out.push_str(&format!("{} {} {bits}\n", time.millis(), reading.code()));
        }
    }
    out
}

#[test]
fn a_database_is_read_from_the_written_format_alone() {
    each(|store, _| {
        let Some(said) = python::run("readers/blocks.py", "pcodec.standalone", &[store.path()]) else { return };
        let ours = as_blocks_py_writes(store);
        assert!(ours.lines().count() > 10_000);
        let differs = said.lines().zip(ours.lines()).position(|(a, b)| a != b);
        let at = |text: &str| text.lines().nth(differs.unwrap_or_default()).map(str::to_owned);
        assert!(said == ours, "line {differs:?}: {:?} and here {:?}", at(&said), at(&ours));
    });
}

#[test]
fn the_test_vectors_of_the_page_are_read_and_guarded() {
    let arguments = [Path::new("--vectors"), &file("../schemas/blocks/FORMAT.md")];
    let Some(said) = python::run("readers/blocks.py", "pcodec.standalone", &arguments) else { return };
    assert_eq!(
        said,
        "[] []\n[1000, 2000] [[5320, 1]]\n[1000, 2000, 3001, 3999, 5000] [[5320, 5321, 5327, 5320, 5322]]\n"
    );
}

/// What `readers/tables.py` is to say of a channel, but for the engine.
struct Figures {
    /// Vessel, channel, unit.
    names: [String; 3],
    /// Samples, those with a value, first and last time (ms), those that are not available.
    counts: [i64; 5],
    /// Least, most, mean.
    values: Option<[f64; 3]>,
}

fn ours(store: &Store, vessel: &str) -> Vec<Figures> {
    let channels = store.channels().unwrap();
    let with_samples = channels.iter().filter(|c| c.samples > 0).map(|channel| {
        let samples = store.read_all(channel.id, None, None).unwrap();
        let values: Vec<f64> = samples.iter().filter_map(|s| s.1.value()).collect();
        let absent = samples.iter().filter(|s| s.1 == Reading::NotAvailable).count();
        let ends = [samples[0].0.millis(), samples[samples.len() - 1].0.millis()];
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        Figures {
            names: [vessel.to_owned(), channel.address.to_string(), channel.unit.to_string()],
            counts: [samples.len() as i64, values.len() as i64, ends[0], ends[1], absent as i64],
            values: (!values.is_empty()).then_some([low, high, mean]),
        }
    });
    with_samples.collect()
}

fn check(line: &str, engine: &str, figures: &Figures) {
    let cells: Vec<&str> = line.split('\t').collect();
    assert_eq!(cells[0], engine, "{line}");
    assert_eq!(cells[1..4], figures.names, "{line}");
    let counts = [4, 5, 9, 10, 11].map(|at| cells[at].parse::<i64>().unwrap());
    assert_eq!(counts, figures.counts, "{line}");
    match figures.values {
        None => assert_eq!(cells[6..9], ["-"; 3], "{line}"),
        Some([low, high, mean]) => {
            let said = [6, 7, 8].map(|at| cells[at].parse::<f64>().unwrap());
            assert_eq!(said[..2], [low, high], "{line}");
            // Each engine adds in an order of its own.
            let size = low.abs().max(high.abs());
            assert!((said[2] - mean).abs() <= 1e-12 * size, "{line}: here {mean}");
        }
    }
}

#[test]
fn two_engines_read_the_parquet_and_one_the_csv() {
    // A name that would lead out of the folder if it were a path, and is whole again for who reads it.
    let vessel = "../Sjösva \"50%\"/x=y";
    each(|store, folder| {
        let figures = ours(store, vessel);
        for (format, engines) in [(Format::Parquet, &["duckdb", "polars"][..]), (Format::Csv, &["duckdb-csv"])] {
            let stem = store.path().file_stem().unwrap().to_str().unwrap();
            let root = folder.join(format!("{stem}-{}", format.extension()));
            let options = Options { format, root: &root, vessel, channels: &[], from: None, to: None };
            let exported = export(store, &options, &mut |_, _| {}).unwrap();
            assert_eq!(exported.samples() as i64, figures.iter().map(|f| f.counts[0]).sum::<i64>());
            let Some(said) = python::run("readers/tables.py", "duckdb, polars", &[&root]) else { return };
            let lines: Vec<&str> = said.lines().collect();
            assert_eq!(lines.len(), engines.len() * figures.len(), "{said}");
            for (engine, lines) in engines.iter().zip(lines.chunks(figures.len())) {
                lines.iter().zip(&figures).for_each(|(line, figures)| check(line, engine, figures));
            }
        }
    });
}
