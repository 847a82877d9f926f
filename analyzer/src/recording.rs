//! What the analysis is given: the recorded series that the intent names, and what happened to the recording.

use crate::faults::DeviceFault;
use crate::series::Series;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::Period;
use ampwake_schemas::intent::Signal;
use ampwake_store::Event;
use std::collections::{BTreeMap, BTreeSet};

/// A recording, as far as the intent concerns it.
#[derive(Debug, Clone, Default)]
pub struct Recording {
    /// From the first to the last sample of any channel.
    pub period: Option<Period>,
    /// The series by the address that the intent uses.
    pub series: BTreeMap<ChannelAddress, Series>,
    /// Addresses of the intent that several senders use, with those senders' addresses. The series is that
    /// of the first.
    pub ambiguous: BTreeMap<ChannelAddress, Vec<ChannelAddress>>,
    /// Every address in the recording.
    pub heard: BTreeSet<ChannelAddress>,
    /// Times (ms) at which the recorder was silent on all buses: from, to.
    pub silences: Vec<(i64, i64)>,
    /// The time (ms) of which only summaries remain: from, to. It was recorded and is not analysed.
    pub summaries_only: Option<(i64, i64)>,
    /// What happened to the recording.
    pub events: Vec<Event>,
    /// Faults that devices reported.
    pub faults: Vec<DeviceFault>,
    /// Messages of kinds that this version does not decode.
    pub unread: u64,
    /// Counted problems.
    pub problems: BTreeMap<String, u64>,
}

impl Recording {
    /// The series of a signal in the intent's sign and scale; empty when it was never heard.
    pub fn signal(&self, signal: &Signal) -> Series {
        let raw = self.series.get(&signal.address);
        match raw {
            Some(series) if signal.scale != 1.0 => series.map(|v| v * signal.scale),
            Some(series) => series.clone(),
            None => Series::default(),
        }
    }

    /// As [`Recording::signal`], for a signal that the intent may leave out.
    pub fn optional(&self, signal: Option<&Signal>) -> Series {
        signal.map(|s| self.signal(s)).unwrap_or_default()
    }

    /// The channel that is read for a signal: where several devices send it, the first one's.
    pub fn sent(&self, signal: &Signal) -> ChannelAddress {
        self.ambiguous.get(&signal.address).and_then(|all| all.first()).unwrap_or(&signal.address).clone()
    }

    /// Another field of the same message, device and instance.
    pub fn sibling(&self, address: &ChannelAddress, field: &str) -> Series {
        let wanted = ChannelAddress { field: field.to_owned(), ..address.clone() };
        self.series.get(&wanted).cloned().unwrap_or_default()
    }
}

/// Fields of a charger's messages that are read beside its state, when heard.
pub const STATE_SIBLINGS: &[&str] = &["enabled", "charge_mode"];
