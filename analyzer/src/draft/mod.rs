//! A first design intent from what the buses carried: five minutes of work instead of an hour with a list of
//! addresses.
//!
//! Owes its reader: what is written was heard; what the buses cannot say (ratings, kinds, set-points) stays a comment
//! with a question mark, so that `intent check` names every one of them. Pairing by instance number is a proposal and
//! says so: the numbers are whatever the installer left in the devices.

mod find;
mod write;

#[cfg(test)]
mod tests;

use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;

pub use write::draft;

/// What is known of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// Its address.
    pub address: ChannelAddress,
    /// Its unit.
    pub unit: Unit,
    /// The lowest and highest value; `None` where it never had one.
    pub range: Option<(f64, f64)>,
    /// The last value.
    pub latest: Option<f64>,
}

impl Heard {
    /// The highest current seen either way, or the largest value of anything else.
    fn most(&self) -> f64 {
        self.range.map_or(0.0, |(low, high)| low.abs().max(high.abs()))
    }
}
