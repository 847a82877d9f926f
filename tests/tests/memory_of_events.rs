//! A bus full of trouble takes no more memory the longer it is: a device that takes a new address with every message is
//! told every time, has no values, and yet is put on the disk now and then. One test alone in its process, because the peak of the whole process is what counts.

#![allow(clippy::print_stdout)] // a test that is skipped says so

use ampwake_logger::bus::recording::Input;
use ampwake_logger::import::{ImportOptions, import};
use ampwake_store::Store;
use ampwake_tests::peak_kb;
use std::io::Write;
use std::path::Path;

/// Address claims of one device, each for another address.
fn record(path: &Path, frames: u32) {
    let mut out = std::io::BufWriter::new(std::fs::File::create(path).expect("a file"));
    for n in 0..frames {
        let t = 1_757_680_800.0 + f64::from(n) * 0.01;
        writeln!(out, "({t:.6}) can0 18EEFF{:02X}#0100C022008232C0", n % 200).expect("a line");
    }
    out.flush().expect("the rest");
}

#[test]
fn trouble_without_end_takes_no_more_memory() {
    let folder = tempfile::tempdir().expect("a folder");
    let run = |name: &str, frames: u32| {
        let (log, db) = (folder.path().join(name), folder.path().join(format!("{name}.db")));
        record(&log, frames);
        let mut store = Store::create(&db).expect("a database");
        import(&[Input::from_argument(&log)], &ImportOptions::default(), &mut store, &mut |_| {}).expect("imported");
        peak_kb()
    };
    let (Some(short), Some(long)) = (run("short", 60_000), run("long", 200_000)) else {
        println!("skipped: this system does not say what memory a process takes");
        return;
    };
    assert!(long < short + 24_000, "peak {short} kB for the short recording, {long} kB for one three times as long");
}
