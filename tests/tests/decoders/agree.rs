//! Our reading of a vector beside a library's: what differs, in words.

use ampwake_logger::bus::candump;
use ampwake_logger::bus::nmea0183;
use ampwake_logger::framing::sentence::parse_sentence;
use ampwake_schemas::message::{Decoded, FieldKind, FieldValue, MessageDef, Protocol, all, decode};
use ampwake_schemas::modbus_map::sunspec::{ModelHead, models, place};
use ampwake_schemas::modbus_map::{self, RegisterValue};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use serde_json::{Map, Value};

/// What is compared of a vector, by name.
type Said<'a> = &'a Map<String, Value>;

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(1.0)
}

pub fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
}

fn words(hex: &str) -> Vec<u16> {
    bytes(hex).chunks(2).map(|pair| u16::from(pair[0]) << 8 | u16::from(pair[1])).collect()
}

/// The row of a message of the tables.
pub fn row(protocol: Protocol, message: &str) -> Option<&'static MessageDef> {
    all(protocol).iter().copied().find(|def| def.number_text() == message)
}

/// What differs; `None` where the vector is about nothing that we read.
pub fn differences(vector: &Value) -> Option<Vec<String>> {
    let text = |key: &str| vector[key].as_str().unwrap();
    let (message, payload, says) = (text("message"), text("payload"), vector["says"].as_object().unwrap());
    match text("protocol") {
        "nmea0183" => Some(sentence(payload, says)),
        "sunspec" => models().iter().find(|m| m.sunspec_model == message.parse().ok()).map(|_| sunspec(payload, says)),
        "modbus" => Some(register(message, payload, says)),
        "candump" => Some(frame(payload, says)),
        protocol => row(Protocol::parse(protocol)?, message).map(|def| message_of(def, payload, says)),
    }
}

fn message_of(def: &'static MessageDef, payload: &str, says: Said) -> Vec<String> {
    let decoded = decode(def, &bytes(payload));
    says.iter().filter_map(|(name, stated)| field(def, &decoded, name, stated)).collect()
}

/// What is wrong with our reading of a field, if anything.
fn field(def: &MessageDef, decoded: &Decoded, name: &str, stated: &Value) -> Option<String> {
    let (base, set) = match name.rsplit_once('_').and_then(|(base, n)| Some((base, n.parse::<u8>().ok()?))) {
        Some((base, n)) if def.fields.iter().any(|f| f.name == base) => (base, n - 1),
        _ => (name, 0),
    };
    let Some(field) = def.fields.iter().find(|f| f.name == base) else { return Some(format!("{name}: no such field")) };
    let expected = stated.as_f64();
    let ours = match field.kind {
        FieldKind::Instance => {
            let same = decoded.instance.map(f64::from) == expected;
            return (!same).then(|| format!("{name}: {:?}, not {stated}", decoded.instance));
        }
        FieldKind::SetIndex | FieldKind::Count | FieldKind::Sequence => return None,
        // Every code of an identification is one.
        FieldKind::Ident if stated.is_null() => return None,
        _ => decoded.fields.iter().find(|f| f.field == field && f.set == set).map(|f| &f.value),
    };
    // A library that shows the code of "not available".
    let all_ones = matches!(field.kind, FieldKind::Code { .. }) && expected == Some(((1_u64 << field.bits) - 1) as f64);
    let same = match (ours, stated) {
        (Some(FieldValue::Text(text)), Value::String(stated)) => text == stated.trim(),
        (Some(FieldValue::Text(text)), Value::Null) => text.is_empty(),
        (Some(FieldValue::Reading(Reading::NotAvailable)), Value::Number(_)) => all_ones,
        (Some(FieldValue::Reading(reading)), _) => reads(*reading, stated),
        _ => false,
    };
    (!same).then(|| format!("{name}: {ours:?}, not {stated}"))
}

fn reads(reading: Reading, stated: &Value) -> bool {
    match reading {
        Reading::Value(ours) => stated.as_f64().is_some_and(|stated| near(ours, stated)),
        Reading::NotAvailable => stated.is_null(),
        _ => false,
    }
}

