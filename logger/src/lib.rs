//! x
pub mod framing;
pub mod identity;
