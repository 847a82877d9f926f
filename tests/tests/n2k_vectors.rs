//! The protocol layer against what independent libraries made of the same messages: `vectors/README.md` says which.

#![allow(clippy::unwrap_used)] // a test that cannot read its vectors has to fail

use ampwake_logger::framing::{FastPackets, Outcome};
use ampwake_schemas::message::fast_packet::fragment;
use ampwake_schemas::message::{
    CanId, Decoded, Field, FieldKind, FieldValue, MessageDef, Protocol, Transport, all, decode, encode, find,
};
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use serde_json::Value;

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn vectors() -> Vec<Value> {
    json(include_str!("../vectors/nmea2000.json"))["vectors"].as_array().unwrap().clone()
}

fn reference() -> Value {
    json(include_str!("../vectors/n2k_fields.json"))
}

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
}

fn row(number: u64) -> &'static MessageDef {
    find(Protocol::N2k, u32::try_from(number).unwrap()).unwrap()
}

/// What the reference calls a field's unit, as factor and offset into the channel's unit.
fn conversion(unit: Option<&str>) -> (f64, f64, Unit) {
    match unit {
        Some("K") => (1.0, -273.15, Unit::Celsius),
        Some("%") => (0.01, 0.0, Unit::Fraction),
        Some("VAR") => (1.0, 0.0, Unit::Var),
        Some("Cos Phi") | None => (1.0, 0.0, Unit::None),
        Some(same) => (1.0, 0.0, Unit::parse(same).unwrap_or_else(|| panic!("unit {same}"))),
    }
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(1.0)
}

