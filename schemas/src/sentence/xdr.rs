//! `XDR`, transducer measurements: groups of type, value, unit and name, as many as the sentence holds.

use super::number::decimal;
use super::{DecodedSentence, SentenceReading};
use crate::quantity::Unit;
use crate::sample::Reading;

/// Longest name of a transducer, as long as a part of a channel address may be.
const LONGEST_NAME: usize = 64;

/// What `XDR` measures: type letter, unit letter, name in channel addresses, the channel's unit, factor. The first row of
/// a type also serves where the sender leaves the unit out, unless the type has a second one.
///
/// Force stays in newtons and has no unit of its own here: nothing on board reads it.
pub static TRANSDUCERS: &[(&str, &str, &str, Unit, f64)] = &[
    ("A", "D", "angle", Unit::Degree, 1.0),
    ("C", "C", "temperature", Unit::Celsius, 1.0),
    ("D", "M", "depth", Unit::Metre, 1.0),
    ("F", "H", "frequency", Unit::Hertz, 1.0),
    ("G", "", "generic", Unit::None, 1.0),
    ("H", "P", "humidity", Unit::Fraction, 0.01),
    ("I", "A", "current", Unit::Ampere, 1.0),
    ("L", "S", "salinity", Unit::Fraction, 0.001),
    ("N", "N", "force", Unit::None, 1.0),
    ("P", "B", "pressure", Unit::Pascal, 1e5),
    ("P", "P", "pressure", Unit::Pascal, 1.0),
    ("R", "l", "flow_rate", Unit::LitrePerHour, 3600.0),
    ("S", "", "switch", Unit::Code, 1.0),
    ("T", "R", "tachometer", Unit::Rpm, 1.0),
    ("U", "V", "voltage", Unit::Volt, 1.0),
    ("V", "M", "volume", Unit::Litre, 1000.0),
];

/// Decodes all groups; what stands behind the last whole group is a group cut short.
pub(super) fn decode(fields: &[&str]) -> DecodedSentence {
    let mut readings = Vec::with_capacity(fields.len() / 4);
    let mut unusable = 0;
    for (place, group) in fields.chunks(4).enumerate() {
        // The name of the last group is left out together with its comma by some senders.
        let (kind, text, unit, id) = match *group {
            [kind, text, unit, id] => (kind, text, unit, id),
            [kind, text, unit] => (kind, text, unit, ""),
            _ => {
                unusable += 1;
                continue;
            }
        };
        let Some(row) = row(kind, unit) else {
            // A group that is empty altogether says nothing, and is nothing wrong.
            unusable += usize::from(!group.iter().all(|f| f.is_empty()));
            continue;
        };
        let reading = match text {
            "" => Reading::NotAvailable,
            text => match decimal(text) {
                Some(number) => Reading::Value(number * row.4),
                None => {
                    unusable += 1;
                    continue;
                }
            },
        };
        // Transducers without a name are told apart by their place in the sentence, from 1.
        let instance = if id.is_empty() { (place + 1).to_string() } else { name(id) };
        readings.push(SentenceReading { instance: Some(instance), field: row.2, unit: row.3, reading });
    }
    DecodedSentence { message: "xdr", readings, time: None, unusable }
}

fn row(kind: &str, unit: &str) -> Option<&'static (&'static str, &'static str, &'static str, Unit, f64)> {
    let mut of_type = TRANSDUCERS.iter().filter(|row| row.0 == kind);
    match (kind, unit) {
        // Any unit: it is the maker's own quantity.
        ("G" | "S", _) => of_type.next(),
        ("P", "") => None,
        (_, "") => of_type.next(),
        _ => of_type.find(|row| row.1.eq_ignore_ascii_case(unit)),
    }
}

/// A name as channel addresses have it: lower case; other characters become `_`.
pub(super) fn name(id: &str) -> String {
    let part: String = id
        .trim()
        .chars()
        .take(LONGEST_NAME)
        .map(|c| match c.to_ascii_lowercase() {
            c @ ('a'..='z' | '0'..='9' | '_' | '-' | '.') => c,
            _ => '_',
        })
        .collect();
    if part.is_empty() { "_".to_owned() } else { part }
}
