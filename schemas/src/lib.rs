//! The vocabulary that every part of Ampwake shares: channel addresses, units, times, decoded values,
//! message definitions as data, the intent file, and the findings.
//!
//! Owes its reader: no I/O and no SQLite. Whatever is here can be used by a logger that knows nothing
//! about charging and by an analyzer that knows nothing about buses.

pub mod channel;
pub mod findings;
pub mod intent;
pub mod message;
pub mod modbus_map;
pub mod quantity;
pub mod sample;
pub mod sentence;
pub mod time;
pub mod toml_read;
pub mod trend;
pub mod trial;