/// The reference's field of this identifier and ours at the same bit.
fn field_of(reference: &Value, def: &'static MessageDef, id: &str) -> &'static Field {
    let pgn = reference["pgns"].as_array().unwrap().iter().find(|p| p["PGN"] == def.number).unwrap();
    let theirs = pgn["Fields"].as_array().unwrap().iter().find(|f| f["Id"] == id).unwrap();
    def.fields.iter().find(|f| theirs["BitOffset"] == f.bit).unwrap()
}

/// Frames of a vector as identifier and data.
fn frames(vector: &Value) -> Vec<(CanId, Vec<u8>)> {
    let frame = |f: &Value| {
        let (id, data) = f.as_str().unwrap().split_once('#').unwrap();
        (CanId::from_raw(u32::from_str_radix(id, 16).unwrap()), bytes(data))
    };
    vector["frames"].as_array().unwrap().iter().map(frame).collect()
}

/// One field of a vector against ours; what the encoder has to be given for it, if anything.
fn compare(
    case: &str,
    decoded: &Decoded,
    field: &'static Field,
    set: u8,
    stated: &Value,
) -> Option<(String, FieldValue)> {
    let number = stated[0].as_f64();
    let (factor, offset, _) = conversion(stated[2].as_str());
    let expected = number.map(|n| n * factor + offset);
    match field.kind {
        FieldKind::Reserved | FieldKind::Spare | FieldKind::Count | FieldKind::SetIndex => None,
        FieldKind::Instance => {
            assert_eq!(decoded.instance.map(f64::from), expected, "{case}: instance");
            None
        }
        FieldKind::Sequence => {
            // 252 is where the two libraries differ; we take it for "none".
            assert_eq!(decoded.sequence.map(f64::from), expected.filter(|n| *n < 252.0), "{case}: sid");
            expected.map(|n| (field.name.to_owned(), n.into()))
        }
        _ => {
            let ours = decoded.fields.iter().find(|f| f.field == field && f.set == set).unwrap();
            let FieldValue::Reading(reading) = ours.value else { panic!("{case}: {} is text", field.name) };
            let name = if set == 0 { field.name.to_owned() } else { format!("{}_{}", field.name, set + 1) };
            match (expected, reading) {
                (Some(expected), Reading::Value(ours)) => {
                    assert!(near(ours, expected), "{case}: {name} is {ours}, not {expected}");
                    assert!(ours.to_string().len() < 15, "{case}: {name} has unclean decimals: {ours}");
                    Some((name, expected.into()))
                }
                // The database has no "not available" for flags, so that its decoder raises every alarm.
                (Some(65535.0), Reading::NotAvailable) if matches!(field.kind, FieldKind::Flags { .. }) => None,
                // Nor for enumerations: its decoder shows the code.
                (Some(n), Reading::NotAvailable) if matches!(field.kind, FieldKind::Code { .. }) => {
                    assert_eq!(n, f64::from((1u32 << field.bits) - 1), "{case}: {name}");
                    None
                }
                (None, Reading::NotAvailable) => None,
                other => panic!("{case}: {name}: {other:?}"),
            }
        }
    }
}

#[test]
fn every_vector_is_reassembled_decoded_and_encoded() {
    let reference = reference();
    let vectors = vectors();
    assert_eq!(vectors.len(), 64);
    let mut packets = FastPackets::default();
    for vector in vectors {
        let case = vector["name"].as_str().unwrap();
        let def = row(vector["pgn"].as_u64().unwrap());
        let payload = bytes(vector["payload_hex"].as_str().unwrap());

        let frames = frames(&vector);
        let sent: Vec<Vec<u8>> = frames.iter().map(|(_, data)| data.clone()).collect();
        assert!(frames.iter().all(|(id, _)| id.pgn == def.number && id.source == 35), "{case}");
        match def.transport {
            Transport::Single => assert_eq!(sent.concat(), payload, "{case}"),
            Transport::Fast => {
                let mut whole = None;
                for (id, data) in &frames {
                    match packets.push(Timestamp::default(), *id, data) {
                        Outcome::Complete(payload) => whole = Some(payload.to_vec()),
                        Outcome::Incomplete => assert_eq!(whole, None, "{case}"),
                        Outcome::Dropped(reason) => panic!("{case}: {reason:?}"),
                    }
                }
                assert_eq!(whole.as_ref(), Some(&payload), "{case}");
                assert_eq!(fragment(sent[0][0] >> 5, &payload).unwrap().concat(), sent.concat(), "{case}");
            }
        }

        let decoded = decode(def, &payload);
        let mut given = Vec::new();
        for (id, stated) in vector["decoded"].as_object().unwrap() {
            if let Some(lines) = stated.as_array().filter(|_| id == "lines") {
                for (set, line) in lines.iter().enumerate() {
                    for (id, stated) in line.as_object().unwrap().iter().filter(|(id, _)| !id.starts_with("reserved")) {
                        given.extend(compare(case, &decoded, field_of(&reference, def, id), set as u8, stated));
                    }
                }
            } else if !id.starts_with("reserved") {
                given.extend(compare(case, &decoded, field_of(&reference, def, id), 0, stated));
            }
        }
        let values: Vec<_> = given.iter().map(|(name, value)| (name.as_str(), value.clone())).collect();
        assert_eq!(encode(def, decoded.instance, &values).unwrap(), payload, "{case}");
    }
}

/// Where the two libraries' bytes differ: whether we read both alike, and in which field not.
#[test]
fn the_second_library_s_bytes_mean_the_same_but_for_what_is_listed() {
    let exceptions = [
        ("batcfg_2", None, "FF for a signed byte that is not available; we accept both"),
        ("chgcfg_0", Some("equalize_time"), "reserved bits as zeros (ignored); seconds where the database has minutes"),
        ("chgcfg_1", Some("equalize_time"), "as chgcfg_0"),
        ("chgcfg_2", Some("equalize_time"), "as chgcfg_0"),
        ("conv_3", Some("temperature_state"), "was given other inputs: states 0 where the first was given none"),
    ];
    let mut seen = 0;
    for vector in vectors() {
        let case = vector["name"].as_str().unwrap();
        let first = bytes(vector["payload_hex"].as_str().unwrap());
        let producers = vector["payload_by"].as_object().unwrap();
        let Some(second) = producers.iter().find(|(name, _)| name.starts_with("n2k ")).and_then(|(_, p)| p.as_str())
        else {
            continue;
        };
        let second = bytes(second);
        seen += 1;
        let exception = exceptions.iter().find(|(name, ..)| *name == case);
        assert_eq!(first == second, exception.is_none(), "{case}");
        let def = row(vector["pgn"].as_u64().unwrap());
        let (a, b) = (decode(def, &first), decode(def, &second));
        let differing = a.fields.iter().zip(&b.fields).find(|(a, b)| a != b).map(|(a, _)| a.field.name);
        assert_eq!(differing, exception.and_then(|(_, field, _)| *field), "{case}");
    }
    assert_eq!(seen, 39);
}

/// The reference's title in the style of channel addresses.
fn snake_case(name: &str) -> String {
    let lower = name.to_lowercase();
    lower.split(|c: char| !c.is_ascii_alphanumeric()).filter(|part| !part.is_empty()).collect::<Vec<_>>().join("_")
}

/// Names that stand for themselves in a channel address, where the database's do not.
const RENAMED: [(u32, &str, &str); 5] = [
    (127488, "speed", "engine_speed"),
    (127508, "voltage", "battery_voltage"),
    (127508, "current", "battery_current"),
    (127508, "temperature", "battery_temperature"),
    (130312, "actual_temperature", "temperature"),
];

fn codes(reference: &Value, group: &str, list: &str, key: &str, name: &Value) -> Vec<(u8, String)> {
    let values = reference[group][name.as_str().unwrap()][list].as_array().unwrap();
    values.iter().map(|v| (v[key].as_u64().unwrap() as u8, v["Name"].as_str().unwrap().to_owned())).collect()
}

fn owned(names: &[(u8, &str)]) -> Vec<(u8, String)> {
    names.iter().map(|(code, name)| (*code, (*name).to_owned())).collect()
}

#[test]
fn every_row_is_the_reference_s() {
    let reference = reference();
    for def in all(Protocol::N2k) {
        let number = def.number;
        let theirs = reference["pgns"].as_array().unwrap().iter().find(|p| p["PGN"] == number).unwrap();
        assert_eq!(theirs["Description"], def.title, "{number}");
        assert_eq!(theirs["Type"], if def.transport == Transport::Fast { "Fast" } else { "Single" }, "{number}");
        // The database states no priority for 127744 to 127751; 6 is its habit for power messages.
        assert_eq!(theirs["Priority"].as_u64().unwrap_or(6), u64::from(def.priority), "{number}");

        let fields = theirs["Fields"].as_array().unwrap();
        assert_eq!(fields.len(), def.fields.len(), "{number}");
        for (field, theirs) in def.fields.iter().zip(fields) {
            let case = format!("{number} {}", field.name);
            assert_eq!((&theirs["BitOffset"], &theirs["BitLength"]), (&field.bit.into(), &field.bits.into()), "{case}");
            let name = snake_case(theirs["Name"].as_str().unwrap());
            let renamed = RENAMED.iter().find(|(n, from, _)| (*n, *from) == (number, &name)).map(|(.., to)| *to);
            assert_eq!(renamed.unwrap_or(&name), field.name, "{case}");
            let kind = theirs["FieldType"].as_str().unwrap();
            match &field.kind {
                FieldKind::Number { signed, scale, unit, .. } => {
                    let (factor, offset, expected) = conversion(theirs["Unit"].as_str());
                    let zero = theirs["Offset"].as_f64().unwrap_or(0.0) * factor + offset;
                    // Times of day carry no mark; they are never negative.
                    assert_eq!(theirs["Signed"].as_bool().unwrap_or(false), *signed, "{case}");
                    let resolution = theirs["Resolution"].as_f64().unwrap() * factor;
                    assert!((scale.resolution() / resolution - 1.0).abs() < 1e-12, "{case}: {resolution}");
                    assert!(near(scale.zero(), zero), "{case}: {zero}");
                    assert_eq!(*unit, expected, "{case}");
                }
                FieldKind::Code { names } if kind == "NUMBER" => assert!(names.is_empty(), "{case}"),
                FieldKind::Code { names } => {
                    let mut expected = codes(&reference, "enums", "EnumValues", "Value", &theirs["LookupEnumeration"]);
                    // "Error" at the place of "out of range" is just that.
                    expected.retain(|(_, n)| !(theirs["LookupEnumeration"] == "DIRECTION_REFERENCE" && n == "Error"));
                    assert_eq!(owned(names), expected, "{case}");
                }
                FieldKind::Flags { names } => {
                    let expected =
                        codes(&reference, "bitenums", "EnumBitValues", "Bit", &theirs["LookupBitEnumeration"]);
                    assert_eq!(owned(names), expected, "{case}");
                }
                FieldKind::Reserved => assert_eq!(kind, "RESERVED", "{case}"),
                FieldKind::Spare => assert_eq!(kind, "SPARE", "{case}"),
                FieldKind::Text => assert_eq!(kind, "STRING_FIX", "{case}"),
                FieldKind::Joined { .. } | FieldKind::Piece | FieldKind::Rank | FieldKind::Side { .. } => {
                    panic!("{case}: NMEA 2000 has none of these");
                }
                FieldKind::Instance
                | FieldKind::Ident
                | FieldKind::Count
                | FieldKind::SetIndex
                | FieldKind::Sequence => {
                    assert!(["NUMBER", "LOOKUP", "INDIRECT_LOOKUP"].contains(&kind), "{case}");
                }
            }
        }

        let first = theirs["RepeatingFieldSet1StartField"].as_u64().map(|n| n as usize - 1);
        assert_eq!(def.repeat.as_ref().map(|r| r.first), first, "{number}");
        if let Some(first) = first {
            let size = theirs["RepeatingFieldSet1Size"].as_u64().unwrap() as usize;
            let count = theirs["RepeatingFieldSet1CountField"].as_u64().unwrap() as usize - 1;
            assert_eq!(first + size, def.fields.len(), "{number}");
            assert_eq!(def.fields[count].kind, FieldKind::Count, "{number}");
        }
    }
}
