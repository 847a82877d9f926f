//! Adapters that can be plugged in and pulled out, and a recorder that runs beside a test.

#![allow(clippy::unwrap_used, dead_code)] // a test fails by panicking, and uses what it needs

use ampwake_logger::bus::source::Source;
use ampwake_logger::config::serial::{Device, Parity, Port};
use ampwake_logger::record::{RecordOptions, record};
use ampwake_store::{ChannelInfo, Store};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio_serial::{SerialPort, SerialStream};

/// A pseudo-terminal whose far end can be opened at `link`, as an adapter is found under a lasting name.
pub struct Adapter {
    /// What the device at the line would hold.
    pub near: SerialStream,
    /// Without it the near end would fail until the far one is opened; the library's own would keep a lock on it.
    _far: std::fs::File,
    link: PathBuf,
}

impl Adapter {
    pub fn plug_in(link: &Path) -> Self {
        let (near, far) = SerialStream::pair().unwrap();
        let name = far.name().unwrap();
        let held = std::fs::OpenOptions::new().read(true).write(true).open(&name).unwrap();
        drop(far);
        std::os::unix::fs::symlink(name, link).unwrap();
        Self { near, _far: held, link: link.to_owned() }
    }
}

impl Drop for Adapter {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.link);
    }
}

/// The adapter's port as a configuration names it.
pub fn device(path: &Path) -> Port {
    Port::Device(Device { path: path.to_owned(), baud: 19_200, parity: Parity::None, stop_bits: 1 })
}

/// A recorder that runs beside the test.
pub struct Bench {
    database: PathBuf,
    stop: tokio::sync::oneshot::Sender<()>,
    recorder: tokio::task::JoinHandle<()>,
}

impl Bench {
    pub fn start(dir: &Path, sources: Vec<Box<dyn Source>>) -> Self {
        let database = dir.join("voyage.db");
        let store = Store::create(&database).unwrap();
        let options = RecordOptions {
            bus_protocols: BTreeMap::new(),
            commit_every: Duration::from_millis(100),
            keep: None,
            raw: None,
            set_aside: None,
            configuration: serde_json::json!({}),
        };
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        let recorder = tokio::spawn(async move {
            record(sources, store, options, async { drop(stopped.await) }).await.unwrap();
        });
        Self { database, stop, recorder }
    }

    pub fn channel(&self, address: &str) -> Option<ChannelInfo> {
        Store::open(&self.database).unwrap().find(&address.parse().unwrap()).unwrap()
    }

    /// Waits until the channel has so many samples.
    pub async fn heard(&self, address: &str, samples: u64) -> ChannelInfo {
        self.until(address, || self.channel(address).filter(|c| c.samples >= samples)).await
    }

    pub async fn event(&self, kind: &str, n: usize) -> String {
        let find = || {
            let events = Store::open(&self.database).unwrap().events().unwrap();
            events.into_iter().filter(|e| e.kind == kind).nth(n).map(|e| e.text)
        };
        self.until(kind, find).await
    }

    pub async fn until<T>(&self, what: &str, mut found: impl FnMut() -> Option<T>) -> T {
        for _ in 0..1200 {
            if let Some(found) = found() {
                return found;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        let store = Store::open(&self.database).unwrap();
        let problems = store.problems().unwrap();
        panic!("{what} did not come; {:?} {problems:?}", store.events().unwrap())
    }

    pub async fn end(self) -> Store {
        drop(self.stop);
        self.recorder.await.unwrap();
        Store::open(&self.database).unwrap()
    }
}
