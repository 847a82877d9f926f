//! What the design itself leaves open, before anything has happened.

use super::{FindingExt, finding};
use crate::report::format;
use crate::view::BankView;
use ampwake_schemas::findings::{Finding, Kind, Severity};
use ampwake_schemas::intent::{LoadDump, SourceKind};

/// Alternators on a bank that can disconnect itself, without declared protection against what that does to them.
///
/// The rule is "field off first, then open" (common practice, no source). A promise on paper does not silence what the
/// recording shows, see `disconnect`.
pub fn load_dump(view: &BankView) -> Vec<Finding> {
    if view.intent.chemistry.is_lead_acid() {
        return Vec::new();
    }
    view.sources
        .iter()
        .filter(|s| s.intent.kind == SourceKind::Alternator)
        .filter_map(|s| {
            let (severity, what) = match s.intent.load_dump {
                Some(LoadDump::None) => (Severity::Caution, "the design says that nothing protects it"),
                Some(LoadDump::Unknown) => (Severity::Info, "the design says that its protection is not known"),
                None => (Severity::Info, "the design does not say what protects it (`load_dump`)"),
                Some(_) => return None,
            };
            let summary = format!(
                "{} charges a lithium bank, whose protection may disconnect it at any moment: {what}. A battery that opens under an \
                 alternator can destroy the alternator's rectifier and whatever else is on the DC bus.",
                format::sentence_start(&s.intent.name)
            );
            let period = (view.grid.start, view.grid.at(view.grid.len));
            Some(finding(Kind::LoadDumpRisk, severity, period, 0.9, summary).about(&s.intent.name).check(&[
                "ask the maker of battery and alternator what must be fitted: a stop signal to the field, a clamp, or a battery that stays connected",
            ]))
        })
        .collect()
}
