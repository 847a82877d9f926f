//! The logger: buses, protocols, recorder. Knows nothing about charging.
pub mod bus;
pub mod clock;
