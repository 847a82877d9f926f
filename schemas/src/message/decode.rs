//! The one decoder: from a payload and a row of the tables to values in channel units.
//!
//! Owes its reader: any payload of any length decodes without panic and in memory bounded by its length. What a
//! payload is too short for is "not available" (older devices send fewer fields), never an error and never zero.

use super::{Field, FieldKind, MessageDef, Protocol, bits, special};
use crate::quantity::Unit;
use crate::sample::Reading;
use std::borrow::Cow;

/// A decoded message.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoded {
    /// Its definition.
    pub def: &'static MessageDef,
    /// Its instance, where it has a valid one.
    pub instance: Option<u32>,
    /// Its sequence identifier, where it has one: equal ones of one sender belong to one instant.
    pub sequence: Option<u8>,
    /// Its fields in order, without reserved ones, instance, count, set index and sequence.
    pub fields: Vec<DecodedField>,
}

/// One decoded field.
#[derive(Debug, Clone, PartialEq)]
pub struct DecodedField {
    /// Its definition.
    pub field: &'static Field,
    /// Which repeating set, from 0: what the set says of itself (line 1 = 0) where all sets of the message carry
    /// valid and distinct numbers, else its place.
    pub set: u8,
    /// What it said.
    pub value: FieldValue,
}

/// What a field said.
#[derive(Debug, Clone, PartialEq)]
pub enum FieldValue {
    /// A number, a code, or the statement that there is none.
    Reading(Reading),
    /// Text; empty when not available.
    Text(String),
}

impl DecodedField {
    /// Its name in channel addresses: `voltage`, and `voltage_2` in the second set.
    pub fn name(&self) -> Cow<'static, str> {
        match self.set {
            0 => Cow::Borrowed(self.field.name),
            set => Cow::Owned(format!("{}_{}", self.field.name, u16::from(set) + 1)),
        }
    }
}

impl From<f64> for FieldValue {
    fn from(value: f64) -> Self {
        Self::Reading(Reading::Value(value))
    }
}

impl From<Reading> for FieldValue {
    fn from(reading: Reading) -> Self {
        Self::Reading(reading)
    }
}

