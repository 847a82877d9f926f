//! Ampwake's analysis: from recorded series and the design intent to findings, verdicts and a report.
//!
//! Analysis functions are pure: series and intent in, values out. Time, files and terminals stay in
//! `commands` and `report`.

pub mod chart;
pub mod demo;
pub mod model;
pub mod report;
