//! Findings: one file per sort of thing that somebody should know.

pub mod ac;
pub mod battery;
pub mod design;
pub mod disconnect;
pub mod energy_loop;
pub mod full;
pub mod habits;
pub mod limits;
pub mod recorder;
pub mod restart;
pub mod sensors;
pub mod sources;
pub mod stage;
pub mod swapped;

use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::{Cause, Evidence, Finding, Kind, Severity};
use ampwake_schemas::time::Timestamp;

/// A finding to be filled in: kind, severity, period, confidence and words.
pub(crate) fn finding(
    kind: Kind,
    severity: Severity,
    (start_ms, end_ms): (i64, i64),
    confidence: f64,
    summary: impl Into<String>,
) -> Finding {
    Finding {
        kind,
        cause: None,
        severity,
        source: None,
        channel: None,
        start: Timestamp::from_millis(start_ms),
        end: Timestamp::from_millis(end_ms),
        confidence: (confidence.clamp(0.0, 1.0) * 100.0).round() / 100.0,
        summary: summary.into(),
        evidence: Evidence::new(),
        check_next: Vec::new(),
    }
}

/// Builder steps that read well in a row.
pub(crate) trait FindingExt: Sized {
    fn because(self, cause: Cause) -> Self;
    fn about(self, source: &str) -> Self;
    fn at(self, channel: &ChannelAddress) -> Self;
    fn with(self, name: &str, value: f64, decimals: i32) -> Self;
    fn check(self, what: &[&str]) -> Self;
}

impl FindingExt for Finding {
    fn because(mut self, cause: Cause) -> Self {
        self.cause = Some(cause);
        self
    }
    fn about(mut self, source: &str) -> Self {
        self.source = Some(source.to_owned());
        self
    }
    fn at(mut self, channel: &ChannelAddress) -> Self {
        self.channel = Some(channel.clone());
        self
    }
    fn with(mut self, name: &str, value: f64, decimals: i32) -> Self {
        crate::cause::put(&mut self.evidence, name, value, decimals);
        self
    }
    fn check(mut self, what: &[&str]) -> Self {
        self.check_next.extend(what.iter().map(|w| (*w).to_owned()));
        self
    }
}
