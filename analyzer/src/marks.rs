//! What the engineer did and read by hand: marks that explain the recording, and readings held against its sensors.
//!
//! Owes its reader: a reading never outranks a sensor silently. Both stand side by side with their uncertainties, and
//! an instrument whose calibration is old or not stated is said to be so.

use crate::recording::Recording;
use crate::remark::{FindingExt, finding};
use crate::report::format;
use crate::stats;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::{Agreement, Finding, HandReading, Kind, Mark, Severity};
use ampwake_schemas::intent::{Accuracy, AccuracyOf, Intent, Signal};
use ampwake_schemas::time::Timestamp;
use ampwake_store::Event;
use chrono::{Months, NaiveDate};
use serde::{Deserialize, Serialize};

/// The kind of event that `ampwake mark` writes.
pub const KIND: &str = "mark";
/// A channel is asked for what it said this long before and after a reading, ms: somebody reads, then types.
const ABOUT_MS: i64 = 15_000;
/// A calibration older than this is said to be old (a year is the usual interval; common practice, no source).
const CALIBRATION_MONTHS: u32 = 12;
/// A reading by hand and a sensor that differ by less than this many standard uncertainties agree (k = 2, JCGM 100, 6.3).
const COVERAGE: f64 = 2.0;

/// The reading as the event's details hold it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Details {
    /// What the instrument showed.
    pub reading: Option<f64>,
    /// In this unit.
    pub unit: Option<String>,
    /// The instrument's own limits of error, ± in the unit, as its data sheet says.
    pub plus_minus: Option<f64>,
    /// Which instrument.
    pub instrument: Option<String>,
    /// When it was last calibrated.
    pub calibrated: Option<String>,
}

/// Channels that marks name: to be read beside those of the intent.
pub fn channels(events: &[Event]) -> impl Iterator<Item = ChannelAddress> + '_ {
    events.iter().filter(|e| e.kind == KIND).filter_map(|e| e.channel.clone())
}

/// The limits of error that a hand-held instrument commonly has, ± (common practice, no source): clamp meters 2 % and
/// half an ampere, multimeters 0.5 % and 0.02 V, thermometers 1.5 K.
fn usual(unit: &str, value: f64) -> f64 {
    match unit {
        "A" => 0.02 * value.abs() + 0.5,
        "V" => 0.005 * value.abs() + 0.02,
        "degC" => 1.5,
        _ => 0.02 * value.abs(),
    }
}

/// One standard uncertainty of a channel of this unit.
fn sensor(unit: &str, value: f64, accuracy: &Accuracy) -> f64 {
    let of: AccuracyOf = match unit {
        "A" => accuracy.current,
        "V" => accuracy.voltage,
        "degC" => accuracy.temperature,
        _ => AccuracyOf { percent: 1.0, floor: 0.0 },
    };
    of.of(value)
}

/// Every mark in time order, its reading compared with the recording.
pub fn marks(recording: &Recording, intent: &Intent) -> Vec<Mark> {
    let signals = crate::quality::signals(intent);
    let mut out: Vec<Mark> = recording
        .events
        .iter()
        .filter(|e| e.kind == KIND)
        .map(|e| {
            let details: Details = serde_json::from_str(&e.details).unwrap_or_default();
            // The intent's sign and scale are what a person means by positive.
            let named = e.channel.clone().map(|address| {
                let known = signals.iter().find(|s| s.2.address == address);
                known.map_or(Signal { address, scale: 1.0 }, |s| s.2.clone())
            });
            let reading = details.reading.filter(|v| v.is_finite());
            let reading = reading.map(|value| compare(recording, intent, e.time, value, &details, named));
            Mark { time: e.time, text: e.text.clone(), reading }
        })
        .collect();
    out.sort_by_key(|m| m.time);
    out
}

