//! Trends over months and years, as they stand among the findings.

use crate::findings::words;
use crate::time::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

words! {
    /// What may change over the years.
    TrendOf {
        /// Ampere-hours between two known states of charge.
        BankCapacity = "bank_capacity",
        /// From steps of the current, near 25 degC.
        BankResistance = "bank_resistance",
        /// From a source's terminals to the bank.
        LeadResistance = "lead_resistance",
        /// A source's part of the energy that all of its kind gave.
        ShareOfKind = "share_of_kind",
    }
}

words! {
    /// Which way it goes.
    Direction {
        /// More than the figures' scatter and uncertainty explain.
        Rising = "rising",
        /// The same, downwards.
        Falling = "falling",
        /// No trend can be told.
        None = "none",
        /// Too few months.
        TooShort = "too_short",
    }
}

/// The figure of one month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrendPoint {
    /// Middle of the month.
    pub time: Timestamp,
    /// The figure.
    pub value: f64,
    /// One standard uncertainty, where it is known.
    pub uncertainty: Option<f64>,
}

/// One figure over the months, with the Theil-Sen slope and the Mann-Kendall test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Trend {
    /// What.
    pub of: TrendOf,
    /// Whose; null: the bank's.
    pub source: Option<String>,
    /// Unit of the values.
    pub unit: String,
    /// Which way it goes.
    pub direction: Direction,
    /// Change in a year; null with fewer than two months.
    pub per_year: Option<f64>,
    /// Lower end of its 99 % interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Probability of so clear a change where there is none.
    pub p: Option<f64>,
    /// Month by month.
    pub points: Vec<TrendPoint>,
}
