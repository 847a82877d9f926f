//! Outputs: one short file per output, all written from one [`ReportInput`].
//!
//! Owes its reader: the answer first, in words that need no electrician; every figure with what it was measured
//! against; nothing that was not seen passed off as fine. Text that came from a bus or a file goes through
//! [`format::plain`] before it is shown.

pub mod answer;
pub mod atomic;
pub mod clock;
mod defaults;
pub mod format;
pub(crate) mod html;
mod json;
mod text;
mod trend;
mod trial;
pub(crate) mod words;

pub use html::{html, policy, trial_html};
pub use json::{json, trial_json};
pub use text::text;
pub use trend::trend_text;
pub use trial::trial_text;

use crate::chart::BankCharts;
use ampwake_schemas::findings::{Finding, Findings, Kind, Verdict};
use ampwake_schemas::intent::{Intent, Limit};
use ampwake_schemas::time::Timestamp;

/// What tells one input file from another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fingerprint {
    /// SHA-256 of its content, in hexadecimal.
    Sha256(String),
    /// Its size in bytes, where hashing it would take too long or it is still growing.
    Bytes(u64),
}

/// A file that the report was made from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFile {
    /// Its name.
    pub name: String,
    /// What tells it from another.
    pub fingerprint: Fingerprint,
}

/// Where the report comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Provenance {
    /// The program's version.
    pub program_version: String,
    /// Recordings or databases.
    pub inputs: Vec<InputFile>,
    /// The design intent.
    pub intent_file: Option<InputFile>,
    /// When the report was made; injected, so that equal inputs can give equal reports. `None`: not said.
    pub generated: Option<Timestamp>,
}

/// Everything that an output for people is written from.
#[derive(Debug, Clone)]
pub struct ReportInput<'a> {
    /// What the analysis says.
    pub findings: &'a Findings,
    /// What the designer promised.
    pub intent: &'a Intent,
    /// What is drawn, one per bank.
    pub charts: &'a [BankCharts],
    /// Where it comes from.
    pub provenance: Provenance,
}

/// Where a finding is told. Each stands in one place only.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place<'a> {
    /// With this source of the intent.
    Source(&'a str),
    /// With the bank and the installation as a whole.
    Installation,
    /// With the quality of the data: the recording or a sensor, not the vessel, is in question.
    Data,
}

impl<'a> ReportInput<'a> {
    fn place(&self, finding: &'a Finding) -> Place<'a> {
        match &finding.source {
            Some(name) if self.intent.sources.iter().any(|s| s.name == *name) => Place::Source(name),
            _ if is_about_data(finding.kind) => Place::Data,
            _ => Place::Installation,
        }
    }

    /// Limit and measured value of a verdict as text.
    pub(crate) fn verdict_figures(&self, v: &Verdict) -> (String, String) {
        // Shares are fractions in the document and percent for people.
        let (unit, scale) = match v.unit.as_str() {
            "fraction" => ("%".to_owned(), 100.0),
            other => (format::plain(other), 1.0),
        };
        let limit = words::limit(self.limit(v), &format::setting(v.limit * scale, &unit));
        let measured = match (v.measured, v.uncertainty) {
            (Some(y), Some(u)) => format::with_uncertainty(y * scale, u * scale, &unit),
            (Some(y), None) => format::quantity(y * scale, &unit),
            (None, _) => words::NOT_MEASURED.to_owned(),
        };
        (limit, measured)
    }

    /// The limit of a verdict with its sense; `None` where neither the evidence nor the intent says the sense.
    fn limit(&self, verdict: &Verdict) -> Option<Limit> {
        match verdict.evidence.get("sense").and_then(|s| s.as_str()) {
            Some("at_least") => Some(Limit::AtLeast(verdict.limit)),
            Some("at_most") => Some(Limit::AtMost(verdict.limit)),
            _ => self.intent.requirements.iter().find(|r| r.id == verdict.id).map(|r| match r.limit {
                Limit::AtLeast(_) => Limit::AtLeast(verdict.limit),
                Limit::AtMost(_) => Limit::AtMost(verdict.limit),
            }),
        }
    }
}

fn is_about_data(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::CurrentBalance
            | Kind::SensorFault
            | Kind::ReversedCurrentSensor
            | Kind::DuplicateInstance
            | Kind::DataGap
            | Kind::ClockStep
            | Kind::SensorOffset
            | Kind::SensorSwapped
            | Kind::BusSilent
            | Kind::BusError
            | Kind::FramesLost
    )
}
