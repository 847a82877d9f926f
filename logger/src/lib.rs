//! The logger: buses, protocols, recorder. Knows nothing about charging.

pub mod bus;
pub mod check;
pub mod clock;
pub mod config;
pub mod framing;
pub mod identity;
pub mod import;
pub mod pipeline;
pub mod record;
#[cfg(feature = "live")]
pub mod run;
pub mod system_clock;
