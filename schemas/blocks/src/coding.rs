//! What the numbers of a column mean.

/// How a stored number becomes a value in the channel's unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Coding {
    /// The sender's own whole number: `value = (raw * step + offset) / 10^decimals`.
    Scaled {
        /// Units of the last decimal per raw bit.
        step: i64,
        /// In units of the last decimal.
        offset: i64,
        /// Decimals, at most 16.
        decimals: u8,
    },
    /// The value itself, a 64-bit float (IEEE 754).
    Float,
}

const POWERS: [f64; 17] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16];

impl Coding {
    /// The value of a raw number; floats are their own bits. One division of two exact numbers rounds once, so that
    /// 1275 hundredths are 12.75.
    pub fn value(self, raw: i64) -> f64 {
        match self {
            Self::Scaled { step, offset, decimals } => {
                raw.saturating_mul(step).saturating_add(offset) as f64 / power(decimals)
            }
            Self::Float => f64::from_bits(raw as u64),
        }
    }
}

/// Ten to the `decimals`.
pub(crate) fn power(decimals: u8) -> f64 {
    POWERS[usize::from(decimals).min(POWERS.len() - 1)]
}
