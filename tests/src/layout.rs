//! Rows of the message tables against a layout in DBC form and vectors that were encoded from it.

use ampwake_schemas::message::{
    CanId, Decoded, Field, FieldKind, FieldValue, MessageDef, Protocol, decode, encode, find,
};
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use serde_json::Value;
use std::collections::BTreeMap;

/// One signal of a layout.
#[derive(Debug, Clone)]
pub struct Signal {
    /// First bit.
    pub bit: u16,
    /// Length.
    pub bits: u16,
    /// Per raw bit, in `unit`.
    pub factor: f64,
    /// Value of raw zero.
    pub offset: f64,
    /// As the layout writes it.
    pub unit: String,
    /// Codes that have a name.
    pub codes: Vec<u64>,
}

/// A layout: signals by name, by message number (without page, priority and address), by message name.
pub type Layout = BTreeMap<String, (u32, BTreeMap<String, Signal>)>;

/// Reads the lines of a DBC file that describe messages, signals and codes.
pub fn read(text: &str) -> Layout {
    let (mut out, mut names, mut last) = (Layout::new(), BTreeMap::new(), String::new());
    for line in text.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        match words[..] {
            ["BO_", id, name, ..] => {
                last = name.trim_end_matches(':').to_owned();
                let id: u32 = id.parse().expect("an identifier");
                names.insert(id, last.clone());
                // The top bit marks 29-bit identifiers.
                out.insert(last.clone(), (CanId::from_raw(id & 0x1FFF_FFFF).pgn, BTreeMap::new()));
            }
            ["SG_", name, ":", place, scale, _, unit, ..] => {
                let (bit, bits) = place.trim_end_matches("@1+").split_once('|').expect("a place");
                let (factor, offset) = scale.trim_matches(['(', ')']).split_once(',').expect("a scale");
                let number = |text: &str| text.parse::<f64>().expect("a number");
                let signal = Signal {
                    bit: bit.parse().expect("a bit"),
                    bits: bits.parse().expect("a length"),
                    factor: number(factor),
                    offset: number(offset),
                    unit: unit.trim_matches('"').to_owned(),
                    codes: Vec::new(),
                };
                out.get_mut(&last).expect("a message").1.insert(name.to_owned(), signal);
            }
            ["VAL_", id, signal, ref codes @ ..] => {
                let name = &names[&id.parse::<u32>().expect("an identifier")];
                let signal = out.get_mut(name).and_then(|m| m.1.get_mut(signal)).expect("a signal");
                signal.codes = codes.iter().step_by(2).filter_map(|c| c.parse().ok()).collect();
            }
            _ => {}
        }
    }
    out
}

/// What a layout's unit is in the channel's: factor and unit.
fn conversion(unit: &str) -> (f64, Unit) {
    match unit {
        "%" => (0.01, Unit::Fraction),
        "min" => (60.0, Unit::Second),
        "h" => (3600.0, Unit::Second),
        "mV" => (0.001, Unit::Volt),
        "kPa" => (1000.0, Unit::Pascal),
        "VAr" => (1.0, Unit::Var),
        // There is no unit for these; the field's name says them.
        "mV/K" | "mV/s" | "rev" => (1.0, Unit::None),
        same => (1.0, Unit::parse(same).unwrap_or_else(|| panic!("unit {same}"))),
    }
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(1.0)
}

