//! The table as text.

use crate::{Library, rows};
use ampwake_tests::file;
use serde_json::Value;
use std::fmt::Write;

const HEAD: &str = "# Who else reads what we read

Made by `tests/decoders` from the vector files (`AMPWAKE_BLESS=1 cargo test -p ampwake-tests --test decoders` writes it); do not edit it.
\"Agrees\" means: the library and our decoder read the same values, under the same names and in the same units, in as many vectors as the last
column says. Where no independent decoder exists, the source of the layout stands instead; a check of bits and scales (by PyPI
`cantools`, from a layout of the same source) or a golden of our own then holds the row.
";

/// Part of the table: its protocol, its title, and where layouts come from that nobody else reads.
const PARTS: [(&str, &str, &str); 8] = [
    ("n2k", "NMEA 2000", ""),
    ("rvc", "RV-C", "the RV-C specification as public decoders carry it"),
    ("j1939", "SAE J1939", "public decoders; hours and alternators from memory of SAE J1939-71"),
    ("canopen", "CANopen", ""),
    ("nmea0183", "NMEA 0183", ""),
    ("sunspec", "SunSpec models", ""),
    ("modbus", "Modbus register types", ""),
    ("candump", "Recordings: candump text", ""),
];

/// The whole table.
pub fn text(libraries: &[Library]) -> String {
    let mut out = format!("{HEAD}\n| library | licence | what it knows layouts from |\n|---|---|---|\n");
    for library in libraries {
        let word = |key: &str| library.file[key].as_str().unwrap();
        writeln!(out, "| {} `{}` | {} | {} |", word("from"), library.name, word("licence"), word("layouts")).unwrap();
    }
    let rows = rows::all_rows();
    for (protocol, title, source) in PARTS {
        write!(out, "\n## {title}\n\n| message | agrees | vectors |\n|---|---|---|\n").unwrap();
        for row in rows.iter().filter(|row| row.protocol == protocol) {
            let (names, held) = rows::readers(row, libraries);
            let checked = rows::from_layout(row);
            let (agrees, vectors) = match (names.is_empty(), checked) {
                (false, _) => (names.join(", "), held),
                (true, 0) => (format!("none: layout from {source}; own golden"), 2),
                (true, checked) => (format!("none: layout from {source}; bits and scales by cantools 45.1.0"), checked),
            };
            assert!(!names.is_empty() || !source.is_empty(), "{} {}: no source", row.protocol, row.message);
            writeln!(out, "| {} {} | {agrees} | {vectors} |", row.message, row.title).unwrap();
        }
    }
    dbc(&mut out);
    out.push_str(
        "\nCaptures of packets: PyPI `scapy` 2.8.0 wrote `golden/captures/*.pcap*` from the same frames as text.\n",
    );
    not_compared(&mut out, libraries);
    out
}

/// Files of the user's own have no rows: what is held is every kind of signal.
fn dbc(out: &mut String) {
    let file: Value = serde_json::from_str(&std::fs::read_to_string(file("vectors/dbc.json")).unwrap()).unwrap();
    let count = |list: &Value| list.as_array().unwrap().len();
    let layouts: usize = file["layouts"].as_array().unwrap().iter().map(|l| count(&l["frames"])).sum();
    let made_by = file["made_by"].as_str().unwrap();
    write!(out, "\n## DBC files\n\n| messages | agrees | vectors |\n|---|---|---|\n").unwrap();
    writeln!(out, "| `dbc/pack.dbc`: every kind of signal | {made_by} | {} |", count(&file["pack"])).unwrap();
    writeln!(out, "| {} random layouts, both byte orders | {made_by} | {layouts} |", count(&file["layouts"])).unwrap();
}

fn not_compared(out: &mut String, libraries: &[Library]) {
    out.push_str("\n## What is not compared\n\nA library reads these otherwise than the published layouts and the other libraries.\n\n| library | field | it |\n|---|---|---|\n");
    for library in libraries {
        for (field, why) in library.file["not_compared"].as_object().into_iter().flatten() {
            writeln!(out, "| {} | {field} | {} |", library.name, why.as_str().unwrap()).unwrap();
        }
    }
}
