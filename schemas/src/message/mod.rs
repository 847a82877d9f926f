//! Message definitions as data, with the one decoder and the one encoder that serve them all.
//!
//! A message is a row ([`MessageDef`]); its fields are rows ([`Field`]). Adding a message adds rows, never a
//! code path.

pub mod tables;

use crate::quantity::Unit;
use crate::sample::Reading;

/// The protocol that a definition belongs to; it decides which raw codes mean "not available".
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Protocol {
    /// NMEA 2000 / IEC 61162-3.
    N2k,
}

impl Protocol {
    /// As it stands in channel addresses and configuration.
    pub const fn text(self) -> &'static str {
        match self {
            Self::N2k => "n2k",
        }
    }
}

/// How a message travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transport {
    /// In one frame of up to 8 bytes.
    Single,
    /// As a fast packet, even when it is short.
    Fast,
}

/// One message of one protocol.
#[derive(Debug, PartialEq)]
pub struct MessageDef {
    /// Whose message.
    pub protocol: Protocol,
    /// The parameter group number.
    pub number: u32,
    /// The standard's title.
    pub title: &'static str,
    /// How it travels.
    pub transport: Transport,
    /// Default priority.
    pub priority: u8,
    /// Its fields.
    pub fields: &'static [Field],
    /// A set of fields that repeats at the end.
    pub repeat: Option<Repeat>,
}

/// Fields from `first` on repeat as often as the field `count` says.
#[derive(Debug, PartialEq, Eq)]
pub struct Repeat {
    /// Index of the first repeating field.
    pub first: usize,
    /// Name of the field that carries the number of sets.
    pub count: &'static str,
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

/// What a field holds.
#[derive(Debug, PartialEq)]
pub enum FieldKind {
    /// A number: raw × `resolution` + `offset`, in `unit`.
    Number {
        /// Two's complement.
        signed: bool,
        /// Per bit, in the channel's unit.
        resolution: f64,
        /// Added after scaling, in the channel's unit.
        offset: f64,
        /// The channel's unit.
        unit: Unit,
        /// A further raw value that means "not available" (a known habit of some encoders).
        also_missing: Option<u64>,
    },
    /// An enumeration; every code is a channel value in unit `code`.
    Code {
        /// The names of its codes.
        names: &'static [(u8, &'static str)],
        /// True where the top codes are real values and not "not available".
        full: bool,
    },
    /// A set of bits, each with a meaning; all ones in the top byte means not available.
    Flags {
        /// The names of its bits.
        names: &'static [(u8, &'static str)],
    },
    /// The instance: it becomes part of the address, not a channel.
    Instance,
    /// A number of identification in which every code is valid (parts of a NAME, product code).
    Ident,
    /// The number of repeating sets.
    Count,
    /// Which set this is (0 = first line); it numbers the channels of a repeating set.
    SetIndex,
    /// A sequence identifier that ties messages of one instant together.
    Sequence,
    /// Text, padded with 0xFF, 0x00, `@` or blanks.
    Text,
    /// Nothing; encoded as ones.
    Reserved,
}

/// A decoded message.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoded {
    /// Its definition.
    pub def: &'static MessageDef,
    /// Its instance, where it has a valid one.
    pub instance: Option<u32>,
    /// Its fields in order, without reserved ones, instance, count, set index and sequence.
    pub fields: Vec<DecodedField>,
}

/// One decoded field.
#[derive(Debug, Clone, PartialEq)]
pub struct DecodedField {
    /// Its definition.
    pub field: &'static Field,
    /// Which repetition, from 0.
    pub set: u8,
    /// What it said.
    pub value: FieldValue,
}

/// What a field said.
#[derive(Debug, Clone, PartialEq)]
pub enum FieldValue {
    /// A number, a code, or the statement that there is none.
    Reading(Reading),
    /// Text; empty when not available.
    Text(String),
}
