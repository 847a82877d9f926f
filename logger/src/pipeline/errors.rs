//! Error frames: what the CAN controller says of the state of the bus. Class bits and data bytes as in
//! linux/can/error.h.
//!
//! A broken cable makes thousands of them a second: each class is an event when it comes up, the rest of the
//! minute is one more event with counts.

use super::event;
use crate::bus::Frame;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Event;
use serde_json::json;

const WINDOW_US: i64 = 60_000_000;
const CONTROLLER: u32 = 0x4;

/// Class bits and their meaning.
const CLASSES: [(u32, &str); 9] = [
    (0x1, "transmission timed out"),
    (0x2, "lost arbitration"),
    (CONTROLLER, "controller problem"),
    (0x8, "protocol violation"),
    (0x10, "transceiver problem"),
    (0x20, "nobody acknowledges"),
    (0x40, "bus off"),
    (0x80, "bus error"),
    (0x100, "controller restarted"),
];

/// Bits of data byte 1 of a controller problem.
const CONTROLLER_BITS: [(u8, &str); 7] = [
    (0x01, "receive buffer overflow"),
    (0x02, "transmit buffer overflow"),
    (0x04, "many receive errors"),
    (0x08, "many transmit errors"),
    (0x10, "receive error passive"),
    (0x20, "transmit error passive"),
    (0x40, "back to normal"),
];

/// The error frames of one bus.
#[derive(Default)]
pub(super) struct BusErrors {
    /// When the present minute began.
    window: Option<Timestamp>,
    last: Timestamp,
    /// Class bits that were reported in it.
    reported: u32,
    /// Frames in it that were not reported.
    more: u64,
    more_classes: u32,
}

impl BusErrors {
    /// An error frame has come.
    pub(super) fn note(&mut self, frame: &Frame, bus: &str) -> Option<Event> {
        self.window.get_or_insert(frame.time);
        self.last = frame.time;
        // Beyond the known classes there are counters and reserved bits.
        let classes = frame.id & 0x1FF;
        if self.more + u64::from(self.reported) > 0 && classes & !self.reported == 0 {
            self.more += 1;
            self.more_classes |= classes;
            return None;
        }
        self.reported |= classes;
        let words = words(classes, frame.data().get(1).copied().unwrap_or(0));
        let details = json!({ "classes": classes, "words": words, "count": 1 });
        let text = format!("the CAN controller of {bus} reports: {}", words.join(", "));
        Some(event(frame.time, "bus_error", Some(bus), text, &details))
    }

    /// Time goes on: closes the minute when it is over.
    pub(super) fn tick(&mut self, time: Timestamp, bus: &str) -> Option<Event> {
        let over = self.window.is_some_and(|start| time.micros().abs_diff(start.micros()) >= WINDOW_US as u64);
        if over { self.close(bus) } else { None }
    }

    /// Says what came after the first reports.
    pub(super) fn close(&mut self, bus: &str) -> Option<Event> {
        let BusErrors { window, last, more, more_classes, .. } = std::mem::take(self);
        let start = window.filter(|_| more > 0)?;
        let words = words(more_classes, 0);
        let details = json!({ "classes": more_classes, "words": words, "count": more, "since": start });
        let text = format!("{more} more error frames on {bus} within a minute: {}", words.join(", "));
        Some(event(last, "bus_error", Some(bus), text, &details))
    }
}

fn words(classes: u32, controller: u8) -> Vec<&'static str> {
    let mut words: Vec<_> = CLASSES.iter().filter(|(bit, _)| classes & bit != 0).map(|(_, word)| *word).collect();
    if classes & CONTROLLER != 0 {
        words.extend(CONTROLLER_BITS.iter().filter(|(bit, _)| controller & bit != 0).map(|(_, word)| *word));
    }
    if words.is_empty() {
        words.push("unspecified");
    }
    words
}
