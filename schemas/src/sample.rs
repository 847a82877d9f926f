//! What a sender said about one quantity at one moment. "Not available" is a variant, never a number.

use serde::{Deserialize, Serialize};

/// One decoded field: a number, or the sender's own statement that there is none.
///
/// The special codes are the top of each field's range (NMEA 2000 appendix conventions as reverse-described
/// in the open message databases; see `message::decode`).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Reading {
    /// A measurement, in the channel's unit.
    Value(f64),
    /// The sender has no value.
    NotAvailable,
    /// The sender's value does not fit, or its sensor failed.
    OutOfRange,
    /// A code that the standard keeps for later use.
    Reserved,
}

impl Reading {
    /// The number, if there is one. Also `None` for a value that is not finite.
    pub fn value(self) -> Option<f64> {
        match self {
            Self::Value(v) if v.is_finite() => Some(v),
            _ => None,
        }
    }

    /// The store's code for this variant: 0 value, 1 not available, 2 out of range, 3 reserved.
    pub const fn code(self) -> u8 {
        match self {
            Self::Value(_) => 0,
            Self::NotAvailable => 1,
            Self::OutOfRange => 2,
            Self::Reserved => 3,
        }
    }

    /// Back from [`Reading::code`]; an unknown code reads as reserved.
    pub const fn from_code(code: u8, value: f64) -> Self {
        match code {
            0 => Self::Value(value),
            1 => Self::NotAvailable,
            2 => Self::OutOfRange,
            _ => Self::Reserved,
        }
    }
}
