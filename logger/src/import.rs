//! Recordings into a database: the same pipeline as a live bus, as fast as the disk allows.
//!
//! Owes its reader: memory that does not grow with the recordings, a report of everything that could not be
//! used, and no recording twice.

use crate::bus::recording::{Carried, Damage, Input, Recording, RecordingError};
use crate::bus::stamps::Meaning;
use crate::dialect::Dialects;
use crate::pipeline::{Pipeline, event, times_told};
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Event, StoreError, Writer, raw};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Samples per commit: some 5 MB of memory.
const SAMPLES_PER_COMMIT: usize = 100_000;
/// Frames per commit where there are few samples: what is told of a bus full of trouble takes memory too.
const FRAMES_PER_COMMIT: u64 = 50_000;
/// Frames between two looks at the progress.
const FRAMES_PER_LOOK: u64 = 20_000;
/// Kind of the event that ends an import.
const IMPORTED: &str = "imported";

/// How to import.
#[derive(Debug, Clone, Default)]
pub struct ImportOptions {
    /// What each bus speaks, by bus name; NMEA 2000 where nothing is said.
    pub bus_protocols: Dialects,
    /// The bus of NMEA 0183 sentences whose recording names none; `serial` where nothing is said.
    pub sentence_bus: Option<String>,
}

/// How far an import is.
#[derive(Debug, Clone, Copy)]
pub struct Progress<'a> {
    /// The recording that is being read.
    pub input: &'a Input,
    /// Its number, from 1.
    pub number: usize,
    /// Number of recordings.
    pub of: usize,
    /// Frames of all recordings so far.
    pub frames: u64,
    /// How much of this recording was read, 0..1; `None` for standard input.
    pub fraction: Option<f64>,
}

/// What an import brought.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ImportReport {
    /// Frames of any kind.
    pub frames: u64,
    /// Messages that were decoded.
    pub messages: u64,
    /// Samples that were stored.
    pub samples: u64,
    /// Stretches between two jumps of the clock, over all recordings.
    pub segments: usize,
    /// Steps of the recorder's clock.
    pub clock_steps: u64,
    /// What could not be used, by name.
    pub problems: BTreeMap<String, u64>,
    /// The first frame's time, corrected.
    pub first: Option<Timestamp>,
    /// The last frame's time, corrected.
    pub last: Option<Timestamp>,
    /// What is to be known of the times.
    pub remarks: Vec<String>,
    /// Recordings that are in the database already; they were left out.
    pub skipped: Vec<Input>,
}

/// Why an import ended.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// A recording cannot be read.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// Raw frames into the database that they were recorded beside.
    #[error(
        "{input}: these are the raw frames of that very database, whose values they would double; import them into \
         another one (`--db other.db`)"
    )]
    Own {
        /// The recording.
        input: Input,
    },
    /// The database cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Imports recordings, each as a segment of its own (more where its clock jumps). Every recording is looked at