fn compare(
    recording: &Recording,
    intent: &Intent,
    at: Timestamp,
    value: f64,
    details: &Details,
    named: Option<Signal>,
) -> HandReading {
    let unit = details.unit.clone().unwrap_or_default();
    // Limits of error are taken as a rectangular distribution: a / sqrt(3) (JCGM 100, 4.3.7).
    let own = details.plus_minus.filter(|u| u.is_finite() && *u > 0.0);
    let uncertainty = own.unwrap_or_else(|| usual(&unit, value)) / 3_f64.sqrt();
    let said = named.as_ref().and_then(|signal| said_about(recording, signal, at));
    let calibration = calibration(details.calibrated.as_deref(), at);
    let (agreement, recorded, words) = match (&named, said) {
        (None, _) => (Agreement::NotCompared, None, "no channel was named".to_owned()),
        (Some(_), None) => (Agreement::NotCompared, None, "the channel said nothing at that time".to_owned()),
        (Some(_), Some((recorded, spread))) => {
            let u = sensor(&unit, recorded, &intent.accuracy).hypot(spread);
            let apart = value - recorded;
            let allowed = COVERAGE * uncertainty.hypot(u);
            let agrees = apart.abs() <= allowed;
            let figures = format!(
                "{} apart, where {} are within both uncertainties",
                format::quantity(apart.abs(), &unit),
                format::quantity(allowed, &unit)
            );
            (if agrees { Agreement::Agrees } else { Agreement::Differs }, Some((recorded, u)), figures)
        }
    };
    HandReading {
        channel: named.map(|s| s.address),
        value,
        uncertainty: three(uncertainty),
        uncertainty_given: own.is_some(),
        unit,
        instrument: details.instrument.clone(),
        calibrated: details.calibrated.clone(),
        recorded: recorded.map(|r| three(r.0)),
        recorded_uncertainty: recorded.map(|r| three(r.1)),
        agreement,
        reason: match calibration {
            Some(remark) => format!("{words}; {remark}"),
            None => words,
        },
    }
}

fn three(x: f64) -> f64 {
    (x * 1000.0).round() / 1000.0
}

/// What a signal said about a moment, and how much it moved meanwhile (half the span of its middle four fifths).
fn said_about(recording: &Recording, signal: &Signal, at: Timestamp) -> Option<(f64, f64)> {
    let series = recording.signal(signal);
    let t = at.millis();
    // A channel that is sent more rarely still holds its last value.
    let (from, to) = (t - ABOUT_MS.max(series.hold_ms()), t + ABOUT_MS);
    let near: Vec<f64> = series.points().filter(|p| (from..=to).contains(&p.0)).map(|p| p.1).collect();
    let middle = stats::median(near.iter().copied())?;
    let (high, low) = (stats::quantile(near.iter().copied(), 0.9)?, stats::quantile(near.iter().copied(), 0.1)?);
    Some((middle, (high - low) / 2.0))
}

/// What has to be said of a calibration at the time of the reading; `None` where nothing has.
fn calibration(date: Option<&str>, at: Timestamp) -> Option<String> {
    let Some(date) = date else { return Some("the instrument's calibration is not stated".to_owned()) };
    let day = NaiveDate::parse_from_str(date, "%Y-%m-%d").ok();
    let read = at.to_utc().map(|t| t.date_naive());
    match day.zip(read) {
        None => Some("the date of the instrument's calibration cannot be read".to_owned()),
        Some((day, read)) if day > read => {
            Some(format!("the instrument's calibration ({day}) is dated after the reading"))
        }
        Some((day, read)) if day.checked_add_months(Months::new(CALIBRATION_MONTHS)).is_none_or(|end| end < read) => {
            Some(format!("the instrument's calibration ({day}) was more than a year old"))
        }
        Some(_) => None,
    }
}

/// Sensors that differ from what was read by hand: by an amount of its own (an offset), or in proportion or not at all
/// alike (a fault).
pub fn disagreements(marks: &[Mark], intent: &Intent) -> Vec<Finding> {
    let signals = crate::quality::signals(intent);
    let mut channels: Vec<&ChannelAddress> = differing(marks).filter_map(|(_, r)| r.channel.as_ref()).collect();
    channels.sort();
    channels.dedup();
    let mut found: Vec<Finding> = channels.into_iter().filter_map(|c| disagreement(c, marks, &signals)).collect();
    for f in &mut found {
        // Findings about the bank's own sensors name no source.
        f.source = f.source.take().filter(|name| intent.sources.iter().any(|s| s.name == *name));
    }
    found
}

fn differing(marks: &[Mark]) -> impl Iterator<Item = (Timestamp, &HandReading)> {
    let readings = marks.iter().filter_map(|m| Some((m.time, m.reading.as_ref()?)));
    readings.filter(|(_, r)| r.agreement == Agreement::Differs)
}

