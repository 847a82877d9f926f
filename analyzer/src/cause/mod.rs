//! Why a source adds too little. In the order: is its data good, is it there, is it limited, how is it
//! controlled. Every cause carries the figures that speak for it, and those that speak against it lower the
//! confidence.

mod device_fault;
mod experiments;
mod idle;
mod short;

pub use experiments::{Experiment, experiments};
pub use idle::{Stretch, explain_idle, idle_stretches};
pub use short::{Shortfall, derates, explain_shortfall};

use ampwake_schemas::findings::{Cause, Evidence};

/// A cause with its standing.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnosis {
    /// The cause.
    pub cause: Cause,
    /// 0..1.
    pub confidence: f64,
    /// The figures behind it.
    pub evidence: Evidence,
    /// In plain words, to follow a colon: "held off by the bus voltage".
    pub because: String,
    /// What to check, most likely first.
    pub check_next: Vec<String>,
}

/// Adds a number to the evidence, rounded to `decimals`; what is not finite is left out.
pub(crate) fn put(evidence: &mut Evidence, name: &str, value: f64, decimals: i32) {
    if value.is_finite() {
        let scale = 10_f64.powi(decimals);
        evidence.insert(name.to_owned(), serde_json::json!((value * scale).round() / scale));
    }
}

/// Share of the cells for which `test` is true, among those for which it says anything.
pub(crate) fn share_of(cells: impl Iterator<Item = usize>, test: impl Fn(usize) -> Option<bool>) -> Option<f64> {
    let (mut yes, mut all) = (0_u32, 0_u32);
    for answer in cells.filter_map(test) {
        all += 1;
        yes += u32::from(answer);
    }
    (all > 0).then(|| f64::from(yes) / f64::from(all))
}
