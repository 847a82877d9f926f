//! Every row of the tables, with who holds it; goldens for those that nobody else reads.

use crate::{Library, agree};
use ampwake_schemas::message::{Decoded, FieldKind, FieldValue, MessageDef, Protocol, all, decode};
use ampwake_schemas::modbus_map::{Kind, sunspec};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::sentence::{SENTENCES, TRANSDUCERS};
use ampwake_tests::file;
use serde_json::{Map, Value, json};

/// Something that we read.
pub struct Row {
    /// As the vectors have it.
    pub protocol: &'static str,
    /// As the vectors have it.
    pub message: String,
    /// What it is, in words.
    pub title: String,
}

/// Everything that we read, in the order of the table.
pub fn all_rows() -> Vec<Row> {
    let mut out = Vec::new();
    for protocol in Protocol::ALL {
        let row = |def: &&MessageDef| Row {
            protocol: protocol.text(),
            message: def.number_text(),
            title: def.title.to_owned(),
        };
        out.extend(all(protocol).iter().map(row));
    }
    let row = |protocol, message: String, title: &str| Row { protocol, message, title: title.to_owned() };
    out.extend(SENTENCES.iter().map(|s| row("nmea0183", s.formatter.to_owned(), s.title)));
    for (n, (kind, unit, name, ..)) in TRANSDUCERS.iter().enumerate() {
        if n == 0 || TRANSDUCERS[n - 1].0 != *kind {
            let title =
                format!("transducer: {} ({})", name.replace('_', " "), if unit.is_empty() { "-" } else { unit });
            out.push(row("nmea0183", format!("XDR {kind}"), &title));
        }
    }
    out.extend(sunspec::models().iter().map(|m| row("sunspec", m.sunspec_model.unwrap().to_string(), &m.name)));
    // A coil is one bit: there is nothing to agree on.
    for kind in Kind::WORDS.iter().filter(|kind| **kind != Kind::Bit) {
        match kind.words() {
            Some(2..) => {
                let orders = [("high_first", "high word first"), ("low_first", "low word first")];
                out.extend(orders.map(|(order, title)| row("modbus", format!("{} {order}", kind.text()), title)));
            }
            Some(_) => out.push(row("modbus", kind.text().to_owned(), "one register")),
            None => out.push(row("modbus", kind.text().to_owned(), "two characters a register")),
        }
    }
    out.extend(["classic", "remote", "CAN FD"].map(|kind| row("candump", kind.to_owned(), "log form")));
    out
}

/// The libraries that read a row as we do, and in how many vectors.
pub fn readers<'a>(row: &Row, libraries: &'a [Library]) -> (Vec<&'a str>, usize) {
    let mut names = Vec::new();
    let mut held = 0;
    for library in libraries {
        let vectors = library.file["vectors"].as_array().unwrap().iter();
        let mine = vectors.filter(|v| v["protocol"] == row.protocol && v["message"] == row.message.as_str());
        let agreed = mine.filter(|v| agree::differences(v).is_some_and(|d| d.is_empty())).count();
        if agreed > 0 {
            names.push(library.name.as_str());
        }
        held += agreed;
    }
    (names, held)
}

/// How many vectors a second library encoded from the layout beside it: a check of bits and scales.
pub fn from_layout(row: &Row) -> usize {
    let (name, number) = match row.protocol {
        "rvc" => ("vectors/rvc.json", u32::from_str_radix(&row.message, 16)),
        "j1939" => ("vectors/j1939.json", row.message.parse()),
        _ => return 0,
    };
    let text = std::fs::read_to_string(file(name)).unwrap();
    let vectors: Value = serde_json::from_str(&text).unwrap();
    let of_it = |v: &&Value| {
        let id = u32::from_str_radix(&v["frames"][0].as_str().unwrap()[..8], 16).unwrap();
        Ok(ampwake_schemas::message::CanId::from_raw(id).pgn) == number
    };
    vectors["vectors"].as_array().unwrap().iter().filter(of_it).count()
}

/// The goldens of the rows that neither a library nor a layout holds, as text.
pub fn golden(libraries: &[Library]) -> String {
    let mut lines = Vec::new();
    for row in all_rows() {
        if !readers(&row, libraries).0.is_empty() || from_layout(&row) > 0 {
            continue;
        }
        let protocol =
            Protocol::parse(row.protocol).unwrap_or_else(|| panic!("{} {}: no vector", row.protocol, row.message));
        let def = agree::row(protocol, &row.message).unwrap();
        for payload in [filled(def), vec![0xFF; filled(def).len()]] {
            let says = Value::Object(words(&decode(def, &payload)));
            let hex: String = payload.iter().map(|b| format!("{b:02x}")).collect();
            let vector = json!({ "protocol": row.protocol, "message": row.message, "payload": hex, "says": says });
            lines.push(format!("  {vector}"));
        }
    }
    format!(
        "{{\n \"about\": \"Rows that no independent library reads: what our own decoder makes of them. It holds against change, and proves nothing.\",\n \"vectors\": [\n{}\n ]\n}}\n",
        lines.join(",\n")
    )
}

/// A payload whose values depend on the number of the message alone.
fn filled(def: &MessageDef) -> Vec<u8> {
    let mut state = u64::from(def.number).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let length = def.fields.iter().map(|f| f.bit + f.bits).max().unwrap_or(0) / 8;
    let mut payload: Vec<u8> = (0..length)
        .map(|_| {
            // Knuth's linear congruential generator (MMIX).
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            // Below the codes of "not available" of every width.
            (state >> 56) as u8 & 0xBF
        })
        .collect();
    for field in def.fields.iter().filter(|f| f.kind == FieldKind::Reserved) {
        (field.bit..field.bit + field.bits).for_each(|bit| payload[usize::from(bit / 8)] |= 1 << (bit % 8));
    }
    payload
}

fn words(decoded: &Decoded) -> Map<String, Value> {
    let mut out = Map::new();
    if let Some(instance) = decoded.instance {
        out.insert("instance".to_owned(), instance.into());
    }
    for f in &decoded.fields {
        let name = if f.set == 0 { f.field.name.to_owned() } else { format!("{}_{}", f.field.name, f.set + 1) };
        let value = match &f.value {
            FieldValue::Reading(Reading::Value(v)) => json!(v),
            FieldValue::Reading(Reading::NotAvailable) => Value::Null,
            FieldValue::Reading(other) => json!(format!("{other:?}")),
            FieldValue::Text(text) => json!(text),
        };
        out.insert(name, value);
    }
    out
}
