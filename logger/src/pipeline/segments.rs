//! The segments of the present recording in the store, and what is said about its clock.

use super::event;
use crate::bus::stamps::Meaning;
use crate::clock::{Basis, ClockWatch, KnownFrom, Placement, Step, place};
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Event, SegmentId, Writer};
use serde_json::json;

/// A correction is written again when it has changed by more than this, ms.
const WORTH_WRITING_MS: i64 = 200;
/// A clock that differs from the bus by more than this is worth a word, ms.
const WORTH_A_WORD_MS: i64 = 60_000;

/// Kind of the event of a recording without receive times.
const TIMES_TOLD: &str = "times_told";

/// What is to be known of a recording whose times are those of its own sentences.
pub(crate) fn times_told(source: &str) -> String {
    format!(
        "{source} carries no receive times: its times are those that its own sentences tell (ZDA, RMC), to the second at best"
    )
}

pub(super) struct Segments {
    pub(super) watch: ClockWatch,
    meaning: Meaning,
    source: String,
    ids: Vec<SegmentId>,
    written: Vec<Option<Placement>>,
    /// Nothing was begun, or the end was said already.
    ended: bool,
}

impl Default for Segments {
    fn default() -> Self {
        let meaning = Meaning::default();
        let watch = ClockWatch::new(meaning);
        Self { watch, meaning, source: String::new(), ids: Vec::new(), written: Vec::new(), ended: true }
    }
}

impl Segments {
    pub(super) fn begin(&mut self, source: &str, meaning: Meaning, store: &mut Writer) {
        *self = Self {
            watch: ClockWatch::new(meaning),
            meaning,
            source: source.to_owned(),
            ended: false,
            ..Self::default()
        };
        self.next(store);
    }

    pub(super) fn next(&mut self, store: &mut Writer) {
        self.ids.push(store.begin_segment(&self.source));
        self.written.push(None);
    }

    /// Tells the store what is known now about the place of each segment.
    pub(super) fn place(&mut self, store: &mut Writer) {
        for ((placed, id), written) in place(&self.watch).into_iter().zip(&self.ids).zip(&mut self.written) {
            let same = written
                .is_some_and(|w| w.basis == placed.basis && (w.offset_ms - placed.offset_ms).abs() <= WORTH_WRITING_MS);
            let untouched = written.is_none() && placed.offset_ms == 0 && placed.basis == Basis::Clock;
            if !same && !untouched {
                store.set_segment_offset(*id, placed.offset_ms, &note(&placed));
                *written = Some(placed);
            }
        }
    }

    /// What the user should know about the times of this recording, at its end.
    pub(super) fn end(&mut self, store: &mut Writer) {
        if std::mem::replace(&mut self.ended, true) {
            return;
        }
        let placed = place(&self.watch);
        // The event stands at the end of the recording, in its last segment.
        let (Some(last), Some(time)) = (placed.last(), self.watch.last()) else { return };
        let source = &self.source;
        if self.meaning == Meaning::Told {
            let text = times_told(source);
            store.event(event(time, TIMES_TOLD, None, text, &json!({ "file": source })));
        }
        if placed.iter().any(|p| p.basis == Basis::Unknown) {
            let text = format!("{source} carries no time of day and nobody on the bus told it: times begin in 1970");
            store.event(event(time, "time_of_day_unknown", None, text, &json!({ "file": source })));
        } else if self.meaning == Meaning::LocalDates && placed.iter().all(|p| p.basis != Basis::Bus) {
            let text = format!(
                "{source} carries dates without their time zone and nobody on the bus told the time: they were taken as UTC"
            );
            store.event(event(time, "time_zone_unknown", None, text, &json!({ "file": source })));
        }
        let differs = last.bus_differs_ms.filter(|ms| last.basis == Basis::Clock && ms.abs() > WORTH_A_WORD_MS);
        if let Some(ms) = differs {
            let seconds = ms as f64 / 1000.0;
            let text = format!("the time on the bus is the recorder's {seconds:+.1} s; the recorder's was kept");
            store.event(event(time, "clock_differs", None, text, &json!({ "bus_less_recorder_s": seconds })));
        }
    }
}

fn note(placed: &Placement) -> String {
    let seconds = placed.offset_ms as f64 / 1000.0;
    match placed.basis {
        Basis::Clock if placed.offset_ms == 0 => String::new(),
        Basis::Clock => format!("{seconds:+.1} s, as its neighbour"),
        Basis::Bus => format!("{seconds:+.1} s by the time on the bus"),
        Basis::System => format!("{seconds:+.1} s by the step of the system's clock after it"),
        Basis::Assumed => {
            format!("{seconds:+.1} s, assumed: placed directly beside its neighbour, nobody told the time")
        }
        Basis::Unknown => "time of day unknown".to_owned(),
    }
}

/// A step as an event, at the first reading after it.
pub(super) fn step_event(step: &Step) -> Event {
    let direction = if step.step_s < 0.0 { "back" } else { "forward" };
    let (known, word) = match step.known_from {
        KnownFrom::Bus => ("both sides are corrected by the time on the bus", "bus"),
        KnownFrom::System => ("the size of the step is known from the system", "system"),
        KnownFrom::Nobody if step.bus_time.is_some() => ("the time after it is known from the bus", "nobody"),
        KnownFrom::Nobody => ("nobody on the bus told the time", "nobody"),
    };
    let corrected = step.known_from != KnownFrom::Nobody;
    let text = format!(
        "the recorder's clock was set {direction} by {:.1} s: from {} to {}; {known}",
        step.step_s.abs(),
        step.before,
        step.after
    );
    let details = json!({
        "before": step.before, "after": step.after, "step_s": step.step_s, "corrected": corrected, "known_from": word,
        "bus_time": step.bus_time,
    });
    event(Timestamp::from_micros(step.after.micros()), "clock_step", None, text, &details)
}
