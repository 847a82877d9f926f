//! A recording written in a test, imported, and read back by channel address.

use ampwake_logger::bus::recording::Input;
use ampwake_logger::dialect::Dialect;
use ampwake_logger::import::{ImportOptions, ImportReport, import};
use ampwake_schemas::message::Protocol;
use ampwake_schemas::sample::Reading;
use ampwake_store::{Event, Store};

/// What an import brought.
pub struct Imported {
    /// Its report.
    pub report: ImportReport,
    store: Store,
    _folder: tempfile::TempDir,
}

impl Imported {
    /// Imports frames of `can0` (seconds, `id#data`), on which these protocols are spoken.
    pub fn from_frames(protocols: &[Protocol], frames: &[(f64, String)]) -> Self {
        let lines: String =
            frames.iter().map(|(t, frame)| format!("({:.6}) can0 {frame}\n", 1_757_680_800.0 + t)).collect();
        let dialects = protocols.iter().copied().map(Dialect::from).collect();
        let options =
            ImportOptions { bus_protocols: [("can0".to_owned(), dialects)].into(), ..ImportOptions::default() };
        Self::from_log(&lines, &options)
    }

    /// Imports a recording as text.
    pub fn from_log(text: &str, options: &ImportOptions) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let log = folder.path().join("recording.log");
        std::fs::write(&log, text).expect("a recording");
        let path = folder.path().join("voyage.db");
        let mut writer = Store::create(&path).expect("a database");
        let report = import(&[Input::File(log)], options, &mut writer, &mut |_| {}).expect("an import");
        drop(writer);
        Self { report, store: Store::open(&path).expect("a database"), _folder: folder }
    }

    /// The database.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// What a channel carried; nothing where there is no such channel.
    pub fn readings(&self, address: &str) -> Vec<Reading> {
        let address = address.parse().expect("an address");
        let Some(channel) = self.store.find(&address).expect("channels") else { return Vec::new() };
        self.store.read_all(channel.id, None, None).expect("samples").into_iter().map(|r| r.1).collect()
    }

    /// The values of a channel.
    pub fn values(&self, address: &str) -> Vec<f64> {
        self.readings(address).into_iter().filter_map(Reading::value).collect()
    }

    /// The addresses of all channels.
    pub fn addresses(&self) -> Vec<String> {
        let mut all: Vec<String> =
            self.store.channels().expect("channels").iter().map(|c| c.address.to_string()).collect();
        all.sort();
        all
    }

    /// What happened.
    pub fn events(&self) -> Vec<Event> {
        self.store.events().expect("events")
    }

    /// The addresses of the devices that were heard.
    pub fn devices(&self) -> Vec<u8> {
        self.store.devices().expect("devices").iter().map(|d| d.address).collect()
    }
}
