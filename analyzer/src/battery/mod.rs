//! What a single recording says about the bank itself: resistance from current steps, capacity between two moments at
//! which its state of charge is known for sure, and efficiencies over a closed loop.
//!
//! A figure is given with its uncertainty or not at all: a state of charge that a battery monitor counts is no anchor,
//! because it is counted with the capacity that is asked for.

mod anchor;
mod capacity;
mod life;
mod loops;
mod resistance;

pub use capacity::Capacity;
pub use life::Life;

use ampwake_schemas::findings::{BatteryFigures, Estimate};

/// Rounded to a part of one.
fn estimate(value: f64, uncertainty: f64, part: f64) -> Estimate {
    let round = |x: f64| (x * part).round() / part;
    Estimate { value: round(value), uncertainty: round(uncertainty) }
}

/// The figures of the first bank of which something is known.
pub fn of_first(banks: &[Life]) -> BatteryFigures {
    banks.iter().map(Life::figures).find(|f| *f != BatteryFigures::default()).unwrap_or_default()
}
