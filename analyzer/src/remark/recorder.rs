//! What happened to the recording itself: silences, clock steps, duplicates, errors.

use super::{FindingExt, finding};
use crate::recording::Recording;
use crate::report::format;
use ampwake_schemas::findings::{Finding, Kind, Severity};

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
            "bus_silent" => {
                (Kind::BusSilent, Severity::Caution, &["check the bus's supply and the recorder's connection to it"])
            }
            "frames_lost" => {
                (Kind::FramesLost, Severity::Info, &["see whether the recorder is overloaded or the bus disturbed"])
            }
            _ => continue,
        };
        let t = event.time.millis();
        let mut f = finding(kind, severity, (t, t), 0.95, format::plain(&event.text)).check(check);
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
