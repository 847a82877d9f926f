//! The one encoder, the decoder's inverse: for simulated voyages, tests and the named requests that a
//! configuration may turn on.

use super::decode::{FieldValue, flags_missing, set_of_name};
use super::fast_packet::MAX_PAYLOAD;
use super::{Field, FieldKind, MessageDef, Protocol, Transport, bits, special, transport};
use crate::sample::Reading;

/// Why values make no message.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EncodeError {
    /// A name that this message has not, or that is filled in by the encoder.
    #[error("message {number} has no field `{name}` to set")]
    UnknownField {
        /// The message.
        number: u32,
        /// The name.
        name: String,
    },
    /// An instance for a message without one, or one that its field cannot hold.
    #[error("message {number} cannot carry instance {instance}")]
    Instance {
        /// The message.
        number: u32,
        /// The instance.
        instance: u32,
    },
    /// A value beyond what the field can say.
    #[error("{value} does not fit into field `{field}`")]
    DoesNotFit {
        /// The field.
        field: &'static str,
        /// The value, as text.
        value: String,
    },
    /// More bytes than the transport carries.
    #[error("message {number} would be {bytes} bytes long")]
    TooLong {
        /// The message.
        number: u32,
        /// Its length.
        bytes: usize,
    },
}

/// The payload of a message. Fields that `values` does not name are not available; `voltage_2` is the second
/// set's `voltage`; count and set index are filled in; a sequence identifier may be given as `sid`.
///
/// # Errors
/// Names that the message has not, and values that do not fit: nothing is clipped or rounded to a special code.
pub fn encode(
    def: &'static MessageDef,
    instance: Option<u32>,
    values: &[(&str, FieldValue)],
) -> Result<Vec<u8>, EncodeError> {
    let (once, repeating) = def.parts();
    let mut placed = Vec::with_capacity(values.len());
    for (name, value) in values {
        placed.push((locate(def, name)?, value));
    }
    let sets =
        set_numbers(def.fields, placed.iter().filter(|((_, set), _)| set.is_some()).filter_map(|((_, s), _)| *s));
    let start = once.last().map_or(0, |f| usize::from(f.bit + f.bits));
    let width = match (repeating.first(), repeating.last()) {
        (Some(first), Some(last)) => usize::from(last.bit + last.bits - first.bit),
        _ => 0,
    };
    let bytes = (start + width * sets.len()).div_ceil(8);
    let most = match def.transport {
        Transport::Single if def.protocol == Protocol::J1939 => transport::MAX_PAYLOAD,
        Transport::Single => 8,
        Transport::Fast => MAX_PAYLOAD,
    };
    if bytes > most {
        return Err(EncodeError::TooLong { number: def.number, bytes });
    }

    let mut payload = vec![0xFF; bytes];
    for field in once {
        let raw = match (&field.kind, instance) {
            (FieldKind::Instance, Some(i)) => instance_raw(def, field, i)?,
            (FieldKind::Count, _) => sets.len() as u64,
            (FieldKind::SetIndex, _) => line_raw(field, &sets)?,
            _ => blank(def, field),
        };
        put(&mut payload, field, 0, raw);
    }
    if let Some(instance) = instance.filter(|_| !once.iter().any(|f| f.kind == FieldKind::Instance)) {
        return Err(EncodeError::Instance { number: def.number, instance });
    }
    for (place, number) in sets.iter().enumerate() {
        for field in repeating {
            let raw = match field.kind {
                FieldKind::SetIndex => index_raw(field, *number, &sets)?,
                _ => blank(def, field),
            };
            put(&mut payload, field, place * width, raw);
        }
    }
    for ((field, set), value) in placed {
        let place = set.and_then(|s| sets.iter().position(|n| *n == s)).unwrap_or(0);
        match value {
            FieldValue::Text(text) => put_text(&mut payload, field, place * width, text)?,
            FieldValue::Reading(reading) => {
                put(&mut payload, field, place * width, raw_of(def.protocol, field, *reading)?);
            }
        }
    }
    Ok(payload)
}

/// The field that a name means, and its set where it stands in one.
fn locate(def: &'static MessageDef, name: &str) -> Result<(&'static Field, Option<u8>), EncodeError> {
    let (once, repeating) = def.parts();
    let settable = |f: &&Field| {
        !matches!(
            f.kind,
            FieldKind::Instance
                | FieldKind::Count
                | FieldKind::SetIndex
                | FieldKind::Piece
                | FieldKind::Reserved
                | FieldKind::Spare
        )
    };
    let by_line = once.iter().any(|f| f.kind == FieldKind::SetIndex);
    let single = once.iter().filter(settable).find_map(|f| match by_line && f.unit().is_some() {
        true => set_of_name(f, name).map(|set| (f, Some(set))),
        false => (f.name == name).then_some((f, None)),
    });
    let in_set = || repeating.iter().filter(settable).find_map(|f| set_of_name(f, name).map(|set| (f, Some(set))));
    single.or_else(in_set).ok_or_else(|| EncodeError::UnknownField { number: def.number, name: name.to_owned() })
}

/// The sets to write, in order. With a set index only those that are named; without one the place is the
/// number, so that all below the highest are written too.
fn set_numbers(fields: &[Field], named: impl Iterator<Item = u8>) -> Vec<u8> {
    let mut numbers: Vec<u8> = named.collect();
    numbers.sort_unstable();
    numbers.dedup();
    match numbers.last() {
        Some(last) if !fields.iter().any(|f| f.kind == FieldKind::SetIndex) => (0..=*last).collect(),
        _ => numbers,
    }
}

