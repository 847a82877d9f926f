//! The design intent: what the designer promised, as a TOML file (`ampwake-intent/1`).

mod chemistry;
mod model;
mod read;
mod requirement;

pub use chemistry::{Chemistry, ChemistryDefaults};
pub use model::*;
pub use read::read;
pub use requirement::{Limit, Quantity, Requirement};

/// The file's schema name.
pub const SCHEMA: &str = "ampwake-intent/1";
