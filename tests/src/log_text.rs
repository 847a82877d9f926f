//! A recording as `candump -l` writes it, made from messages.

use ampwake_schemas::message::{CanId, FieldValue, Protocol, Transport, encode, fast_packet, find};
use std::fmt::Write;

/// The text of a recording that begins at a time.
#[derive(Debug)]
pub struct LogText {
    /// Its lines.
    pub text: String,
    start_s: f64,
    /// Of fast packets.
    sequence: u8,
}

impl LogText {
    /// Nothing yet; times count from `start_s`, s since 1970.
    pub fn starting(start_s: f64) -> Self {
        Self { text: String::new(), start_s, sequence: 0 }
    }

    /// A frame; `id` has three digits or eight.
    pub fn frame(&mut self, t: f64, bus: &str, id: &str, data: &[u8]) {
        let hex: String = data.iter().map(|b| format!("{b:02X}")).collect();
        writeln!(self.text, "({:.6}) {bus} {id}#{hex}", self.start_s + t).expect("text");
    }

    /// A message of the tables from the device at address `source`, in as many frames as it needs.
    pub fn message(
        &mut self,
        t: f64,
        (bus, protocol): (&str, Protocol),
        source: u8,
        number: u32,
        instance: Option<u32>,
        values: &[(&str, f64)],
    ) {
        let def = find(protocol, number).unwrap_or_else(|| panic!("there is no {number}"));
        let values: Vec<(&str, FieldValue)> = values.iter().map(|(name, v)| (*name, (*v).into())).collect();
        let payload = encode(def, instance, &values).unwrap_or_else(|e| panic!("{number:x} {values:?}: {e}"));
        let id = format!("{:08X}", CanId::broadcast(def.priority, number, source).to_raw());
        if def.transport == Transport::Single {
            return self.frame(t, bus, &id, &payload);
        }
        self.sequence = (self.sequence + 1) % 8;
        for part in fast_packet::fragment(self.sequence, &payload).expect("a length that fits") {
            self.frame(t, bus, &id, &part);
        }
    }
}