impl From<&str> for FieldValue {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

/// The set that a `name` of the form of [`DecodedField::name`] means, if it means this field.
pub(super) fn set_of_name(field: &Field, name: &str) -> Option<u8> {
    match name.strip_prefix(field.name)? {
        "" => Some(0),
        rest => rest.strip_prefix('_')?.parse::<u8>().ok().filter(|n| *n >= 2).map(|n| n - 1),
    }
}

impl Decoded {
    /// What becomes channels: name (`_2`, `_3` for further sets), unit and reading. Codes and sets of flags have
    /// [`Unit::Code`].
    pub fn channels(&self) -> impl Iterator<Item = (Cow<'static, str>, Unit, Reading)> + '_ {
        self.fields.iter().filter_map(|f| match (f.field.unit(), &f.value) {
            (Some(unit), FieldValue::Reading(reading)) => Some((f.name(), unit, *reading)),
            _ => None,
        })
    }

    /// The texts that are not empty, with their names.
    pub fn texts(&self) -> impl Iterator<Item = (Cow<'static, str>, &str)> + '_ {
        self.fields.iter().filter_map(|f| match &f.value {
            FieldValue::Text(text) if !text.is_empty() => Some((f.name(), text.as_str())),
            _ => None,
        })
    }

    /// The side of the device (`input`, `output`) where it is not the one that the message is about.
    pub fn side(&self) -> Option<&'static str> {
        self.fields.iter().find_map(|f| match (&f.field.kind, &f.value) {
            (FieldKind::Side { plain }, FieldValue::Reading(Reading::Value(code))) if *code != f64::from(*plain) => {
                Some(if *plain == 0 { "output" } else { "input" })
            }
            _ => None,
        })
    }

    /// The sender's rank beside others that speak of the same instance, in messages that carry one; 0 where it
    /// does not say.
    pub fn rank(&self) -> Option<u8> {
        let rank = self.fields.iter().find(|f| f.field.kind == FieldKind::Rank)?;
        match rank.value {
            FieldValue::Reading(Reading::Value(rank)) => Some(rank as u8),
            _ => Some(0),
        }
    }

    /// The field of this name (`voltage_2` is the second set's).
    pub fn get(&self, name: &str) -> Option<&FieldValue> {
        self.fields.iter().find(|f| set_of_name(f.field, name) == Some(f.set)).map(|f| &f.value)
    }
}

/// Decodes a payload by its definition. What follows the last field is ignored.
pub fn decode(def: &'static MessageDef, payload: &[u8]) -> Decoded {
    let (once, repeating) = def.parts();
    let mut out = Decoded { def, instance: None, sequence: None, fields: Vec::with_capacity(def.fields.len()) };
    let (mut count, mut line) = (None, 0);
    for field in once {
        match field.kind {
            FieldKind::Instance => out.instance = number(def, field, payload).and_then(|n| u32::try_from(n).ok()),
            // The public databases differ on 252; as no sender needs it, it counts as "none" here.
            FieldKind::Sequence => {
                out.sequence = number(def, field, payload).and_then(|n| u8::try_from(n).ok()).filter(|n| *n < 252);
            }
            FieldKind::Count => count = number(def, field, payload),
            FieldKind::SetIndex => line = set_number(field, payload, 0).unwrap_or(0),
            FieldKind::Side { .. } => push(&mut out, field, 0, 0, payload),
            _ => push(&mut out, field, line, 0, payload),
        }
    }
    if let (Some(first), Some(last)) = (repeating.first(), repeating.last()) {
        let width = usize::from(last.bit + last.bits - first.bit);
        let left = (payload.len() * 8).saturating_sub(usize::from(first.bit));
        let sets = match count {
            Some(n) => left.div_ceil(width).min(usize::try_from(n).unwrap_or(usize::MAX)),
            None => left / width,
        };
        for (place, set) in set_numbers(repeating, payload, width, sets).into_iter().enumerate() {
            for field in repeating {
                push(&mut out, field, set, place * width, payload);
            }
        }
    }
    out
}

/// How the sets of a message are numbered, see [`DecodedField::set`].
fn set_numbers(repeating: &[Field], payload: &[u8], width: usize, sets: usize) -> Vec<u8> {
    let sets = sets.min(usize::from(u8::MAX));
    let said: Option<Vec<u8>> = repeating
        .iter()
        .find(|f| f.kind == FieldKind::SetIndex)
        .and_then(|index| (0..sets).map(|place| set_number(index, payload, place * width)).collect());
    match said {
        Some(numbers) if numbers.iter().enumerate().all(|(i, n)| !numbers[..i].contains(n)) => numbers,
        _ => (0..sets).map(|place| place as u8).collect(),
    }
}

/// What a set says of itself. All ones is "not available"; the codes below it are lines.
fn set_number(index: &Field, payload: &[u8], shift: usize) -> Option<u8> {
    let raw = bits::extract(payload, usize::from(index.bit) + shift, index.bits)?;
    u8::try_from(raw).ok().filter(|_| raw < bits::mask(index.bits))
}

/// A whole number in which the special codes of its width mean "none".
fn number(def: &MessageDef, field: &Field, payload: &[u8]) -> Option<u64> {
    let raw = bits::extract(payload, usize::from(field.bit), field.bits)?;
    special::statement(def.protocol, raw, field.bits, false).is_none().then_some(raw)
}

fn push(out: &mut Decoded, field: &'static Field, set: u8, shift: usize, payload: &[u8]) {
    let bit = usize::from(field.bit) + shift;
    let value = match field.kind {
        FieldKind::Text => FieldValue::Text(text(payload, bit, field.bits)),
        FieldKind::Joined { shift: own, pieces } => FieldValue::Reading(joined(field, (own, pieces), payload, shift)),
        _ => match reading(out.def.protocol, field, bits::extract(payload, bit, field.bits)) {
            Some(reading) => FieldValue::Reading(reading),
            None => return,
        },
    };
    out.fields.push(DecodedField { field, set, value });
}

/// A number in pieces; a piece that the payload is too short for makes it not available.
fn joined(field: &Field, (own, pieces): (u16, &[(u16, u16, u16)]), payload: &[u8], shift: usize) -> Reading {
    let (mut raw, mut ones) = (0, 0);
    for (bit, width, place) in pieces.iter().chain(&[(field.bit, field.bits, own)]) {
        let Some(piece) = bits::extract(payload, usize::from(*bit) + shift, *width) else {
            return Reading::NotAvailable;
        };
        raw |= piece << place;
        ones |= bits::mask(*width) << place;
    }
    if raw == ones { Reading::NotAvailable } else { Reading::Value(raw as f64) }
}

/// What a raw number says; `None` for kinds that are not values.
fn reading(protocol: Protocol, field: &Field, raw: Option<u64>) -> Option<Reading> {
    use Reading::{NotAvailable, Value};
    let statement = |raw, signed| special::statement(protocol, raw, field.bits, signed);
    Some(match (&field.kind, raw) {
        (FieldKind::Number { .. } | FieldKind::Code { .. } | FieldKind::Flags { .. } | FieldKind::Ident, None)
        | (FieldKind::Rank | FieldKind::Side { .. }, None) => NotAvailable,
        (FieldKind::Number { also_missing, .. }, Some(raw)) if *also_missing == Some(raw) => NotAvailable,
        (FieldKind::Number { signed: true, scale, .. }, Some(raw)) => {
            statement(raw, true).unwrap_or_else(|| Value(scale.value(bits::sign_extend(raw, field.bits))))
        }
        (FieldKind::Number { scale, .. }, Some(raw)) => {
            statement(raw, false).unwrap_or_else(|| Value(scale.value(i64::try_from(raw).unwrap_or(i64::MAX))))
        }
        (FieldKind::Code { .. }, Some(raw)) => match statement(raw, false) {
            Some(said) if field.code_name(raw).is_none() => said,
            _ => Value(raw as f64),
        },
        (FieldKind::Rank | FieldKind::Side { .. }, Some(raw)) => statement(raw, false).unwrap_or(Value(raw as f64)),
        // The databases give bit fields no code for "not available", yet senders fill what they do not measure
        // with ones: read literally, every alarm of the engine would be raised at once.
        (FieldKind::Flags { .. }, Some(raw)) if flags_missing(raw, field.bits) => NotAvailable,
        (FieldKind::Flags { .. } | FieldKind::Ident, Some(raw)) => Value(raw as f64),
        _ => return None,
    })
}

/// True where the top byte (or the whole, if narrower) of a set of flags is all ones.
pub(super) fn flags_missing(raw: u64, width: u16) -> bool {
    let top = bits::mask(width) & !bits::mask(width.saturating_sub(8));
    raw & top == top
}

/// Text up to the first 0x00 or 0xFF, without padding and control characters; bytes that are no UTF-8 become
/// U+FFFD.
fn text(payload: &[u8], bit: usize, width: u16) -> String {
    let start = (bit / 8).min(payload.len());
    let end = (start + usize::from(width / 8)).min(payload.len());
    let bytes = payload[start..end].split(|b| matches!(b, 0x00 | 0xFF)).next().unwrap_or_default();
    let clean: String = String::from_utf8_lossy(bytes).chars().filter(|c| !c.is_control()).collect();
    clean.trim_end_matches(['@', ' ']).trim_start().to_owned()
}
