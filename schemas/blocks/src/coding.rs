//! What the numbers of a column mean.

use ampwake_schemas::message::Scale;

/// How a stored number becomes a value in the channel's unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Coding {
    /// The sender's own whole number.
    Scaled(Scale),
    /// The value itself, a 64-bit float (IEEE 754).
    Float,
}

impl Coding {
    /// Whole numbers that are the values.
    pub const WHOLE: Self = Self::Scaled(Scale { step: 1, offset: 0, decimals: 0 });

    /// The value of a raw number; floats are their own bits.
    pub fn value(self, raw: i64) -> f64 {
        match self {
            Self::Scaled(scale) => scale.value(raw),
            Self::Float => f64::from_bits(raw as u64),
        }
    }

    /// The raw number of a value; `None` where there is none (not finite, beyond 64 bits).
    pub fn raw(self, value: f64) -> Option<i64> {
        match self {
            Self::Scaled(scale) => scale.raw(value),
            Self::Float => Some(value.to_bits() as i64),
        }
    }
}
