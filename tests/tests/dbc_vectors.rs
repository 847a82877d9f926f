//! Signals read by DBC files, held against what PyPI `cantools` (MIT) reads in the same frames
//! (`vectors/dbc.json`, made by `vectors/regenerate_dbc.py`): a hand-written file with every kind of signal, and
//! random layouts in both byte orders.

use ampwake_logger::dbc::{Definitions, FrameId};
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use serde_json::Value;
use std::path::{Path, PathBuf};

fn vectors() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("vectors")
}

fn json() -> Value {
    let text = std::fs::read_to_string(vectors().join("dbc.json")).expect("the vectors");
    serde_json::from_str(&text).expect("JSON")
}

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len() / 2).map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).expect("hex")).collect()
}

/// From the file's unit to the channel's, for the signals of `pack.dbc` that do not have it already.
fn in_channel_unit(signal: &str, value: f64) -> f64 {
    match signal {
        "SOC" | "SOH" => value / 100.0,
        "CellVoltageMin_mV" | "CellVoltageMax_mV" => value / 1000.0,
        "MotorTemperature" => value - 273.15,
        "Energy" | "Isolation" => value * 1000.0,
        _ => value,
    }
}

/// Holds a frame against its expectation; the number of values that were compared.
fn compare(definitions: &Definitions, vector: &Value) -> usize {
    let id = FrameId {
        extended: vector["extended"].as_bool().expect("extended"),
        id: vector["id"].as_u64().expect("id") as u32,
    };
    let message = &definitions.messages()[definitions.find(id).expect("a message of the file")];
    let data = bytes(vector["data"].as_str().expect("data"));
    let expect = vector["values"].as_object().expect("values");
    let read: Vec<(&str, Reading)> =
        message.readings(&data).map(|(i, r)| (message.signals[i].title.as_str(), r)).collect();
    for name in expect.keys() {
        assert!(read.iter().any(|(n, _)| n == name), "{name} is missing in {vector}");
    }
    let mut compared = 0;
    for (name, reading) in read {
        let expected = expect.get(name).and_then(Value::as_f64);
        match (expected, reading) {
            (Some(e), Reading::Value(v)) => {
                let e = in_channel_unit(name, e);
                assert!((v - e).abs() <= 1e-12 * e.abs().max(1.0), "{name}: {v}, expected {e} in {vector}");
                compared += 1;
            }
            // The file calls these codes "no value"; cantools gives their number.
            (Some(e), Reading::NotAvailable) if name == "State" => assert_eq!(e, 15.0),
            // A floating-point number that is none.
            (None, Reading::NotAvailable) => {}
            other => panic!("{name}: {other:?} in {vector}"),
        }
    }
    compared
}

#[test]
fn every_kind_of_signal() {
    let definitions = Definitions::read(&[vectors().join("dbc/pack.dbc")]).expect("a sound file");
    let json = json();
    let frames = json["pack"].as_array().expect("frames");
    let compared: usize = frames.iter().map(|v| compare(&definitions, v)).sum();
    assert!(frames.len() >= 100 && compared > 350, "{compared} values in {} frames", frames.len());
}

#[test]
fn signals_anywhere_in_both_orders() {
    let json = json();
    let mut compared = 0;
    for layout in json["layouts"].as_array().expect("layouts") {
        let text = layout["dbc"].as_str().expect("a file");
        let definitions = Definitions::from_bytes(Path::new("random.dbc"), text.as_bytes()).expect("a sound file");
        compared +=
            layout["frames"].as_array().expect("frames").iter().map(|v| compare(&definitions, v)).sum::<usize>();
    }
    assert!(compared > 1000, "{compared} values");
}

#[test]
fn units_and_names_become_those_of_channels() {
    let definitions = Definitions::read(&[vectors().join("dbc/pack.dbc")]).expect("a sound file");
    let channels: Vec<(String, &str)> = definitions
        .messages()
        .iter()
        .flat_map(|m| m.signals.iter().map(move |s| (format!("{}/{}", m.name, s.name), s.unit().text())))
        .collect();
    for (name, unit) in [
        ("pack_status/pack_voltage", Unit::Volt),
        ("pack_status/pack_current", Unit::Ampere),
        ("pack_status/soc", Unit::Fraction),
        ("pack_status/state", Unit::Code),
        ("pack_status/contactor", Unit::None),
        ("pack_limits/charge_current_limit", Unit::Ampere),
        ("pack_limits/isolation", Unit::Ohm),
        ("cell_extremes/cell_voltage_min_mv", Unit::Volt),
        ("cell_extremes/cell_temperature_min", Unit::Celsius),
        ("motor_feedback/motor_temperature", Unit::Celsius),
        ("motor_energy/energy", Unit::WattHour),
    ] {
        assert!(channels.contains(&(name.to_owned(), unit.text())), "{name}: {channels:#?}");
    }
    assert_eq!(definitions.remarks(), []);
}
