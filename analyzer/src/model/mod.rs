//! The physical model of a bank and its sources on one DC bus.
//!
//! It answers "what would the bank have taken if this source had joined?" and it sails the voyages that
//! the program is demonstrated and tested with. Owes its reader: pure functions and plain values, no clock,
//! no randomness, the same answer on every run; every formula with where it comes from.
//!
//! What it leaves out, on purpose: the bank is one cell times the number in series (no imbalance), its heat
//! is one lump, switching transients and load dumps are faster than its steps, and a source never takes
//! current from the bus.

mod bank;
mod bus;
mod cable;
mod curve;
mod heat;
mod plant;
mod source;

pub use bank::{Bank, BankState, ocv};
pub use bus::{BankPort, Branch, Solution, solve};
pub use cable::copper_resistance;
pub use curve::Curve;
pub use heat::Body;
pub use plant::{Moment, Plant, SourceMoment};
pub use source::{ChargeProfile, Conditions, Source, SourceStage, SourceState};
