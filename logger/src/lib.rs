//! The logger: buses, protocols, recorder. Knows nothing about charging.

pub mod bus;
pub mod clock;
pub mod framing;
pub mod identity;
pub mod import;
pub mod pipeline;
pub mod record;
