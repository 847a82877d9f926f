//! A database of a vessel with 60 channels at 1 Hz, every day much like the one before: a bank that is charged in the morning
//! and emptied until the next, six sources of which two do the work, and twenty channels that no analysis asks for.

use super::Outcome;
use ampwake_schemas::message::Scale;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Coding, Store, StreamColumn, StreamId, Writer};
use ampwake_tests::crash::mixed;
use serde_json::json;
use std::fmt::Write;
use std::path::Path;
use std::time::Instant;

const DAY_S: i64 = 86_400;
const SOURCES: i64 = 6;
/// Blocks that wait for a commit, as an import has it.
const SAMPLES_PER_COMMIT: usize = 2_000_000;

/// Channel addresses below `can0/n2k/`, units, and decimals of one message.
type Message = Vec<(String, Unit, i32)>;

fn messages() -> Vec<Message> {
    let of = |pgn: i64, instance: i64, fields: &[(&str, Unit, i32)]| {
        fields.iter().map(|(field, unit, decimals)| (format!("{pgn}/{instance}/{field}"), *unit, *decimals)).collect()
    };
    let bank = [
        ("battery_voltage", Unit::Volt, 2),
        ("battery_current", Unit::Ampere, 1),
        ("battery_temperature", Unit::Celsius, 2),
    ];
    let mut all: Vec<Message> = vec![of(127_508, 0, &bank), of(127_506, 0, &[("state_of_charge", Unit::Fraction, 2)])];
    for source in 1..=SOURCES {
        all.push(of(127_751, source, &[("dc_voltage", Unit::Volt, 2), ("dc_current", Unit::Ampere, 1)]));
        all.push(of(127_507, source, &[("operating_state", Unit::Code, 0), ("charge_mode", Unit::Code, 0)]));
        all.push(of(130_316, source, &[("temperature", Unit::Celsius, 2)]));
    }
    all.push(of(127_751, 9, &[("dc_voltage", Unit::Volt, 2), ("dc_current", Unit::Ampere, 1)]));
    let ac = [
        ("voltage", Unit::Volt, 2),
        ("current", Unit::Ampere, 1),
        ("frequency", Unit::Hertz, 2),
        ("real_power", Unit::Watt, 0),
    ];
    all.extend((0..3).map(|line| of(127_503, line, &ac)));
    let engine =
        [("oil_pressure", Unit::Pascal, 0), ("temperature", Unit::Celsius, 2), ("fuel_rate", Unit::LitrePerHour, 1)];
    all.extend((0..4).map(|engine_number| of(127_489, engine_number, &engine)));
    all
}

/// Hours since midnight; where the bank stands: volts, amperes into it, fraction.
fn bank(second: i64) -> (f64, f64, f64) {
    let hour = (second % DAY_S) as f64 / 3600.0;
    let load = -32.0 - 9.0 * (hour / 24.0 * std::f64::consts::TAU).sin();
    match hour {
        h if h < 8.0 => (52.9 - 0.05 * h, load, 0.56 - 0.035 * h),
        h if h < 11.0 => (53.2 + (h - 8.0) * 1.1, 150.0, 0.28 + (h - 8.0) * 0.22),
        h if h < 12.5 => (56.8, 150.0 * (-(h - 11.0) * 1.6).exp(), 0.94 + (h - 11.0) * 0.04),
        h if h < 16.0 => (54.0, 1.5, 1.0),
        h => (53.3 - 0.03 * (h - 16.0), load, 1.0 - 0.035 * (h - 16.0)),
    }
}

