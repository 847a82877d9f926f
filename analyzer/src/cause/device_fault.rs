//! Whether the device behind an idle source says itself what is wrong.

use super::{Stretch, put};
use crate::faults::SourceFault;
use crate::report::format;
use crate::view::BankView;
use ampwake_schemas::findings::Evidence;

/// A fault under which the source gave for so long did not stop it, s (common practice, no source).
const GAVE_S: f64 = 600.0;
/// Faults that are quoted.
const QUOTED: usize = 4;

/// Faults of its device that were active most of the time in which source `j` stood idle, with the confidence that
/// they are why. Not those under which it gave at other times, and not those of a device that stands for other sources
/// too while one of these gives.
pub(super) fn device_fault(
    view: &BankView,
    j: usize,
    stretch: Stretch,
    evidence: &mut Evidence,
) -> Option<(f64, String)> {
    let s = &view.sources[j];
    let cells = stretch.start..stretch.end;
    let gave = |gives: &[bool], within: &std::ops::Range<usize>| within.clone().filter(|k| gives[*k]).count();
    let another_gives = |name: &String| {
        let other = view.sources.iter().find(|o| o.intent.name == *name);
        other.is_some_and(|o| gave(&o.gives, &cells) * 2 > cells.len())
    };
    let tells = |f: &&SourceFault| {
        let under: usize = f.cells.iter().map(|c| gave(&s.gives, c)).sum();
        under < view.grid.cells(GAVE_S) && !f.others.iter().any(another_gives)
    };
    let active: Vec<&SourceFault> = s.faults.iter().filter(|f| f.active(&cells) * 2 > cells.len()).collect();
    if !active.is_empty() {
        let codes: Vec<String> = active.iter().take(QUOTED).map(|f| format::plain(&f.code)).collect();
        evidence.insert("device_faults".to_owned(), serde_json::json!(codes));
    }
    let telling: Vec<&SourceFault> = active.into_iter().filter(tells).collect();
    let first = telling.first()?;
    put(evidence, "device_fault_active_share", first.active(&cells) as f64 / cells.len() as f64, 3);
    let mut text = format::plain(&first.text);
    for other in telling.iter().skip(1).take(QUOTED - 1) {
        text.push_str(&format!("; {}", format::plain(&other.code)));
    }
    let confidence = match (first.own, first.others.is_empty()) {
        (true, true) => 0.88,
        // Of a sensor's own device it is not known what it says about the source.
        (false, true) => 0.75,
        (_, false) => 0.6,
    };
    Some((confidence, text))
}

#[cfg(test)]
mod tests {
    use crate::faults::from_events;
    use crate::testing::{Tape, amps, second_idle, vessel, why_second};
    use ampwake_schemas::findings::Cause;
    use ampwake_schemas::intent::Intent;
    use ampwake_schemas::time::Timestamp;
    use ampwake_store::Event;

    const SECOND_CHARGER: u8 = 42;

    fn event(second: i64, kind: &str, address: u8, sends: &str) -> Event {
        let details = format!(
            r#"{{"protocol": "j1939", "address": {address}, "name": null, "code": "SPN 1675, FMI 3", "sends": [{sends}]}}"#
        );
        let text = format!("the device at address {address} on can0 reports a fault: SPN 1675, FMI 3");
        let (kind, bus) = (kind.to_owned(), Some("can0".to_owned()));
        Event { time: Timestamp::from_millis(second * 1000), kind, bus, channel: None, text, details }
    }

    /// The second charger is idle for two hours and says bulk; a device reported a fault in these seconds.
    fn scene(address: u8, sends: &str, from: i64, to: i64) -> Tape {
        let events = [
            event(from, "fault_reported", address, ""),
            event(from + 1, "fault_sender", address, sends),
            event(to, "fault_cleared", address, ""),
        ];
        second_idle(1.0).with_faults(from_events(&events))
    }

    fn why(intent: &Intent, tape: &Tape) -> Vec<(Cause, f64, String)> {
        why_second(intent, tape).into_iter().map(|d| (d.cause, d.confidence, d.because)).collect()
    }

    const OWN: &str = r#""n2k/127507/2""#;

    #[test]
    fn the_fault_of_its_own_device_is_quoted() {
        let told = "the device at address 42 on can0 reports a fault: SPN 1675, FMI 3".to_owned();
        let found = why(&vessel(""), &scene(SECOND_CHARGER, OWN, 0, 9000));
        assert_eq!(found, [(Cause::FaultReported, 0.88, told)]);
    }

    #[test]
    fn the_fault_of_another_device_or_of_before_says_nothing() {
        let intent = vessel("");
        for tape in [
            scene(SECOND_CHARGER, r#""n2k/127507/1", "n2k/127508/0""#, 0, 9000),
            scene(SECOND_CHARGER, "", 0, 9000),
            // Gone before most of it.
            scene(SECOND_CHARGER, OWN, 0, 600),
            // One device speaks for both, and the first gives.
            scene(SECOND_CHARGER, r#""n2k/127507/1", "n2k/127507/2""#, 0, 9000),
            // It gave for a quarter of an hour with the same fault.
            scene(SECOND_CHARGER, OWN, 0, 9000).with(&amps(2), |t| if t < 900 { 50.0 } else { 0.0 }),
        ] {
            let found = why(&intent, &tape);
            assert!(found.len() == 1 && found[0].0 != Cause::FaultReported, "{found:?}");
        }
    }

    #[test]
    fn a_device_that_only_measures_is_believed_less() {
        let mut intent = vessel("");
        intent.sources[1].signals.state = None;
        let found = why(&intent, &scene(SECOND_CHARGER, r#""n2k/127751/2""#, 0, 9000));
        assert_eq!((found[0].0, found[0].1), (Cause::FaultReported, 0.75));
    }
}
