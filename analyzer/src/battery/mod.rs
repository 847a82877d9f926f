//! What a single recording says about the bank itself: resistance from current steps, capacity between two moments at
//! which its state of charge is known for sure, and efficiencies over a closed loop.
//!
//! A figure is given with its uncertainty or not at all: a state of charge that a battery monitor counts is no anchor,
//! because it is counted with the capacity that is asked for.

pub mod anchor;
mod capacity;
mod loops;
mod resistance;

pub use capacity::{Capacity, capacity};

use crate::stages::Span;
use crate::view::BankView;
use ampwake_schemas::findings::{BatteryFigures, Estimate};

/// The figures of one bank, each `None` where the recording cannot say.
pub fn figures(view: &BankView, spans: &[Span]) -> BatteryFigures {
    let efficiency = loops::efficiency(view, spans);
    BatteryFigures {
        capacity_ah: capacity(view, spans).ok().map(|c| estimate(c.ah, c.u_ah, 10.0)),
        resistance_mohm: resistance::resistance(view),
        coulombic_efficiency: efficiency.map(|e| estimate(e.coulombic.0, e.coulombic.1, 1e4)),
        energy_efficiency: efficiency.map(|e| estimate(e.energy.0, e.energy.1, 1e4)),
    }
}

/// Rounded to a part of one.
fn estimate(value: f64, uncertainty: f64, part: f64) -> Estimate {
    let round = |x: f64| (x * part).round() / part;
    Estimate { value: round(value), uncertainty: round(uncertainty) }
}