/// What stands in a field that nobody set: its code for "not available", or ones.
fn blank(def: &MessageDef, field: &Field) -> u64 {
    match field.kind {
        FieldKind::Number { signed, .. } => {
            special::code(def.protocol, Reading::NotAvailable, field.bits, signed).unwrap_or(bits::mask(field.bits))
        }
        FieldKind::Spare => 0,
        _ => bits::mask(field.bits),
    }
}

/// The line that a whole message is about: the one that its values name, else the first.
fn line_raw(field: &'static Field, sets: &[u8]) -> Result<u64, EncodeError> {
    let refuse = |set: &u8| EncodeError::DoesNotFit { field: field.name, value: (u16::from(*set) + 1).to_string() };
    match sets {
        [] => Ok(0),
        [line] if u64::from(*line) < bits::mask(field.bits) => Ok(u64::from(*line)),
        [.., last] => Err(refuse(last)),
    }
}

/// What numbers a set. Where a number is too high for the field, the place has to say it, which it can only if no
/// set is left out.
fn index_raw(field: &'static Field, number: u8, sets: &[u8]) -> Result<u64, EncodeError> {
    let ones = bits::mask(field.bits);
    if u64::from(number) < ones {
        Ok(u64::from(number))
    } else if sets.iter().enumerate().all(|(place, n)| place == usize::from(*n)) {
        Ok(ones)
    } else {
        Err(EncodeError::DoesNotFit { field: field.name, value: (u16::from(number) + 1).to_string() })
    }
}

fn put(payload: &mut [u8], field: &Field, shift: usize, raw: u64) {
    let bit = usize::from(field.bit) + shift;
    match field.kind {
        FieldKind::Text => {}
        FieldKind::Joined { shift: own, pieces } => {
            bits::insert(payload, bit, field.bits, raw >> own & bits::mask(field.bits));
            for (piece, width, place) in pieces {
                bits::insert(payload, usize::from(*piece) + shift, *width, raw >> place & bits::mask(*width));
            }
        }
        _ => bits::insert(payload, bit, field.bits, raw),
    }
}

fn instance_raw(def: &MessageDef, field: &Field, instance: u32) -> Result<u64, EncodeError> {
    let raw = u64::from(instance);
    let fits = raw <= bits::mask(field.bits) && special::statement(def.protocol, raw, field.bits, false).is_none();
    if fits { Ok(raw) } else { Err(EncodeError::Instance { number: def.number, instance }) }
}

/// All ones of a field, pieces included.
fn ones(field: &Field) -> u64 {
    let own = bits::mask(field.bits);
    match field.kind {
        FieldKind::Joined { shift, pieces } => {
            pieces.iter().fold(own << shift, |all, (_, width, place)| all | bits::mask(*width) << place)
        }
        _ => own,
    }
}

/// The raw code of a reading, or why there is none.
fn raw_of(protocol: Protocol, field: &Field, reading: Reading) -> Result<u64, EncodeError> {
    let refuse = || EncodeError::DoesNotFit { field: field.name, value: format!("{reading:?}") };
    let Reading::Value(value) = reading else {
        return match field.kind {
            FieldKind::Text => Err(refuse()),
            FieldKind::Number { signed, .. } => special::code(protocol, reading, field.bits, signed).ok_or_else(refuse),
            FieldKind::Code { .. } | FieldKind::Rank | FieldKind::Side { .. } => {
                special::code(protocol, reading, field.bits, false).ok_or_else(refuse)
            }
            _ => Ok(ones(field)),
        };
    };
    let ones = ones(field);
    let whole = || {
        let fits = value.fract() == 0.0 && value >= 0.0 && value <= ones as f64;
        if fits { Ok(value as u64) } else { Err(refuse()) }
    };
    let raw = match &field.kind {
        FieldKind::Number { signed, scale, .. } => {
            let raw = scale.raw(value).ok_or_else(refuse)?;
            let kept = raw as u64 & ones;
            let back = if *signed { bits::sign_extend(kept, field.bits) } else { i64::try_from(kept).unwrap_or(-1) };
            if back != raw {
                return Err(refuse());
            }
            kept
        }
        FieldKind::Text => return Err(refuse()),
        _ => whole()?,
    };
    let special = match &field.kind {
        FieldKind::Number { signed, also_missing, .. } => {
            special::statement(protocol, raw, field.bits, *signed).is_some() || *also_missing == Some(raw)
        }
        FieldKind::Code { .. } => {
            special::statement(protocol, raw, field.bits, false).is_some() && field.code_name(raw).is_none()
        }
        FieldKind::Flags { .. } => flags_missing(raw, field.bits),
        FieldKind::Joined { .. } => raw == ones,
        FieldKind::Sequence | FieldKind::Rank | FieldKind::Side { .. } => {
            special::statement(protocol, raw, field.bits, false).is_some()
        }
        _ => false,
    };
    if special { Err(refuse()) } else { Ok(raw) }
}

/// Writes text padded with 0xFF.
fn put_text(payload: &mut [u8], field: &Field, shift: usize, text: &str) -> Result<(), EncodeError> {
    let start = (usize::from(field.bit) + shift) / 8;
    let room = usize::from(field.bits / 8);
    if field.kind != FieldKind::Text || text.len() > room || text.contains(char::is_control) {
        return Err(EncodeError::DoesNotFit { field: field.name, value: text.chars().take(80).collect() });
    }
    if let Some(target) = payload.get_mut(start..start + text.len()) {
        target.copy_from_slice(text.as_bytes());
    }
    Ok(())
}
