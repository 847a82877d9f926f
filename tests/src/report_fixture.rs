//! An invented vessel and one day of it, as the analysis would hand it to the report.
//!
//! The starboard shore charger is held off by the port one, the alternator gets too hot, the requirements come to all
//! four verdicts, and 25 minutes are missing. Figures are made up, but add up.

mod charts;
mod findings;
mod intent;
mod results;

use ampwake_analyzer::chart::BankCharts;
use ampwake_analyzer::report::{Fingerprint, InputFile, Provenance, ReportInput};
use ampwake_schemas::findings::{Evidence, Findings};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::time::Timestamp;

/// Owns what a [`ReportInput`] borrows.
#[derive(Debug, Clone)]
pub struct Fixture {
    /// Result of the analysis.
    pub findings: Findings,
    /// What was promised.
    pub intent: Intent,
    /// What is drawn.
    pub charts: Vec<BankCharts>,
}

impl Fixture {
    /// As the outputs take it.
    pub fn report(&self) -> ReportInput<'_> {
        let hash = "5f1d7a3c9be2406e8a77d21f0c4b9d6e3a58f7102c6be94d1f30a8e5b7c2d914";
        ReportInput {
            findings: &self.findings,
            intent: &self.intent,
            charts: &self.charts,
            provenance: Provenance {
                program_version: "0.1.0".into(),
                inputs: vec![
                    InputFile {
                        name: "curlew-2025-09-12.log.zst".into(),
                        fingerprint: Fingerprint::Sha256(hash.into()),
                    },
                    InputFile { name: "voyage.db".into(), fingerprint: Fingerprint::Bytes(18_874_368) },
                ],
                intent_file: Some(InputFile {
                    name: "curlew.toml".into(),
                    fingerprint: Fingerprint::Sha256(hash.into()),
                }),
                generated: Some(at("2025-09-13T08:15:00Z")),
            },
        }
    }
}

/// The day.
pub fn day() -> Fixture {
    Fixture { findings: findings::findings(), intent: intent::intent(), charts: vec![charts::charts()] }
}

/// A time that the fixture's author wrote right.
pub fn at(text: &str) -> Timestamp {
    Timestamp::parse_rfc3339(text).expect("a time of the fixture")
}

fn hm(text: &str) -> Timestamp {
    at(&format!("2025-09-12T{text}:00Z"))
}

const PORT: &str = "port shore charger";
const STBD: &str = "starboard shore charger";
const ALT: &str = "engine alternator";
const SOLAR: &str = "coachroof solar";
const HYDRO: &str = "towed hydrogenerator";

fn evidence(pairs: &[(&str, serde_json::Value)]) -> Evidence {
    pairs.iter().map(|(k, v)| ((*k).to_owned(), v.clone())).collect()
}