fn disagreement(channel: &ChannelAddress, marks: &[Mark], signals: &[(String, String, &Signal)]) -> Option<Finding> {
    let all: Vec<(Timestamp, &HandReading, f64)> = marks
        .iter()
        .filter_map(|m| Some((m.time, m.reading.as_ref()?)))
        .filter(|(_, r)| r.channel.as_ref() == Some(channel))
        .filter_map(|(t, r)| Some((t, r, r.recorded?)))
        .collect();
    let apart: Vec<&(Timestamp, &HandReading, f64)> =
        all.iter().filter(|(_, r, _)| r.agreement == Agreement::Differs).collect();
    let (first, last) = (apart.first()?, apart.last()?);
    let (time, reading, recorded) = first;
    let u = reading.uncertainty.hypot(reading.recorded_uncertainty?);
    // The same difference at two levels that are well apart is an offset; so is one with nothing flowing.
    let level = |r: &HandReading| r.value;
    let (low, high) = all.iter().fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(level(x.1)), h.max(level(x.1))));
    let off = |x: &(Timestamp, &HandReading, f64)| x.2 - x.1.value;
    let steady = all.iter().all(|x| (off(x) - off(first)).abs() <= COVERAGE * u);
    let nothing_flows = reading.value.abs() <= COVERAGE * u && reading.unit == "A";
    let offset = steady && (nothing_flows || (all.len() > 1 && high - low > 4.0 * u));
    let turned = (*recorded + reading.value).abs() <= COVERAGE * u;
    let owner = signals.iter().find(|s| s.2.address == *channel);
    let who = owner.map_or_else(
        || channel.to_string(),
        |(o, role, _)| format!("{} of {}", role.replace('_', " "), format::plain(o)),
    );
    let told = |v: f64| format::quantity(v, &reading.unit);
    let what = if turned {
        "the same with the other sign: it may be mounted the wrong way round"
    } else if offset {
        "the same amount at every reading: an offset"
    } else {
        "more than both uncertainties allow"
    };
    let summary = format!(
        "By hand {} was read as {}, and the recording has {}: {what}. {}.",
        who,
        format::with_uncertainty(reading.value, COVERAGE * reading.uncertainty, &reading.unit),
        told(*recorded),
        format::sentence_start(&reading.reason),
    );
    let sound = apart.iter().any(|(t, r, _)| calibration(r.calibrated.as_deref(), *t).is_none());
    let kind = if offset { Kind::SensorOffset } else { Kind::SensorFault };
    let confidence = if sound { 0.85 } else { 0.6 };
    let mut found = finding(kind, Severity::Caution, (time.millis(), last.0.millis()), confidence, summary)
        .at(channel)
        .with("read_by_hand", reading.value, 3)
        .with("recorded", *recorded, 3)
        .with("differing_readings", apart.len() as f64, 0)
        .with("readings", all.len() as f64, 0)
        .check(&[
            "repeat the reading at nothing, a third and nine tenths of full current with a calibrated instrument (qualified person)",
            "if the sensor is wrong, every figure that rests on it is: say its ratio as `scale` in the intent, or set its zero",
        ]);
    found.source = owner.map(|(o, ..)| o.clone());
    Some(found)
}

/// Puts beside each caution about a source what somebody marked about it at that time, so that a charger that was
/// switched off for a test is not taken for a broken one.
pub fn explain(findings: &mut [Finding], marks: &[Mark]) {
    const MOST: usize = 3;
    const BEFORE_MS: i64 = 600_000;
    for f in findings.iter_mut().filter(|f| f.severity >= Severity::Caution) {
        let Some(name) = f.source.as_ref().map(|n| n.to_lowercase()) else { continue };
        let (from, to) = (f.start.millis() - BEFORE_MS, f.end.millis());
        let about = marks.iter().filter(|m| (from..=to).contains(&m.time.millis()) && m.reading.is_none());
        let said: Vec<String> = about
            .filter(|m| m.text.to_lowercase().contains(&name))
            .take(MOST)
            .map(|m| format!("{}: {}", m.time, format::plain(&m.text)))
            .collect();
        if !said.is_empty() {
            f.check_next.insert(0, format!("read the marks of that time first: {}", said.join("; ")));
            f.evidence.insert("marks".to_owned(), serde_json::json!(said));
        }
    }
}

#[cfg(test)]
#[path = "marks_tests.rs"]
mod tests;
