//! Importing a recording takes memory that does not grow with its length. One test alone in its process, because the peak of
//! the whole process is what counts.

#![allow(clippy::print_stdout)] // a test that is skipped says so

use ampwake_logger::bus::recording::Input;
use ampwake_logger::import::{ImportOptions, import};
use ampwake_store::Store;
use ampwake_tests::peak_kb;
use std::io::Write;
use std::path::Path;

/// The same for sentences with their receive times.
fn record_sentences(path: &Path, sentences: u32) {
    let mut out = std::io::BufWriter::new(std::fs::File::create(path).expect("a file"));
    for n in 0..sentences {
        let body = format!("IIXDR,U,{:.2},V,BANK,I,{}.0,A,BANK", 50.0 + f64::from(n % 500) / 100.0, n % 90);
        let sum = body.bytes().fold(0, |sum, b| sum ^ b);
        writeln!(out, "{:.3} ${body}*{sum:02X}", 1_757_680_800.0 + f64::from(n) * 0.01).expect("a line");
    }
    out.flush().expect("the rest");
}

/// `frames` frames of a bank and its charger, a fast packet among them, as `candump -l` writes them.
fn record(path: &Path, frames: u32) {
    let mut out = std::io::BufWriter::new(std::fs::File::create(path).expect("a file"));
    for n in 0..frames {
        let t = 1_757_680_800.0 + f64::from(n) * 0.01;
        match n % 3 {
            0 => writeln!(out, "({t:.6}) can0 19F21423#00{:02X}04ADFF777401", n % 256),
            1 => writeln!(out, "({t:.6}) can0 19F30724#00028500C1{:02X}00FF", n % 256),
            _ => writeln!(out, "({t:.6}) can0 19F21325#{:02X}06010012F55A00", (n / 3 % 8) << 5),
        }
        .expect("a line");
    }
    out.flush().expect("the rest");
}

#[test]
fn a_recording_ten_times_as_long_takes_no_more_memory() {
    let folder = tempfile::tempdir().expect("a folder");
    let run = |name: &str, frames: u32, record: fn(&Path, u32)| {
        let (log, db) = (folder.path().join(name), folder.path().join(format!("{name}.db")));
        record(&log, frames);
        let mut store = Store::create(&db).expect("a database");
        let report = import(&[Input::from_argument(&log)], &ImportOptions::default(), &mut store, &mut |_| {})
            .expect("imported");
        assert_eq!(report.frames, u64::from(frames));
        peak_kb()
    };
    for (kind, record) in [("sentences", record_sentences as fn(&Path, u32)), ("frames", record)] {
        // The short one already fills every buffer and a commit or two.
        let short = run(&format!("short {kind}"), 40_000, record);
        let long = run(&format!("long {kind}"), 400_000, record);
        let (Some(short), Some(long)) = (short, long) else {
            println!("skipped: this system does not say what memory a process takes");
            return;
        };
        assert!(long < short + 16_000, "{kind}: peak {short} kB, and {long} kB for a recording ten times as long");
    }
}
