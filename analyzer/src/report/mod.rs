//! Outputs: one short file per output.

pub mod format;
