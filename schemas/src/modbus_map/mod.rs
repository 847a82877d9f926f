//! Register maps: what a Modbus device holds where, as data. One TOML file per kind of device; the models of the
//! SunSpec Alliance are maps of the same form that are built in.
//!
//! Owes its reader: a map that reads is complete (nothing of it is found wrong later), and any registers decode
//! without panic. How the registers get here is the recorder's business.

mod decode;
mod plan;
mod read;
pub mod sunspec;

#[cfg(test)]
mod tests;

pub use decode::{RegisterValue, decode};
pub use plan::{MOST_BITS, MOST_WORDS, ReadRequest, plan};
pub use read::{SCHEMA, read};

use crate::quantity::Unit;

/// What a kind of device holds.
#[derive(Debug, Clone, PartialEq)]
pub struct ModbusMap {
    /// What the device is, in words.
    pub name: String,
    /// Its registers; addresses of a SunSpec model start at its own head.
    pub registers: Vec<Register>,
    /// Whether registers that lie between two wanted ones may be read with them.
    pub read_gaps: bool,
    /// The number of the SunSpec model that this describes.
    pub sunspec_model: Option<u16>,
    /// What repeats at the end of a SunSpec model.
    pub repeat: Option<Repeat>,
}

/// A block that repeats to the end of a SunSpec model: one per string, module or port.
#[derive(Debug, Clone, PartialEq)]
pub struct Repeat {
    /// Where the first block starts, from the model's head.
    pub first: u16,
    /// Registers of one block.
    pub length: u16,
    /// Its registers; addresses start at the block.
    pub registers: Vec<Register>,
}

/// One value of a device.
#[derive(Debug, Clone, PartialEq)]
pub struct Register {
    /// Name in channel addresses.
    pub field: String,
    /// The battery, string or port that it belongs to, where the device has several.
    pub instance: Option<String>,
    /// How it is read.
    pub function: Function,
    /// Its address as it stands on the wire, from 0.
    pub address: u16,
    /// Registers (bits, for the functions that read bits).
    pub words: u16,
    /// What they hold.
    pub kind: Kind,
    /// The word with the lowest bits comes first.
    pub low_word_first: bool,
    /// Value = raw x scale + offset (x 10^scale factor, for the raw part).
    pub scale: f64,
    /// See `scale`.
    pub offset: f64,
    /// The channel's unit.
    pub unit: Unit,
    /// Raw values that mean "not available".
    pub not_available: Vec<f64>,
    /// The register that holds a power of ten for this one.
    pub scale_factor: Option<u16>,
    /// Seconds between two reads, where it is not the device's.
    pub every_s: Option<f64>,
}

/// The function that reads a register.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)] // named as the protocol specification names them
pub enum Function {
    Coils,
    DiscreteInputs,
    HoldingRegisters,
    InputRegisters,
}

impl Function {
    /// Its code (MODBUS application protocol V1.1b3, chapter 6).
    pub const fn code(self) -> u8 {
        match self {
            Self::Coils => 1,
            Self::DiscreteInputs => 2,
            Self::HoldingRegisters => 3,
            Self::InputRegisters => 4,
        }
    }

    /// Back from [`Function::code`].
    pub const fn from_code(code: u8) -> Option<Self> {
        match code {
            1 => Some(Self::Coils),
            2 => Some(Self::DiscreteInputs),
            3 => Some(Self::HoldingRegisters),
            4 => Some(Self::InputRegisters),
            _ => None,
        }
    }

    /// True where one address is one bit.
    pub const fn reads_bits(self) -> bool {
        matches!(self, Self::Coils | Self::DiscreteInputs)
    }
}

/// What registers hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // each is its own word, see `Kind::text`
pub enum Kind {
    U16,
    I16,
    U32,
    I32,
    U64,
    I64,
    F32,
    F64,
    /// A coil or discrete input.
    Bit,
    /// One bit of a register, 0 the lowest.
    BitOf(u8),
    /// Text, two characters a register; it describes the device and is no channel.
    Text,
}

impl Kind {
    /// The words for `type` in a map.
    pub const WORDS: &'static [Kind] = &[
        Self::U16,
        Self::I16,
        Self::U32,
        Self::I32,
        Self::U64,
        Self::I64,
        Self::F32,
        Self::F64,
        Self::Bit,
        Self::Text,
    ];

    /// As it stands in a map.
    pub const fn text(self) -> &'static str {
        match self {
            Self::U16 | Self::BitOf(_) => "u16",
            Self::I16 => "i16",
            Self::U32 => "u32",
            Self::I32 => "i32",
            Self::U64 => "u64",
            Self::I64 => "i64",
            Self::F32 => "f32",
            Self::F64 => "f64",
            Self::Bit => "bit",
            Self::Text => "string",
        }
    }

    /// Registers that it takes; `None` for text, which has a length.
    pub const fn words(self) -> Option<u16> {
        match self {
            Self::U16 | Self::I16 | Self::Bit | Self::BitOf(_) => Some(1),
            Self::U32 | Self::I32 | Self::F32 => Some(2),
            Self::U64 | Self::I64 | Self::F64 => Some(4),
            Self::Text => None,
        }
    }
}
