//! Whole-program tests live in `tests/`; this library holds what they share.

pub mod counter;
