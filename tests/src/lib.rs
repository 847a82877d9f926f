//! Whole-program tests live in `tests/`; this library holds what they share.

pub mod golden;
pub mod report_fixture;
