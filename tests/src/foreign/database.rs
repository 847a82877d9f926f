//! A database for one input, and what must hold of it afterwards.

use super::must_be_an_address;
use ampwake_store::{Store, Writer};
use std::path::PathBuf;

/// More channels than this are no vessel: what the pipeline allows, and four of each bus's health.
const MOST_CHANNELS: usize = 20_000 + 4 * 64;

/// A folder with a database that is gone afterwards.
pub(super) struct Scratch {
    folder: tempfile::TempDir,
}

impl Scratch {
    pub(super) fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a folder") }
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("voyage.db")
    }

    pub(super) fn writer(&self) -> Writer {
        Store::create(self.path()).expect("a database")
    }

    /// Closes the writer and opens the database for reading.
    pub(super) fn reader(&self, writer: Writer) -> Store {
        drop(writer);
        Store::open(self.path()).expect("the database")
    }
}

/// Reads everything back: addresses are addresses, times are in order, the words are JSON, and of the samples none is
/// lost. `samples` is their number without those of the buses' health.
pub(super) fn holds(store: &Store, samples: u64) {
    let channels = store.channels().expect("channels");
    assert!(channels.len() <= MOST_CHANNELS);
    let mut stored = 0;
    for channel in &channels {
        must_be_an_address(&channel.address.to_string());
        if channel.address.protocol == "can" {
            continue;
        }
        let read = store.read_all(channel.id, None, None).expect("samples");
        assert_eq!(read.len() as u64, channel.samples, "{}", channel.address);
        assert!(read.is_sorted_by_key(|(time, _)| *time), "{}", channel.address);
        stored += channel.samples;
    }
    assert_eq!(stored, samples);
    for event in store.events().expect("events") {
        assert!(!event.kind.is_empty() && !event.text.is_empty(), "{event:?}");
        let details: serde_json::Value = serde_json::from_str(&event.details).expect("details are JSON");
        assert!(details.is_object(), "{event:?}");
    }
    for device in store.devices().expect("devices") {
        let product: serde_json::Value = serde_json::from_str(&device.product).expect("product information is JSON");
        assert!(product.is_object(), "{device:?}");
    }
    store.problems().expect("problems");
    assert!(store.period().expect("a period").is_none_or(|p| p.start <= p.end));
}
