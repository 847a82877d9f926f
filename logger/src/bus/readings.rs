//! What buses say whose messages name their values one by one: sentences, blocks of registers. Their decoders
//! hand on values that are ready for their channels.

use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use std::borrow::Cow;

/// One message.
#[derive(Debug, Clone, PartialEq)]
pub struct Readings {
    /// When it was received.
    pub time: Timestamp,
    /// As it stands in channel addresses.
    pub protocol: &'static str,
    /// The sentence, the Modbus unit; in the alphabet of channel addresses.
    pub message: Cow<'static, str>,
    /// Its values.
    pub values: Vec<NamedReading>,
    /// The time that its sender says it is, with a number that tells apart the messages of one bus that say it.
    pub told: Option<(u8, Timestamp)>,
    /// Who answered, and what it says of itself, where the protocol has addresses.
    pub device: Option<DeviceWords>,
}

/// One value.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedReading {
    /// Which engine, transducer, string; in the alphabet of channel addresses.
    pub instance: Option<String>,
    /// The field; in the alphabet of channel addresses.
    pub field: Cow<'static, str>,
    /// The channel's unit.
    pub unit: Unit,
    /// What was said.
    pub reading: Reading,
}

/// A device by its address, with what it said about itself.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceWords {
    /// Its address on the bus.
    pub address: u8,
    /// What it said in this message; often nothing.
    pub words: serde_json::Map<String, serde_json::Value>,
}