fn at(def: &'static MessageDef, signal: &Signal) -> Option<&'static Field> {
    def.fields.iter().find(|f| (f.bit, f.bits) == (signal.bit, signal.bits))
}

/// Holds every row that the layout knows against it; `left_out` are signals (by message and name) that our row has not.
/// Returns how many rows were held.
pub fn hold_rows(protocol: Protocol, layout: &Layout, left_out: &[(&str, &str)]) -> usize {
    let mut missing = Vec::new();
    for (name, (number, signals)) in layout {
        let def = find(protocol, *number).unwrap_or_else(|| panic!("{name} {number:x} is no row"));
        for (signal_name, signal) in signals {
            let case = format!("{name} {signal_name}");
            let Some(field) = at(def, signal) else {
                missing.push((name.as_str(), signal_name.as_str()));
                continue;
            };
            match &field.kind {
                FieldKind::Number { signed, scale, unit, .. } => {
                    let (factor, expected) = conversion(&signal.unit);
                    assert!(!signed && *unit == expected, "{case}: {unit:?}");
                    assert!(near(scale.resolution(), signal.factor * factor), "{case}: {}", scale.resolution());
                    assert!(near(scale.zero(), signal.offset * factor), "{case}: {}", scale.zero());
                }
                _ => {
                    assert_eq!((signal.factor, signal.offset, signal.unit.as_str()), (1.0, 0.0, ""), "{case}");
                    // All ones is "not available" and no code of ours.
                    let named = |c: &u64| field.code_name(*c).is_some() || *c == (1 << field.bits) - 1;
                    assert!(signal.codes.iter().all(named), "{case}");
                }
            }
        }
        for field in def.fields.iter().filter(|f| f.kind != FieldKind::Reserved) {
            let known = signals.values().any(|s| (s.bit, s.bits) == (field.bit, field.bits));
            assert!(known, "{name}: {} is not in the layout", field.name);
        }
    }
    missing.sort_unstable();
    assert_eq!(missing, left_out, "signals that no row has");
    layout.len()
}

/// Decodes and encodes every vector; returns how many there were.
pub fn hold_vectors(protocol: Protocol, layout: &Layout, vectors: &Value) -> usize {
    let vectors = vectors["vectors"].as_array().expect("vectors");
    for vector in vectors {
        let name = vector["name"].as_str().expect("a name");
        let (id, payload) = frame(vector["frames"][0].as_str().expect("a frame"));
        let (number, signals) = &layout[name];
        assert_eq!(id.pgn, *number, "{name}");
        let def = find(protocol, id.pgn).expect("a row");
        let decoded = decode(def, &payload);
        let case = format!("{name} {}", vector["frames"][0]);
        let given: Vec<(&str, FieldValue)> = signals
            .iter()
            .filter_map(|(signal, place)| Some((signal, at(def, place)?, place)))
            .filter_map(|(signal, field, place)| {
                compare(&format!("{case} {signal}"), &decoded, field, place, &vector["decoded"][signal])
            })
            .collect();
        let encoded = encode(def, decoded.instance, &given).expect(&case);
        assert_eq!(with_ones(def, &encoded), with_ones(def, &payload), "{case}");
    }
    vectors.len()
}

/// One field against what the vector says; what the encoder has to be given for it.
fn compare(
    case: &str,
    decoded: &Decoded,
    field: &'static Field,
    signal: &Signal,
    stated: &Value,
) -> Option<(&'static str, FieldValue)> {
    let expected = stated.as_f64();
    match field.kind {
        FieldKind::Instance => {
            assert_eq!(decoded.instance.map(f64::from), expected, "{case}");
            return None;
        }
        FieldKind::SetIndex => {
            let sets = decoded.fields.iter().filter(|f| f.field.unit().is_some()).map(|f| f64::from(f.set));
            assert!(sets.clone().count() > 0 && sets.clone().all(|s| Some(s) == expected), "{case}");
            return None;
        }
        _ => {}
    }
    let ours = decoded.fields.iter().find(|f| f.field == field).unwrap_or_else(|| panic!("{case}: not decoded"));
    let FieldValue::Reading(reading) = ours.value else { panic!("{case}: text") };
    match (expected, reading) {
        (Some(expected), Reading::Value(value)) => {
            let factor = if matches!(field.kind, FieldKind::Number { .. }) { conversion(&signal.unit).0 } else { 1.0 };
            assert!(near(value, expected * factor), "{case} is {value}, not {expected} x {factor}");
            assert!(value.to_string().len() < 15, "{case} has unclean decimals: {value}");
            Some((field.name, value.into()))
        }
        (None, Reading::NotAvailable) => None,
        other => panic!("{case}: {other:?}"),
    }
}

/// Bits that our row has no meaning for, as ones: the layout may know more than was sure enough for a row.
fn with_ones(def: &MessageDef, payload: &[u8]) -> Vec<u8> {
    let mut out = payload.to_vec();
    for field in def.fields.iter().filter(|f| f.kind == FieldKind::Reserved) {
        for bit in usize::from(field.bit)..usize::from(field.bit + field.bits) {
            out[bit / 8] |= 1 << (bit % 8);
        }
    }
    out
}

/// A frame of the form `19FFFD80#0102…`.
pub fn frame(text: &str) -> (CanId, Vec<u8>) {
    let (id, data) = text.split_once('#').expect("a frame");
    let byte = |i: usize| u8::from_str_radix(&data[i..i + 2], 16).expect("a byte");
    let id = u32::from_str_radix(id, 16).expect("an identifier");
    (CanId::from_raw(id), (0..data.len()).step_by(2).map(byte).collect())
}
