//! Records a counting bus into the database named on the command line until it is killed, for the crash tests; with
//! `raw` behind it, its raw frames too.

use ampwake_logger::raw::RawOptions;
use ampwake_logger::record::record;
use ampwake_store::{Store, raw};
use ampwake_tests::counter::{Counter, options};
use std::time::Duration;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::path::PathBuf::from(std::env::args_os().nth(1).ok_or("endless-recorder DB [raw]")?);
    let store = Store::create(&path)?;
    let counter = Counter { frames: None, pace: Duration::from_micros(200) };
    let runtime = tokio::runtime::Builder::new_current_thread().build()?;
    let mut every = options(Duration::from_millis(20));
    if std::env::args().nth(2).is_some_and(|word| word == "raw") {
        every.raw = Some(RawOptions { path: raw::beside(&path), days: 36_500, max_bytes: 1_000_000_000 });
    }
    runtime.block_on(record(vec![Box::new(counter)], store, every, std::future::pending()))?;
    Ok(())
}
