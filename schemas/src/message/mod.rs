//! Message definitions as data, with the one decoder and the one encoder that serve them all.
//!
//! A message is a row ([`MessageDef`]); its fields are rows ([`Field`]). Adding a message adds rows, never a
//! code path.

pub mod can_id;
pub mod decode;
pub mod encode;
pub mod fast_packet;
pub mod plain;
pub mod tables;
pub mod transport;

mod bits;
mod scale;
mod special;

#[cfg(test)]
mod tests;

pub use can_id::CanId;
pub use decode::{Decoded, DecodedField, FieldValue, decode};
pub use encode::{EncodeError, encode};
pub use scale::Scale;
pub use tables::{all, find};

use crate::quantity::Unit;

/// The protocol that a definition belongs to; it decides which raw codes mean "not available".
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Protocol {
    /// NMEA 2000 / IEC 61162-3.
    N2k,
    /// RV-C.
    Rvc,
    /// SAE J1939.
    J1939,
    /// CANopen (CiA 301).
    Canopen,
}

impl Protocol {
    /// Every protocol whose messages are rows here.
    pub const ALL: [Protocol; 4] = [Self::N2k, Self::Rvc, Self::J1939, Self::Canopen];

    /// As it stands in channel addresses and configuration.
    pub const fn text(self) -> &'static str {
        match self {
            Self::N2k => "n2k",
            Self::Rvc => "rvc",
            Self::J1939 => "j1939",
            Self::Canopen => "canopen",
        }
    }

    /// Back from [`Protocol::text`].
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|p| p.text() == text)
    }

    /// True for those of the 29-bit identifier of SAE J1939; CANopen's has 11 bits.
    pub const fn is_extended(self) -> bool {
        !matches!(self, Self::Canopen)
    }
}

/// How a message travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transport {
    /// In one frame of up to 8 bytes; what is longer goes by the transport protocol of SAE J1939-21.
    Single,
    /// As a fast packet, even when it is short.
    Fast,
}

/// One message of one protocol.
#[derive(Debug, PartialEq)]
pub struct MessageDef {
    /// Whose message.
    pub protocol: Protocol,
    /// The parameter group number (RV-C: data group number; CANopen: function code in bits 7 to 10).
    pub number: u32,
    /// The standard's title.
    pub title: &'static str,
    /// How it travels.
    pub transport: Transport,
    /// Default priority.
    pub priority: u8,
    /// Its fields, in the order of their bits.
    pub fields: &'static [Field],
    /// A set of fields that repeats at the end.
    pub repeat: Option<Repeat>,
}

impl MessageDef {
    /// The number as it stands in channel addresses: RV-C's in hexadecimal, as its specification writes it.
    pub fn number_text(&self) -> String {
        match self.protocol {
            Protocol::Rvc => format!("{:x}", self.number),
            _ => self.number.to_string(),
        }
    }

    /// The fields that stand once, and those that repeat (none if nothing does).
    pub fn parts(&self) -> (&'static [Field], &'static [Field]) {
        let first = self.repeat.as_ref().map_or(self.fields.len(), |r| r.first);
        self.fields.split_at(first.min(self.fields.len()))
    }
}

/// Fields from `first` to the last repeat as often as the message's [`FieldKind::Count`] field says, and without
/// one as often as the payload has room for them.
#[derive(Debug, PartialEq, Eq)]
pub struct Repeat {
    /// Index of the first repeating field.
    pub first: usize,
}

/// One field of a message.
#[derive(Debug, PartialEq)]
pub struct Field {
    /// Name in channel addresses: the standard's term in snake_case.
    pub name: &'static str,
    /// First bit within the message (within the first set when it repeats).
    pub bit: u16,
    /// Length in bits, at most 64 (text: any multiple of 8).
    pub bits: u16,
    /// What it holds.
    pub kind: FieldKind,
}

impl Field {
    /// The name of a code of an enumeration, where the table has one.
    pub fn code_name(&self, code: u64) -> Option<&'static str> {
        match self.kind {
            FieldKind::Code { names } => names.iter().find(|(c, _)| u64::from(*c) == code).map(|(_, name)| *name),
            _ => None,
        }
    }

    /// The unit of the channel that this field becomes; `None` where it becomes none.
    pub fn unit(&self) -> Option<Unit> {
        match self.kind {
            FieldKind::Number { unit, .. } => Some(unit),
            FieldKind::Code { .. } | FieldKind::Flags { .. } | FieldKind::Rank | FieldKind::Joined { .. } => {
                Some(Unit::Code)
            }
            _ => None,
        }
    }
}

/// What a field holds.
#[derive(Debug, PartialEq)]
pub enum FieldKind {
    /// A number: the raw integer, scaled, in `unit`.
    Number {
        /// Two's complement.
        signed: bool,
        /// From the raw integer to the channel's unit.
        scale: Scale,
        /// The channel's unit.
        unit: Unit,
        /// A further raw value that means "not available" (a known habit of some encoders).
        also_missing: Option<u64>,
    },
    /// An enumeration; every code is a channel value in unit `code`. A code that has a name is a value even
    /// where its place at the top of the range would otherwise mean "not available".
    Code {
        /// The names of its codes.
        names: &'static [(u8, &'static str)],
    },
    /// A set of bits, each with a meaning; all ones in the top byte means not available.
    Flags {
        /// The names of its bits.
        names: &'static [(u8, &'static str)],
    },
    /// A number whose bits do not lie together: this field holds it from bit `shift` on, `pieces` the rest. All ones
    /// is not available.
    Joined {
        /// Where the field's own bits belong within the number.
        shift: u16,
        /// Bit of the message, length, place within the number.
        pieces: &'static [(u16, u16, u16)],
    },
    /// Bits that a [`FieldKind::Joined`] field of the same message reads and writes.
    Piece,
    /// How much a sender is to be believed beside others that speak of the same instance: the higher, the more.
    Rank,
    /// Which side of the device is meant (0 input, 1 output). `plain` is the one that the message is about; the
    /// channels of the other one say so in their names.
    Side {
        /// The code of the side that goes without saying.
        plain: u8,
    },
    /// The instance: it becomes part of the address, not a channel.
    Instance,
    /// A number of identification in which every code is valid (parts of a NAME, product code).
    Ident,
    /// The number of repeating sets.
    Count,
    /// Which set this is (0 = first line); it numbers the channels of a repeating set or, in a message in which
    /// nothing repeats, those of the whole message.
    SetIndex,
    /// A sequence identifier that ties messages of one instant together.
    Sequence,
    /// Text, padded with 0xFF, 0x00, `@` or blanks.
    Text,
    /// Nothing; encoded as ones.
    Reserved,
    /// Nothing; encoded as zeros (in the NAME).
    Spare,
}