fn sentence(line: &str, says: Said) -> Vec<String> {
    let parsed = parse_sentence(line.as_bytes()).unwrap();
    let (readings, unusable) = nmea0183::readings(Timestamp::default(), &parsed).unwrap();
    assert_eq!(unusable, 0, "{line}");
    let named = |name: &str| {
        if name == "time" {
            return readings.told.map(|(_, time)| Reading::Value(time.micros() as f64 / 1e6));
        }
        let is = |r: &&ampwake_logger::bus::readings::NamedReading| match &r.instance {
            Some(instance) => format!("{instance}/{}", r.field) == name,
            None => r.field == name,
        };
        readings.values.iter().find(is).map(|r| r.reading)
    };
    let differs = |(name, stated): (&String, &Value)| match named(name) {
        Some(ours) if reads(ours, stated) => None,
        ours => Some(format!("{name}: {ours:?}, not {stated}")),
    };
    says.iter().filter_map(differs).collect()
}

fn sunspec(payload: &str, says: Said) -> Vec<String> {
    let words = words(payload);
    let head = ModelHead { model: words[0], address: 0, length: words[1] };
    let registers = place(&[head], &models());
    let differs = |(name, stated): (&String, &Value)| {
        let (instance, field) = name.split_once('/').unwrap();
        let of_it = |r: &&modbus_map::Register| r.instance.as_deref() == Some(instance) && r.field == field;
        let Some(r) = registers.iter().find(of_it) else { return Some(format!("{name}: not placed")) };
        let at = usize::from(r.address);
        let factor = r.scale_factor.map(|f| words[usize::from(f)]);
        let ours = modbus_map::decode(r, &words[at..at + usize::from(r.words)], factor);
        let same = match &ours {
            Some(RegisterValue::Text(text)) => stated.as_str() == Some(text),
            Some(RegisterValue::Reading(reading)) => reads(*reading, stated),
            None => false,
        };
        (!same).then(|| format!("{name}: {ours:?}, not {stated}"))
    };
    says.iter().filter_map(differs).collect()
}

/// `message` is a type and, for more than one register, the order of the words.
fn register(message: &str, payload: &str, says: Said) -> Vec<String> {
    let (kind, order) = message.split_once(' ').unwrap_or((message, "high_first"));
    let words = words(payload);
    let length = if kind == "string" { format!("length = {}\n", words.len()) } else { "unit = \"\"\n".to_owned() };
    let map = format!(
        "schema = \"{}\"\nname = \"x\"\nword_order = \"{order}\"\n[[register]]\nfield = \"x\"\naddress = 0\ntype = \"{kind}\"\n{length}",
        modbus_map::SCHEMA
    );
    let map = modbus_map::read("x.toml", &map).unwrap();
    let ours = modbus_map::decode(&map.registers[0], &words, None);
    let same = match &ours {
        Some(RegisterValue::Text(text)) => says["value"].as_str() == Some(text),
        Some(RegisterValue::Reading(reading)) => reads(*reading, &says["value"]),
        None => false,
    };
    if same { Vec::new() } else { vec![format!("{ours:?}, not {}", says["value"])] }
}

fn frame(line: &str, says: Said) -> Vec<String> {
    let parsed = candump::parse(line.as_bytes()).unwrap();
    let (frame, candump::Stamp::Seconds(us)) = (parsed.frame, parsed.stamp) else { return vec!["its time".to_owned()] };
    let data: String = frame.data().iter().map(|b| format!("{b:02x}")).collect();
    let flags = frame.flags;
    let ours = serde_json::json!({
        "microseconds": us, "id": frame.id, "extended": flags.extended, "remote": flags.remote, "error": flags.error, "fd": flags.fd, "data": data,
    });
    let differs = |(name, stated): &(&String, &Value)| ours[name.as_str()] != **stated;
    says.iter().filter(differs).map(|(name, stated)| format!("{name}: {}, not {stated}", ours[name.as_str()])).collect()
}
