//! A lead-acid bank that is never charged full: it sulphates.

use super::{FindingExt, finding};
use crate::report::format;
use crate::stages::{Span, tail_reached};
use crate::view::BankView;
use ampwake_schemas::findings::{Finding, Kind, Severity, Stage};

/// A lead-acid bank wants a full charge every week or two (common practice, no source); days.
const LONGEST_DAYS: f64 = 10.0;
/// Less of the time seen, and the full charge may have happened unseen.
const LEAST_SEEN: f64 = 0.9;
/// Days on which it was charged at all: one that was laid up is another matter.
const LEAST_CHARGED: usize = 3;

/// The longest time without a charge to the tail current, where it is too long.
pub fn never(view: &BankView, spans: &[Span]) -> Option<Finding> {
    if !view.intent.chemistry.is_lead_acid() {
        return None;
    }
    let n = view.grid.len;
    let full = spans.iter().filter(|s| s.stage == Stage::Absorption).filter_map(|s| tail_reached(view, s));
    // A long float is a full charge too, whoever made it.
    let float = spans.iter().filter(|s| s.stage == Stage::Float && s.end - s.start > view.grid.cells(4.0 * 3600.0));
    let mut marks: Vec<usize> = full.chain(float.map(|s| s.start)).chain([0, n]).collect();
    marks.sort_unstable();
    let (from, to) = marks.windows(2).map(|w| (w[0], w[1])).max_by_key(|(a, b)| b - a)?;
    let days = (to - from) as f64 * view.grid.step_s() / 86_400.0;
    let seen = (from..to).filter(|k| !view.voltage[*k].is_nan() && !view.current[*k].is_nan()).count();
    let day = view.grid.cells(86_400.0);
    let rest = view.rest_current();
    let charged = (from..to).step_by(day).filter(|d| (*d..(d + day).min(to)).any(|k| view.current[k] > rest)).count();
    if days < LONGEST_DAYS || (seen as f64) < LEAST_SEEN * (to - from) as f64 || charged < LEAST_CHARGED {
        return None;
    }
    let absorbed = spans.iter().filter(|s| s.stage == Stage::Absorption && s.start >= from && s.end <= to);
    let longest = absorbed.map(|s| s.end - s.start).max().unwrap_or(0) as f64 * view.grid.step_s() / 60.0;
    let summary = format!(
        "For {days:.0} days the bank was charged again and again and never full: no absorption came to its tail current of {}. \
         Lead-acid that is not filled every week or two loses capacity for good.",
        format::setting(view.intent.profile.tail_a, "A")
    );
    Some(
        finding(Kind::NotFullyCharged, Severity::Caution, (view.grid.at(from), view.grid.at(to)), 0.8, summary)
            .with("days", days, 1)
            .with("charged_days", charged as f64, 0)
            .with("longest_absorption_min", longest, 0)
            .check(&[
                "give it a full charge, to the tail current, from shore power",
                "see whether absorption is ended by a timer before the tail current",
            ]),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::decode;
    use crate::testing::{AMPS, Tape, VOLTS, amps, vessel};
    use ampwake_schemas::intent::Chemistry;

    #[test]
    fn twelve_days_without_a_full_charge() {
        let found = |days: i64, chemistry: Chemistry, ends_at: f64| {
            let mut intent = vessel("");
            intent.banks[0].chemistry = chemistry;
            // Every day: four hours of bulk, two of absorption from 60 A down to `ends_at`, then out.
            let hour = |t: i64| (t % 86_400) as f64 / 3600.0;
            let current = move |t: i64| match hour(t) {
                h if h < 4.0 => 60.0,
                h if h < 6.0 => 60.0 - (60.0 - ends_at) * (h - 4.0) / 2.0,
                _ => -15.0,
            };
            let volts = move |t: i64| match hour(t) {
                h if h < 4.0 => 52.0 + h,
                h if h < 6.0 => 56.8,
                _ => 50.0,
            };
            let tape = Tape::every(days * 86_400, 60)
                .fed()
                .with(VOLTS, volts)
                .with(AMPS, current)
                .with(&amps(1), move |t| current(t).max(0.0));
            let view = tape.view(&intent);
            never(&view, &decode(&view)).is_some()
        };
        assert!(found(12, Chemistry::Agm, 35.0));
        // It comes to its tail of 20 A; lithium does not mind; a week is no time.
        assert!(!found(12, Chemistry::Agm, 5.0) && !found(12, Chemistry::Lfp, 35.0) && !found(8, Chemistry::Agm, 35.0));
    }
}
