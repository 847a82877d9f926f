//! A folder for a database, and short words for what the tests write.

#![allow(clippy::unwrap_used, dead_code)] // a test fails by panicking; not every test uses everything

use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Event, Writer};
use std::path::PathBuf;

pub struct Case {
    pub dir: tempfile::TempDir,
}

impl Case {
    pub fn new() -> Self {
        Self { dir: tempfile::tempdir().unwrap() }
    }
    pub fn path(&self) -> PathBuf {
        self.dir.path().join("voyage.db")
    }
}

pub fn address(text: &str) -> ChannelAddress {
    text.parse().unwrap()
}

pub fn ms(t: i64) -> Timestamp {
    Timestamp::from_millis(t)
}

pub fn volts(writer: &mut Writer) -> ChannelId {
    writer.channel(&address("can0/n2k/127508/0/battery_voltage"), Unit::Volt).unwrap()
}

pub fn event(time: i64, kind: &str) -> Event {
    Event { time: ms(time), kind: kind.into(), bus: None, channel: None, text: String::new(), details: "{}".into() }
}
