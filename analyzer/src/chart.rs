//! What the pictures of a report show: series thinned to what a picture can hold, with their gaps.

use ampwake_schemas::findings::{Period, Stage};

/// One line of a picture. Each part is a stretch without gaps: (milliseconds since the epoch, value).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Trace {
    /// What it is, in the user's words.
    pub label: String,
    /// Its parts, in time order.
    pub parts: Vec<Vec<(i64, f64)>>,
}

/// A temperature with the limit that it was held against.
#[derive(Debug, Clone, PartialEq)]
pub struct TemperatureTrace {
    /// The line.
    pub trace: Trace,
    /// Upper limit, degC.
    pub max_c: Option<f64>,
    /// Lower limit for charging, degC (the bank's).
    pub min_c: Option<f64>,
}

/// A stretch of one stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StageBand {
    /// The stage.
    pub stage: Stage,
    /// From, ms since the epoch.
    pub start: i64,
    /// To, ms since the epoch.
    pub end: i64,
}

/// Everything that is drawn for one bank.
#[derive(Debug, Clone, PartialEq)]
pub struct BankCharts {
    /// The bank's name.
    pub bank: String,
    /// The period drawn.
    pub period: Period,
    /// Bank voltage, V.
    pub voltage: Trace,
    /// The profile's absorption set-point over time (temperature-compensated), V.
    pub absorption_v: Trace,
    /// The profile's float set-point over time, V.
    pub float_v: Trace,
    /// Net bank current, A, into the bank positive.
    pub current: Trace,
    /// Highest charge current of the bank, A.
    pub max_charge_a: Option<f64>,
    /// Current of every source that has a sensor, A.
    pub sources: Vec<Trace>,
    /// Rated current of the same sources, A.
    pub ratings: Vec<f64>,
    /// Temperatures of bank and sources.
    pub temperatures: Vec<TemperatureTrace>,
    /// The stages.
    pub stages: Vec<StageBand>,
    /// Silent periods.
    pub gaps: Vec<Period>,
}
