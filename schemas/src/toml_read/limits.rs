//! Ranges of numbers, with their words.

/// What a number may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    low: f64,
    high: f64,
    /// The lower limit itself is too low.
    above: bool,
    /// For the texts.
    unit: &'static str,
}

impl Limits {
    /// From `low` to `high`, both allowed.
    pub const fn within(low: f64, high: f64, unit: &'static str) -> Self {
        Self { low, high, above: false, unit }
    }
    /// Above zero, up to `high`.
    pub const fn positive(high: f64, unit: &'static str) -> Self {
        Self { low: 0.0, high, above: true, unit }
    }
    /// A fraction, 0 to 1.
    pub const FRACTION: Self = Self::within(0.0, 1.0, "");

    pub(super) fn hold(self, v: f64) -> bool {
        v.is_finite() && v <= self.high && if self.above { v > self.low } else { v >= self.low }
    }

    pub(super) fn text(self) -> String {
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        if self.above {
            format!("above {} and at most {}{unit}", self.low, self.high)
        } else {
            format!("from {} to {}{unit}", self.low, self.high)
        }
    }
}
