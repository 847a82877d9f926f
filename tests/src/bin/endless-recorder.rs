//! Records a counting bus into the database named on the command line until it is killed, for the crash tests.

use ampwake_logger::record::record;
use ampwake_store::Store;
use ampwake_tests::counter::{Counter, options};
use std::time::Duration;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args_os().nth(1).ok_or("endless-recorder DB")?;
    let store = Store::create(path)?;
    let counter = Counter { frames: None, pace: Duration::from_micros(200) };
    let runtime = tokio::runtime::Builder::new_current_thread().build()?;
    let every = options(Duration::from_millis(20));
    runtime.block_on(record(vec![Box::new(counter)], store, every, std::future::pending()))?;
    Ok(())
}