/// The sender's number of a channel: a value in its last digit, with the noise of a sensor.
fn raw(message: usize, place: usize, decimals: i32, second: i64, bank: (f64, f64, f64)) -> i64 {
    let charging = bank.1 > 0.0;
    let source = (message as i64 - 2) / 3 + 1;
    let (value, noise) = match (message, place) {
        (0, 0) => (bank.0, 2),
        (0, 1) => (bank.1, 4),
        (0, _) => (24.0 + bank.1.max(0.0) / 20.0, 2),
        (1, _) => (bank.2, 0),
        (2..=19, _) => match ((message - 2) % 3, place) {
            (0, 0) => (bank.0 + 0.05, 2),
            (0, _) => (if charging && source < 3 { bank.1 / 2.0 + 16.0 } else { 0.0 }, if source < 3 { 2 } else { 0 }),
            (1, 0) => (if charging && source < 3 { 1.0 } else { 0.0 }, 0),
            (1, _) => (0.0, 0),
            _ => (31.0 + if source < 3 { bank.1.max(0.0) / 6.0 } else { 0.0 }, 3),
        },
        (20, 0) => (bank.0, 2),
        (20, _) => (34.0, 3),
        _ => (230.0, 8),
    };
    let noise = (mixed((message as u64) << 48 ^ (place as u64) << 40 ^ second as u64) % (noise + 1)) as i64;
    (value * 10_f64.powi(decimals)) as i64 + noise
}

fn intent() -> Result<String, std::fmt::Error> {
    let mut text = String::from(
        r#"schema = "ampwake-intent/1"
[vessel]
name = "Measured"
[bank]
chemistry = "lfp"
nominal_v = 51.2
cells_in_series = 16
capacity_ah = 600
max_charge_a = 300
signals = { voltage = "can0/n2k/127508/0/battery_voltage", current = "can0/n2k/127508/0/battery_current", temperature = ["can0/n2k/127508/0/battery_temperature"], state_of_charge = "can0/n2k/127506/0/state_of_charge" }
[bank.profile]
absorption_v = 56.8
float_v = 54.0
[[load]]
name = "house"
signals = { current = "can0/n2k/127751/9/dc_current" }
"#,
    );
    for n in 1..=SOURCES {
        writeln!(
            text,
            r#"[[source]]
name = "charger {n}"
kind = "shore_charger"
rated_a = 100
signals = {{ current = "can0/n2k/127751/{n}/dc_current", voltage = "can0/n2k/127751/{n}/dc_voltage", state = "can0/n2k/127507/{n}/operating_state", temperature = "can0/n2k/130316/{n}/temperature" }}
available_when = {{ signal = "can0/n2k/127503/{}/voltage", above = 200 }}"#,
            (n - 1) % 3
        )?;
    }
    Ok(text)
}

/// Writes it.
pub fn year(database: &Path, intent_path: &Path, days: i64) -> Outcome {
    std::fs::write(intent_path, intent()?)?;
    let start = Instant::now();
    let mut store = Store::create(database)?;
    store.begin_bulk();
    store.begin_segment("measured");
    let all = messages();
    let streams: Vec<StreamId> = all.iter().map(|m| stream(&mut store, m)).collect::<Result<_, _>>()?;
    let mut raws = Vec::new();
    for second in 0..days * DAY_S {
        let bank = bank(second);
        for (number, (message, id)) in all.iter().zip(&streams).enumerate() {
            raws.clear();
            raws.extend(message.iter().enumerate().map(|(place, m)| raw(number, place, m.2, second, bank)));
            let jitter = (mixed((second << 8) as u64 ^ number as u64) % 7) as i64;
            let time = Timestamp::from_millis(super::T0 + second * 1000 + number as i64 * 30 + jitter);
            store.append_row(*id, time, &raws, &[0; 8][..raws.len()]);
        }
        if store.pending() >= SAMPLES_PER_COMMIT {
            store.commit()?;
        }
    }
    store.end_bulk();
    store.commit()?;
    drop(store);
    let channels: usize = all.iter().map(Vec::len).sum();
    Ok(json!({
        "days": days, "channels": channels, "samples": channels as i64 * days * DAY_S,
        "seconds": [start.elapsed().as_secs_f64()], "file": std::fs::metadata(database)?.len()
    }))
}

fn stream(store: &mut Writer, message: &Message) -> Result<StreamId, Box<dyn std::error::Error>> {
    let columns: Result<Vec<StreamColumn>, Box<dyn std::error::Error>> = message
        .iter()
        .map(|(below, unit, decimals)| {
            let channel = store.channel(&format!("can0/n2k/{below}").parse()?, *unit)?;
            let coding = Coding::Scaled(Scale { step: 1, offset: 0, decimals: (*decimals).try_into()? });
            Ok(StreamColumn { channel, coding })
        })
        .collect();
    Ok(store.stream(&columns?)?)
}
