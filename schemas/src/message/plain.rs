//! Messages whose values stand at fixed places, for whoever takes millions: raw numbers and what was said of them,
//! without the values in between.
//!
//! Owes its reader: the same as [`super::decode`] says, number by number; the tests hold every row of the tables and any
//! payload against it. Rows that repeat, hold text, numbers in pieces, ranks or sides have no such form.

use super::{Field, FieldKind, MessageDef, bits, decode, special};

/// The widest number that is read so.
const WIDEST: u16 = 32;

/// How one message is read.
#[derive(Debug, Clone)]
pub struct Plain {
    instance: Option<Column>,
    columns: Vec<Column>,
    fields: Vec<&'static Field>,
}

#[derive(Debug, Clone, Copy)]
struct Column {
    bit: usize,
    bits: u16,
    signed: bool,
    kept: special::Span,
    sort: Sort,
}

#[derive(Debug, Clone, Copy)]
enum Sort {
    Number {
        also_missing: Option<u64>,
    },
    /// Bit n: the n-th code from the top has a name, and is a value for that.
    Code {
        named: u64,
    },
    Flags,
}

/// The code of [`crate::sample::Reading::code`] for "not available".
const NOT_AVAILABLE: u8 = 1;

impl Plain {
    /// How a message of this row is read; `None` where it has no such form.
    pub fn of(def: &'static MessageDef) -> Option<Self> {
        let mut plain = Self { instance: None, columns: Vec::new(), fields: Vec::new() };
        if def.repeat.is_some() {
            return None;
        }
        for field in def.fields {
            let signed = matches!(field.kind, FieldKind::Number { signed: true, .. });
            let kept = special::span(def.protocol, field.bits, signed);
            let sort = match &field.kind {
                FieldKind::Number { also_missing, .. } => Sort::Number { also_missing: *also_missing },
                FieldKind::Code { .. } => Sort::Code { named: named(field, &kept)? },
                FieldKind::Flags { .. } => Sort::Flags,
                FieldKind::Instance => Sort::Number { also_missing: None },
                FieldKind::Ident | FieldKind::Sequence | FieldKind::Reserved | FieldKind::Spare => continue,
                _ => return None,
            };
            if field.bits > WIDEST {
                return None;
            }
            let column = Column { bit: field.bit.into(), bits: field.bits, signed, kept, sort };
            match field.kind {
                FieldKind::Instance => plain.instance = Some(column),
                _ => {
                    plain.columns.push(column);
                    plain.fields.push(field);
                }
            }
        }
        (!plain.columns.is_empty()).then_some(plain)
    }

    /// The fields that become channels, in the order of the message.
    pub fn fields(&self) -> &[&'static Field] {
        &self.fields
    }

    /// Tells apart what belongs into different channels: the instance as it stands there.
    #[inline]
    pub fn instance(&self, payload: &[u8]) -> Option<u64> {
        self.instance.and_then(|column| bits::extract(payload, column.bit, column.bits))
    }

    /// Reads the values: a raw number (0 where there is none) and a [`crate::sample::Reading::code`] for every field of
    /// [`Plain::fields`].
    #[inline]
    pub fn read(&self, payload: &[u8], raws: &mut Vec<i64>, codes: &mut Vec<u8>) {
        raws.clear();
        codes.clear();
        for column in &self.columns {
            let (raw, code) = column.read(payload);
            raws.push(raw);
            codes.push(code);
        }
    }
}

impl Column {
    #[inline]
    fn read(&self, payload: &[u8]) -> (i64, u8) {
        let Some(raw) = bits::extract(payload, self.bit, self.bits) else { return (0, NOT_AVAILABLE) };
        let code = match self.sort {
            Sort::Number { also_missing } if also_missing == Some(raw) => NOT_AVAILABLE,
            Sort::Number { .. } => self.kept.code(raw),
            Sort::Code { named } => match self.kept.top().wrapping_sub(raw) {
                below @ 0..64 if named >> below & 1 == 1 => 0,
                _ => self.kept.code(raw),
            },
            Sort::Flags => u8::from(decode::flags_missing(raw, self.bits)),
        };
        match (code, self.signed) {
            (0, true) => (bits::sign_extend(raw, self.bits), 0),
            (0, false) => (raw as i64, 0),
            (code, _) => (0, code),
        }
    }
}

/// Which of the codes from the top down have names; `None` where so many are kept that a number cannot say it.
fn named(field: &Field, kept: &special::Span) -> Option<u64> {
    if kept.all() > 64 {
        return None;
    }
    let is_named = |below: &u64| kept.top().checked_sub(*below).is_some_and(|raw| field.code_name(raw).is_some());
    Some((0..kept.all()).filter(is_named).fold(0, |named, below| named | 1 << below))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::{Protocol, all};
    use crate::sample::Reading;
    use proptest::prelude::*;

    fn plain_rows() -> Vec<(&'static MessageDef, Plain)> {
        Protocol::ALL.iter().flat_map(|p| all(*p)).filter_map(|def| Some((*def, Plain::of(def)?))).collect()
    }

    /// What the decoder says, as raw numbers and codes.
    fn slowly(def: &'static MessageDef, payload: &[u8]) -> (Vec<i64>, Vec<u8>) {
        let decoded = decode(def, payload);
        let raw = |field: &Field, reading: Reading| match (&field.kind, reading) {
            (FieldKind::Number { scale, .. }, Reading::Value(v)) => scale.raw(v).unwrap_or(i64::MIN),
            (_, Reading::Value(v)) => v as i64,
            _ => 0,
        };
        let channels = decoded.fields.iter().filter(|f| f.field.unit().is_some());
        let readings = channels.map(|f| match f.value {
            crate::message::FieldValue::Reading(reading) => (raw(f.field, reading), reading.code()),
            crate::message::FieldValue::Text(_) => (i64::MIN, 0),
        });
        readings.unzip()
    }

    #[test]
    fn most_rows_are_plain() {
        let rows = plain_rows();
        for number in [127_488, 127_489, 127_506, 127_508, 127_751, 129_025, 129_026, 130_312] {
            assert!(rows.iter().any(|(def, _)| def.protocol == Protocol::N2k && def.number == number), "{number}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]
        #[test]
        fn it_says_what_the_decoder_says(
            mut payload in proptest::collection::vec(prop_oneof![3 => any::<u8>(), 2 => Just(0xFF), 1 => 0xFA_u8..0xFF, 1 => Just(0x7F), 1 => Just(0x80)], 0..40),
            cut in 0_usize..40,
        ) {
            payload.truncate(payload.len().saturating_sub(cut / 8));
            let (mut raws, mut codes) = (Vec::new(), Vec::new());
            for (def, plain) in plain_rows() {
                plain.read(&payload, &mut raws, &mut codes);
                prop_assert_eq!((&raws, &codes), (&slowly(def, &payload).0, &slowly(def, &payload).1), "{}", def.number);
            }
        }
    }
}
