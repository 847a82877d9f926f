//! A bus that counts: frame n carries the number n, so that a database shows whether any is missing.

use ampwake_logger::bus::source::{Outlet, Source};
use ampwake_logger::bus::{Flags, Frame};
use ampwake_logger::record::RecordOptions;
use ampwake_schemas::message::CanId;
use ampwake_schemas::time::Timestamp;
use std::collections::BTreeMap;
use std::time::Duration;

/// Where its numbers end up: battery voltage in hundredths.
pub const CHANNEL: &str = "counter/n2k/127508/0/battery_voltage";

/// Sends frames from device 35, a millisecond apart by their own times, until it is stopped.
#[derive(Debug, Clone, Copy)]
pub struct Counter {
    /// Frames to send; `None`: no end.
    pub frames: Option<u32>,
    /// Real time between two frames.
    pub pace: Duration,
}

impl Counter {
    /// Frame `n`.
    ///
    /// # Panics
    /// Never: its data fit.
    pub fn frame(n: u32) -> Frame {
        let time = Timestamp::from_millis(1_757_680_800_000 + i64::from(n));
        let flags = Flags { extended: true, ..Flags::default() };
        // Numbers stay below those that mean "not available".
        let [low, high] = ((n % 30_000) as u16).to_le_bytes();
        let data = [0, low, high, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF];
        Frame::new(time, CanId::broadcast(6, 127_508, 35).to_raw(), flags, &data).expect("eight bytes fit")
    }
}

impl Source for Counter {
    fn name(&self) -> &str {
        "counter"
    }

    fn run(self: Box<Self>, out: &Outlet) {
        let mut n = 0;
        while !out.is_over() && self.frames.is_none_or(|frames| n < frames) {
            if !out.frame(Self::frame(n)) {
                return;
            }
            n += 1;
            if !self.pace.is_zero() {
                std::thread::sleep(self.pace);
            }
        }
    }
}

/// Options with this commit interval.
pub fn options(commit_every: Duration) -> RecordOptions {
    RecordOptions {
        bus_protocols: BTreeMap::new(),
        commit_every,
        keep: None,
        raw: None,
        set_aside: None,
        configuration: serde_json::json!({}),
    }
}
