//! What happened to the recording itself: silences, clock steps, duplicates, errors.

use super::{FindingExt, finding};
use crate::recording::Recording;
use crate::report::format;
use ampwake_schemas::findings::{Finding, Kind, Severity};
use ampwake_store::Event;

/// Silences, and the recorder's own events that a reader should know.
pub fn remarks(recording: &Recording) -> Vec<Finding> {
    let mut out: Vec<Finding> = recording
        .silences
        .iter()
        .map(|(from, to)| {
            let seconds = (to - from) as f64 / 1000.0;
            let summary = format!(
                "Nothing was recorded for {}: no current of that time is in any figure.",
                format::duration(seconds)
            );
            finding(Kind::DataGap, Severity::Info, (*from, *to), 0.99, summary)
                .with("silent_s", seconds, 0)
                .check(&["see whether the recorder, its supply or its bus connection was off at that time"])
        })
        .collect();
    if let Some((from, to)) = recording.summaries_only {
        let summary = format!(
            "Only summaries remain of {}: that time was recorded, its single values were let go to save room, and no figure \
             here includes it.",
            format::duration((to - from) as f64 / 1000.0)
        );
        out.push(
            finding(Kind::DataGap, Severity::Info, (from, to), 0.99, summary)
                .with("summarised_s", (to - from) as f64 / 1000.0, 0)
                .check(&[
                    "read the hours of that time in the database: SELECT * FROM hour_utc",
                    "to keep more in full, raise `full_days` or `max_gb` in the recorder's configuration",
                ]),
        );
    }
    for event in &recording.events {
        let (kind, severity, check): (Kind, Severity, &[&str]) = match event.kind.as_str() {
            "clock_step" => (
                Kind::ClockStep,
                Severity::Info,
                &["give the recorder a time source: GNSS on the bus, or a clock battery"],
            ),
            "duplicate_instance" => (
                Kind::DuplicateInstance,
                Severity::Caution,
                &["give one of the two devices another instance, then switch each alone to see which is which"],
            ),
            "bus_error" => (
                Kind::BusError,
                Severity::Caution,
                &["check the bus's terminators (two, 120 ohm), its supply and its longest drop cable"],
            ),
            "bus_silent" | "bus_lost" => {
                (Kind::BusSilent, Severity::Caution, &["check the bus's supply and the recorder's connection to it"])
            }
            "frames_lost" => {
                (Kind::FramesLost, Severity::Info, &["see whether the recorder is overloaded or the bus disturbed"])
            }
            _ => continue,
        };
        let t = event.time.millis();
        let end = if kind == Kind::BusSilent { back(recording, event).max(t) } else { t };
        let mut f = finding(kind, severity, (t, end), 0.95, format::plain(&event.text)).check(check);
        f.channel = event.channel.clone();
        if let Ok(serde_json::Value::Object(details)) = serde_json::from_str(&event.details) {
            f.evidence.extend(details);
        }
        if let Some(bus) = &event.bus {
            f.evidence.insert("bus".into(), bus.as_str().into());
        }
        out.push(f);
    }
    out
}

/// When the bus of this event was heard again, ms; the end of the recording where it was not.
fn back(recording: &Recording, lost: &Event) -> i64 {
    let again = recording.events.iter().filter(|e| e.bus == lost.bus && e.time >= lost.time);
    again
        .filter(|e| matches!(e.kind.as_str(), "bus_speaks" | "bus_back"))
        .map(|e| e.time.millis())
        .min()
        .or(recording.period.map(|p| p.end.millis()))
        .unwrap_or(lost.time.millis())
}

#[cfg(test)]
mod tests {
    use super::*;
    use ampwake_schemas::time::Timestamp;

    fn event(ms: i64, kind: &str, bus: &str) -> Event {
        let (kind, bus) = (kind.to_owned(), Some(bus.to_owned()));
        let details = "{}".to_owned();
        Event { time: Timestamp::from_millis(ms), kind, bus, channel: None, text: "as it was".to_owned(), details }
    }

    #[test]
    fn a_lost_bus_is_a_finding_until_it_is_back() {
        let events = vec![
            event(1_000, "bus_lost", "can0"),
            event(2_000, "bus_back", "can1"),
            event(9_000, "bus_back", "can0"),
            event(20_000, "bus_silent", "can1"),
        ];
        let recording = Recording { events, ..Recording::default() };
        let found = remarks(&recording);
        assert!(found.iter().all(|f| f.kind == Kind::BusSilent && f.severity == Severity::Caution), "{found:?}");
        let spans: Vec<_> = found.iter().map(|f| (f.start.millis(), f.end.millis())).collect();
        assert_eq!(spans, [(1_000, 9_000), (20_000, 20_000)]);
    }
}
