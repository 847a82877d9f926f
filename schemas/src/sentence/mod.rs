//! NMEA 0183 sentences as data, with the one decoder that serves them all.
//!
//! A sentence is a row ([`SentenceDef`]) whose values are rows; adding one adds a row. Transducer measurements
//! (`XDR`) say themselves what they are, so they have a table of transducer types instead. The standard's text is
//! not public: field lists and letters are from memory, and checked against sentences that PyPI `pynmea2` reads.
//!
//! Owes its reader: any fields decode without panic; an empty field is "not available", and so is everything of
//! a sentence whose sender says that its data is invalid.

mod number;
mod tables;
mod xdr;

pub use tables::{SENTENCES, find};
pub use xdr::TRANSDUCERS;

use crate::quantity::Unit;
use crate::sample::Reading;
use crate::time::Timestamp;
use number::{clock_time, date, decimal};

/// One sentence formatter.
#[derive(Debug, PartialEq)]
pub struct SentenceDef {
    /// Its three letters.
    pub formatter: &'static str,
    /// As it stands in channel addresses: the three letters in lower case.
    pub message: &'static str,
    /// The standard's title.
    pub title: &'static str,
    /// Fields that say whether the rest is valid: place from 0, letters that mean "invalid".
    pub invalid: &'static [(usize, &'static str)],
    /// Places of the kind (E engine, S shaft) and number that are its instance.
    pub instance: Option<(usize, usize)>,
    /// Its values. Of two rows with the same name the second serves where the first has no value.
    pub values: &'static [ValueDef],
    /// Where it tells the time, if it does.
    pub time: Option<TimeFields>,
}

/// One value of a sentence.
#[derive(Debug, PartialEq)]
pub struct ValueDef {
    /// Name in channel addresses.
    pub name: &'static str,
    /// The channel's unit.
    pub unit: Unit,
    /// Place of the number, from 0.
    pub at: usize,
    /// From the number to the channel's unit.
    pub scale: f64,
    /// How the field beside it has a say.
    pub beside: Beside,
}

/// What the letter in the field behind a number means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Beside {
    /// There is none.
    Nothing,
    /// It names the unit (or reference) and must be this; an empty one is taken as this.
    Is(&'static str),
    /// It is a direction; this one is negative.
    Negative(&'static str),
    /// It is a hemisphere, this one negative, and the number is degrees and minutes, `ddmm.mm`.
    Hemisphere(&'static str),
}

/// Where a sentence tells the time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeFields {
    /// Time, then day, month, year of four digits in fields 1 to 3.
    DayMonthYear,
    /// Time in field 0, `ddmmyy` in this one.
    Date(usize),
}

/// One value that a sentence says.
#[derive(Debug, Clone, PartialEq)]
pub struct SentenceReading {
    /// Which engine, which transducer; in the alphabet of channel addresses.
    pub instance: Option<String>,
    /// The field's name.
    pub field: &'static str,
    /// Its unit.
    pub unit: Unit,
    /// What was said.
    pub reading: Reading,
}

/// A decoded sentence.
#[derive(Debug, Clone, PartialEq)]
pub struct DecodedSentence {
    /// As it stands in channel addresses: the formatter in lower case.
    pub message: &'static str,
    /// Its values in order.
    pub readings: Vec<SentenceReading>,
    /// The time of day that it tells, UTC.
    pub time: Option<Timestamp>,
    /// Values that could not be used: no number, or a unit that the transducer type does not have.
    pub unusable: usize,
}

/// Decodes the fields of a sentence (what stands between the address field and the checksum); `None` for a
/// formatter that has no row.
pub fn decode(formatter: &str, fields: &[&str]) -> Option<DecodedSentence> {
    if formatter == "XDR" {
        return Some(xdr::decode(fields));
    }
    let def = find(formatter)?;
    let field = |at: usize| fields.get(at).copied().unwrap_or_default();
    // A letter that is empty, or a field that an older sender does not send, says nothing.
    let invalid = def.invalid.iter().any(|(at, letters)| !field(*at).is_empty() && letters.contains(field(*at)));
    let instance = def.instance.map(|(kind, number)| instance(field(kind), field(number)));
    let mut readings: Vec<SentenceReading> = Vec::with_capacity(def.values.len());
    let mut unusable = 0;
    for value in def.values {
        let reading = match read(value, field(value.at), field(value.at + 1)) {
            Some(Reading::Value(_)) if invalid => Reading::NotAvailable,
            Some(reading) => reading,
            None => {
                unusable += 1;
                continue;
            }
        };
        match readings.iter_mut().find(|r| r.field == value.name) {
            Some(known) if known.reading == Reading::NotAvailable => known.reading = reading,
            Some(_) => {}
            None => readings.push(SentenceReading {
                instance: instance.clone(),
                field: value.name,
                unit: value.unit,
                reading,
            }),
        }
    }
    let time = def.time.filter(|_| !invalid).and_then(|time| {
        let day = match time {
            TimeFields::DayMonthYear => date(field(1), field(2), field(3)),
            TimeFields::Date(at) => {
                let text = field(at).as_bytes();
                // Two digits of the year: this standard is no older than 2000 in the field.
                let part = |from| std::str::from_utf8(text.get(from..from + 2)?).ok();
                (text.len() == 6).then(|| date(part(0)?, part(2)?, &format!("20{}", part(4)?)))?
            }
        };
        Some(Timestamp::from_micros(day? + clock_time(field(0))?))
    });
    Some(DecodedSentence { message: def.message, readings, time, unusable })
}

/// One value; `None` when the text is no number, or its unit another one.
fn read(def: &ValueDef, text: &str, beside: &str) -> Option<Reading> {
    if text.is_empty() {
        return Some(Reading::NotAvailable);
    }
    let number = decimal(text)?;
    let value = match def.beside {
        Beside::Nothing => number,
        Beside::Is(letter) if beside.is_empty() || beside == letter => number,
        Beside::Is(_) => return None,
        Beside::Negative(letter) if beside == letter => -number,
        Beside::Negative(_) => number,
        Beside::Hemisphere(negative) => {
            let (degrees, minutes) = ((number / 100.0).trunc(), number % 100.0);
            if beside.is_empty() || !(0.0..=18_000.0).contains(&number) || minutes >= 60.0 {
                return None;
            }
            (degrees + minutes / 60.0) * if beside == negative { -1.0 } else { 1.0 }
        }
    };
    Some(Reading::Value(value * def.scale))
}

/// `E,1` is `engine_1`, `S,0` is `shaft_0`.
fn instance(kind: &str, number: &str) -> String {
    let kind = match kind {
        "E" => "engine",
        "S" => "shaft",
        other => other,
    };
    xdr::name(&format!("{kind}_{number}"))
}

#[cfg(test)]
mod tests;
