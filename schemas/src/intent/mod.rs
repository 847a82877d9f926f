//! The design intent: what the designer promised, as a TOML file (`ampwake-intent/1`).

mod chemistry;
mod model;
mod read;

pub use chemistry::{Chemistry, ChemistryDefaults};
pub use model::*;
pub use read::read;

/// The file's schema name.
pub const SCHEMA: &str = "ampwake-intent/1";
