//! Payloads of every message of the tables: decoded, and where it can be, encoded again.
//!
//! Input: number of the row (two bytes), then the payload.

use super::feed::Feed;
use super::must_be_an_address;
use ampwake_schemas::message::{
    Decoded, DecodedField, EncodeError, FieldKind, FieldValue, MessageDef, Protocol, all, decode, encode,
};
use ampwake_schemas::sample::Reading;
use std::collections::HashSet;

/// Every message of every protocol, in an order that does not change with the number of another protocol's rows.
pub(super) fn rows() -> impl Iterator<Item = &'static MessageDef> {
    Protocol::ALL.into_iter().flat_map(|p| all(p).iter().copied())
}

/// Decodes a payload and holds what comes of it against what the decoder promises.
pub fn run(bytes: &[u8]) {
    let mut feed = Feed::new(bytes);
    let number = usize::from(feed.word());
    let Some(def) = rows().nth(number % rows().count()) else { return };
    let payload = feed.rest();
    let decoded = decode(def, payload);
    is_sound(&decoded, payload);
    let Ok(again) = encoded(&decoded) else { return };
    let second = decode(def, &again);
    is_sound(&second, &again);
    let mut first = decoded;
    // The encoder writes sets by rising number, and all sets below the highest.
    first.fields.sort_by_key(|f| f.set);
    for field in first.fields.iter().filter(|f| f.field.kind != FieldKind::Text) {
        let back = second.fields.iter().find(|f| same_place(f, field)).map(|f| &f.value);
        assert!(back.is_some_and(|back| is_same(field, back)), "{} {field:?} became {back:?}", def.number);
    }
    assert_eq!((first.instance, first.sequence), (second.instance, second.sequence), "{}", def.number);
    if let Ok(third) = encoded(&second) {
        assert_eq!(third.len(), again.len(), "{}", def.number);
    }
}

fn is_sound(decoded: &Decoded, payload: &[u8]) {
    let (once, repeating) = decoded.def.parts();
    assert!(decoded.fields.len() <= once.len() + repeating.len() * payload.len());
    let mut names = HashSet::new();
    for (name, _, reading) in decoded.channels() {
        assert!(
            !matches!(reading, Reading::Value(v) if !v.is_finite()),
            "{name} of {} is {reading:?}",
            decoded.def.number
        );
        let same = decoded.get(&name) == Some(&FieldValue::Reading(reading));
        assert!(same, "{name} of {} is found as another", decoded.def.number);
        must_be_an_address(&format!("can0/{}/{}/1/{name}", decoded.def.protocol.text(), decoded.def.number_text()));
        assert!(names.insert(name), "a name of {} twice", decoded.def.number);
    }
    for (name, text) in decoded.texts() {
        let most = decoded.def.fields.iter().map(|f| usize::from(f.bits / 8)).max().unwrap_or(0);
        // A byte that is no UTF-8 becomes a character of three.
        assert!(text.len() <= most * 3 && !text.contains(char::is_control), "{name} is {text:?}");
    }
}

/// Everything that was decoded, encoded.
fn encoded(decoded: &Decoded) -> Result<Vec<u8>, EncodeError> {
    let sid = decoded.sequence.map(|n| ("sid".to_owned(), f64::from(n).into()));
    let said: Vec<_> = decoded.fields.iter().map(|f| (f.name().into_owned(), f.value.clone())).chain(sid).collect();
    let values: Vec<_> = said.iter().map(|(name, value)| (name.as_str(), value.clone())).collect();
    let encoded = encode(decoded.def, decoded.instance, &values);
    if let Err(EncodeError::UnknownField { name, .. }) = &encoded {
        panic!("{} decodes a field `{name}` that it does not encode", decoded.def.number);
    }
    encoded
}

fn same_place(a: &DecodedField, b: &DecodedField) -> bool {
    std::ptr::eq(a.field, b.field) && a.set == b.set
}

/// 64-bit positions have more digits than a double, so that their last one may change. What a payload is too short for
/// is not available, and becomes ones: in fields without a code for it that is a value like any other.
fn is_same(field: &DecodedField, back: &FieldValue) -> bool {
    use Reading::{NotAvailable, Value};
    match (&field.value, back) {
        (FieldValue::Reading(Value(x)), FieldValue::Reading(Value(y))) if field.field.bits == 64 => {
            (x - y).abs() <= x.abs() * 1e-15
        }
        (FieldValue::Reading(NotAvailable), FieldValue::Reading(Value(ones))) => {
            *ones == 2_f64.powi(field.field.bits.into()) - 1.0
        }
        (a, b) => a == b,
    }
}
