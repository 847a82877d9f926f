//! Recording: data buses in, samples out. The library behind `ampwaked` and behind `ampwake import`.
//!
//! Owes its reader: it knows nothing about charging, on CAN it sends nothing unless `ask = true` says so, and what it had
//! read it keeps.

pub mod arguments;
pub mod asking;
pub mod bus;
pub mod check;
pub mod clock;
pub mod config;
pub mod dbc;
pub mod dialect;
mod disk;
pub mod framing;
pub mod health;
pub mod identity;
pub mod import;
#[cfg(feature = "live")]
pub mod metrics;
#[cfg(feature = "live")]
pub mod notify;
pub mod pipeline;
pub mod raw;
pub mod record;
#[cfg(feature = "live")]
pub mod reload;
#[cfg(feature = "live")]
pub mod run;
pub mod system_clock;
// Without devices nothing is replaced under way.
#[cfg_attr(not(feature = "live"), allow(dead_code))]
mod threads;
pub mod watch;
