//! Channel addresses: `<bus>/<protocol>/<message>[@<source>][/<instance>]/<field>`, stable text, lower case.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// The address of one measured quantity of one device and instance.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelAddress {
    /// The data bus, by the name that the configuration gives it (`can0`).
    pub bus: String,
    /// The protocol (`n2k`, `rvc`, `j1939`, `dbc`, `nmea0183`, `modbus`).
    pub protocol: String,
    /// The message in the protocol's own numbering or naming (`127508`, `1fffd`, `xdr`).
    pub message: String,
    /// The sender's address, written only where two devices use the same message and instance.
    pub source: Option<u8>,
    /// The instance, where the message has one.
    pub instance: Option<String>,
    /// The field in the standard's own terms, snake_case.
    pub field: String,
}

/// Why a text is no channel address.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AddressError {
    /// Too few or too many parts.
    #[error("a channel address is <bus>/<protocol>/<message>[@<source>][/<instance>]/<field>, this one has {0} parts")]
    Parts(usize),
    /// A part that is empty, too long or holds a character that may not stand there.
    #[error("`{0}` may hold lower-case letters, digits, `_`, `-` and `.` only (1 to 64 of them)")]
    Part(String),
    /// What follows `@` is no source address.
    #[error("`@{0}` should be a source address from 0 to 255")]
    Source(String),
}

fn check(part: &str) -> Result<String, AddressError> {
    let ok = !part.is_empty()
        && part.len() <= 64
        && part.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || matches!(b, b'_' | b'-' | b'.'));
    if ok { Ok(part.to_owned()) } else { Err(AddressError::Part(part.chars().take(80).collect())) }
}

impl FromStr for ChannelAddress {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let parts: Vec<&str> = text.split('/').collect();
        let (message, instance, field) = match parts[..] {
            [_, _, message, field] => (message, None, field),
            [_, _, message, instance, field] => (message, Some(check(instance)?), field),
            _ => return Err(AddressError::Parts(parts.len())),
        };
        let (message, source) = match message.split_once('@') {
            None => (message, None),
            Some((m, s)) => (m, Some(s.parse().map_err(|_| AddressError::Source(s.chars().take(20).collect()))?)),
        };
        Ok(Self {
            bus: check(parts[0])?,
            protocol: check(parts[1])?,
            message: check(message)?,
            source,
            instance,
            field: check(field)?,
        })
    }
}

impl fmt::Display for ChannelAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}/{}", self.bus, self.protocol, self.message)?;
        if let Some(source) = self.source {
            write!(f, "@{source}")?;
        }
        if let Some(instance) = &self.instance {
            write!(f, "/{instance}")?;
        }
        write!(f, "/{}", self.field)
    }
}

impl ChannelAddress {
    /// The same address without the sender, as an intent file written before a second sender appeared has it.
    pub fn without_source(&self) -> Self {
        Self { source: None, ..self.clone() }
    }
}

impl Serialize for ChannelAddress {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for ChannelAddress {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        String::deserialize(d)?.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_examples_of_the_contract_read_and_write() {
        for text in [
            "can0/n2k/127508/1/battery_voltage",
            "can0/n2k/127507/2/operating_state",
            "can0/rvc/1fffd/1/dc_voltage",
            "can0/j1939/65271@0/alternator_current",
            "can0/dbc/pack_status/pack_current",
            "aft/nmea0183/xdr/alt_temp/temperature",
            "rs485/modbus/7/charge_current",
        ] {
            assert_eq!(text.parse::<ChannelAddress>().unwrap().to_string(), text);
        }
    }

    #[test]
    fn mistakes_name_the_part() {
        assert_eq!("can0/n2k".parse::<ChannelAddress>(), Err(AddressError::Parts(2)));
        assert_eq!("can0/n2k/1@300/v".parse::<ChannelAddress>(), Err(AddressError::Source("300".into())));
        assert_eq!("can0/N2K/1/v".parse::<ChannelAddress>(), Err(AddressError::Part("N2K".into())));
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in ".{0,80}") {
            if let Ok(address) = text.parse::<ChannelAddress>() {
                prop_assert_eq!(address.to_string().parse::<ChannelAddress>().unwrap(), address);
            }
        }
    }
}
