//! Ampwake's analysis: from recorded series and the design intent to findings, verdicts and a report.
//!
//! Analysis functions are pure: series and intent in, values out. Time, files and terminals stay in
//! `commands` and `report`.

pub mod alert;
pub mod analyze;
pub mod applicable;
pub mod battery;
pub mod breaker;
pub mod bundle;
pub mod cause;
pub mod chart;
pub mod commands;

pub mod demo;
pub mod document;
pub mod draft;
pub mod era;
pub mod export;
pub mod faults;
pub mod figures;
pub mod live;
pub mod load;
pub mod marks;
pub mod model;
pub mod opportunity;
#[cfg(test)]
mod properties;
pub mod quality;
pub mod recording;
pub mod refusal;
pub mod remark;
pub mod report;
pub mod season;
pub mod series;
#[cfg(feature = "serve")]
pub mod serve;
pub mod sessions;
pub mod stages;
pub mod state;
pub mod stats;
pub mod status;
pub mod temperature;
#[cfg(test)]
mod testing;
pub mod trend;
pub mod trial;
pub mod verdict;
pub mod view;
pub mod watch;
pub mod whatif;