/// before the first is read, so that a wrong name is found before anything is written.
///
/// # Errors
/// A recording that is none or cannot be read, a database that cannot be written. What was committed until then
/// stays in the database.
pub fn import(
    inputs: &[Input],
    options: &ImportOptions,
    store: &mut Writer,
    progress: &mut dyn FnMut(Progress<'_>),
) -> Result<ImportReport, ImportError> {
    look(inputs)?;
    if let Some(input) = inputs.iter().find(|input| is_own(input, store.path())) {
        return Err(ImportError::Own { input: input.clone() });
    }
    let before = store.problems()?;
    let mut known: BTreeSet<String> = store.events()?.iter().filter_map(fingerprint_of).collect();
    // Each recording by itself: one that is broken off leaves nothing, those before it stay.
    let mut pipeline = Pipeline::new(options.bus_protocols.clone());
    let mut report = ImportReport::default();
    for (i, input) in inputs.iter().enumerate() {
        let mut recording = Recording::open(input)?;
        if let Some(name) = &options.sentence_bus {
            recording = recording.with_line(name);
        }
        if !known.insert(recording.fingerprint()) {
            report.skipped.push(input.clone());
            continue;
        }
        let meaning = recording.stamps().meaning();
        store.begin_bulk();
        pipeline.begin(&input.to_string(), meaning, store);
        let mut buses = Vec::new();
        let mut committed = pipeline.totals().frames;
        while let Some((bus, carried)) = recording.advance()? {
            while buses.len() < recording.buses().len() {
                buses.push(pipeline.bus(&recording.buses()[buses.len()]));
            }
            match carried {
                Carried::Frame(frame) => pipeline.frame(buses[bus], frame, store),
                Carried::Readings(readings) => pipeline.readings(buses[bus], *readings, store),
            }
            let frames = pipeline.totals().frames;
            if store.pending() >= SAMPLES_PER_COMMIT || frames - committed >= FRAMES_PER_COMMIT {
                pipeline.flush(store);
                store.commit()?;
                committed = frames;
            }
            if frames.is_multiple_of(FRAMES_PER_LOOK) {
                progress(Progress { input, number: i + 1, of: inputs.len(), frames, fraction: recording.progress() });
            }
        }
        for (name, n) in &recording.damage().counts {
            pipeline.count(name, *n);
        }
        pipeline.finish(store);
        if meaning == Meaning::Told {
            report.remarks.push(times_told(&input.to_string()));
        }
        let (first, last) = pipeline.period().unzip();
        report.first = [report.first, first].into_iter().flatten().min();
        report.last = report.last.max(last);
        report.segments += pipeline.segment_count();
        // Events are kept in the recorder's time.
        let end = pipeline.clock().unwrap_or_default();
        if let Some(damage) = damage_event(input, end, recording.damage()) {
            store.event(damage);
        }
        let details = json!({ "file": input.to_string(), "fingerprint": recording.fingerprint() });
        store.event(event(end, IMPORTED, None, format!("{input} was imported"), &details));
        store.end_bulk();
        store.commit()?;
    }
    let totals = pipeline.totals();
    report.frames = totals.frames;
    report.messages = totals.messages;
    report.samples = totals.samples;
    report.clock_steps = totals.clock_steps;
    report.problems = store.problems()?;
    report.problems.retain(|name, n| {
        *n -= before.get(name).copied().unwrap_or(0);
        *n > 0
    });
    Ok(report)
}

/// Looks whether the recordings can be read, as far as that can be told without reading them to their ends.
///
/// # Errors
/// One that is none, or cannot be read.
pub fn look(inputs: &[Input]) -> Result<(), RecordingError> {
    inputs.iter().filter(|input| !is_stream(input)).try_for_each(|input| Recording::open(input).map(drop))
}

/// Whether these are the raw frames that lie beside the database.
fn is_own(input: &Input, database: &Path) -> bool {
    let (Input::File(path), beside) = (input, raw::beside(database)) else { return false };
    std::fs::canonicalize(path).is_ok_and(|path| std::fs::canonicalize(beside).is_ok_and(|own| own == path))
}

/// What can be read only once: standard input and pipes.
fn is_stream(input: &Input) -> bool {
    match input {
        Input::Standard => true,
        // What does not exist is no stream: opening it says so.
        Input::File(path) => std::fs::metadata(path).is_ok_and(|m| !m.is_file()),
    }
}

fn fingerprint_of(event: &Event) -> Option<String> {
    let details: serde_json::Value = serde_json::from_str(&event.details).ok().filter(|_| event.kind == IMPORTED)?;
    Some(details["fingerprint"].as_str()?.to_owned())
}

/// The damaged lines of a recording, the first of them with their text.
fn damage_event(input: &Input, time: Timestamp, damage: &Damage) -> Option<Event> {
    let total: u64 = damage.counts.values().sum();
    let shown: Vec<String> = damage.lines.iter().map(|(number, text)| format!("line {number} `{text}`")).collect();
    if total == 0 {
        return None;
    }
    let counts: Vec<String> = damage.counts.iter().map(|(name, n)| format!("{name} {n}")).collect();
    let mut text = format!("parts of {input} could not be used ({})", counts.join(", "));
    if !shown.is_empty() {
        text.push_str(&format!("; the first: {}", shown.join("; ")));
    }
    let lines: Vec<_> = damage.lines.iter().map(|(number, text)| json!({ "line": number, "text": text })).collect();
    let details = json!({ "file": input.to_string(), "counts": damage.counts, "lines": lines });
    Some(event(time, "damaged_recording", None, text, &details))
}
