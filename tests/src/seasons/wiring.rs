//! Which message carries what: sixty channels once a second, each with its sensor's noise and its message's own steps.

use super::plant::{Now, SOURCES};
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::message::Scale;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Coding, StoreError, StreamColumn, StreamId, Writer};

/// The design of the vessel.
pub const INTENT: &str = include_str!("vessel.toml");

/// What of the vessel a field shows.
type Of = Box<dyn Fn(&Now) -> f64>;

/// One message: its fields, and when in the second it comes.
struct Message {
    stream: StreamId,
    fields: Vec<Field>,
    phase_ms: i64,
}

/// A field: steps per unit, noise in steps, and what of the vessel it shows.
struct Field {
    steps: f64,
    zero: f64,
    noise: f64,
    of: Of,
}

/// All messages.
pub(super) struct Wiring {
    messages: Vec<Message>,
    noise: u64,
    raws: Vec<i64>,
}

/// Decimals, offset and noise in steps of the kinds of field that there are.
#[derive(Clone, Copy)]
struct Kind(Unit, i32, f64, f64);
const VOLTS: Kind = Kind(Unit::Volt, 2, 0.0, 0.7);
const TENTHS_OF_VOLT: Kind = Kind(Unit::Volt, 1, 0.0, 0.3);
const AMPS: Kind = Kind(Unit::Ampere, 1, 0.0, 0.8);
const FINE_AMPS: Kind = Kind(Unit::Ampere, 2, 0.0, 6.0);
const DEGREES: Kind = Kind(Unit::Celsius, 2, 273.15, 2.0);
const CODE: Kind = Kind(Unit::Code, 0, 0.0, 0.0);
const PERCENT: Kind = Kind(Unit::Fraction, 2, 0.0, 0.0);
const HERTZ: Kind = Kind(Unit::Hertz, 2, 0.0, 1.0);
const RPM: Kind = Kind(Unit::Rpm, 0, 0.0, 3.0);
const METRES_PER_SECOND: Kind = Kind(Unit::MetrePerSecond, 2, 0.0, 4.0);
const METRES: Kind = Kind(Unit::Metre, 2, 0.0, 6.0);
const ANGLE: Kind = Kind(Unit::Radian, 4, 0.0, 8.0);
const WATTS: Kind = Kind(Unit::Watt, 0, 0.0, 8.0);

impl Wiring {
    pub fn new(writer: &mut Writer, seed: u64) -> Result<Self, StoreError> {
        let mut wiring =
            Self { messages: Vec::new(), noise: seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1, raws: Vec::new() };
        let mut add = |message: &str, fields: Vec<(&str, Kind, Of)>| wiring.add(writer, message, fields);
        add(
            "127508/0",
            vec![
                ("battery_voltage", VOLTS, Box::new(|n| n.bus_v)),
                ("battery_current", AMPS, Box::new(|n| n.bank_a)),
                ("battery_temperature", DEGREES, Box::new(|n| n.bank_c)),
            ],
        )?;
        add(
            "127506/0",
            vec![
                ("state_of_charge", PERCENT, Box::new(|n| n.soc)),
                ("state_of_health", PERCENT, Box::new(|_| 0.99)),
                ("ripple_voltage", VOLTS, Box::new(|n| 0.02 + 0.0005 * n.bank_a.abs())),
            ],
        )?;
        for j in 0..SOURCES {
            add(
                &format!("127751/{}", j + 1),
                vec![
                    ("dc_voltage", TENTHS_OF_VOLT, Box::new(move |n| n.source_v[j])),
                    ("dc_current", FINE_AMPS, Box::new(move |n| n.source_a[j])),
                ],
            )?;
            add(&format!("130316/{}", j + 21), vec![("temperature", DEGREES, Box::new(move |n| n.source_c[j]))])?;
            add(&format!("127507/{}", j + 1), vec![("operating_state", CODE, Box::new(move |n| n.state[j] as f64))])?;
        }
        for k in 0..2 {
            add(
                &format!("127751/{}", k + 11),
                vec![
                    ("dc_voltage", TENTHS_OF_VOLT, Box::new(|n| n.bus_v)),
                    ("dc_current", FINE_AMPS, Box::new(move |n| n.offer.loads_a[k])),
                ],
            )?;
        }
        add("127488/0", vec![("engine_speed", RPM, Box::new(|n| n.offer.rpm))])?;
        let on = |yes: bool, value: f64| if yes { value } else { 0.0 };
        add(
            "127503/0",
            vec![
                ("voltage", TENTHS_OF_VOLT, Box::new(move |n| on(n.offer.shore, 231.0))),
                (
                    "current",
                    AMPS,
                    Box::new(move |n| on(n.offer.shore, (n.source_a[0] + n.source_a[1]) * n.bus_v / 0.92 / 231.0)),
                ),
                ("frequency", HERTZ, Box::new(move |n| on(n.offer.shore, 50.0))),
            ],
        )?;
        add(
            "127504/0",
            vec![
                ("voltage", TENTHS_OF_VOLT, Box::new(move |n| on(n.offer.genset, 229.0))),
                ("real_power", WATTS, Box::new(|n| n.source_a[2] * n.bus_v / 0.92)),
                ("frequency", HERTZ, Box::new(move |n| on(n.offer.genset, 50.2))),
            ],
        )?;
        add("128259", vec![("speed_water_referenced", METRES_PER_SECOND, Box::new(|n| n.offer.water_mps))])?;
        add("128267", vec![("depth", METRES, Box::new(|n| 8.0 + 10.0 * n.offer.water_mps))])?;
        add(
            "130306",
            vec![
                ("wind_angle", ANGLE, Box::new(|n| 0.7 + 0.1 * n.offer.water_mps)),
                ("wind_speed", METRES_PER_SECOND, Box::new(|n| 2.0 + 2.0 * n.offer.water_mps)),
            ],
        )?;
        add("129026", vec![("sog", METRES_PER_SECOND, Box::new(|n| n.offer.water_mps))])?;
        add("130312/1", vec![("temperature", DEGREES, Box::new(|n| n.bank_c - 2.0))])?;
        for k in 0..3 {
            add(&format!("127505/{k}"), vec![("level", PERCENT, Box::new(|n| 0.3 + 0.5 * n.soc))])?;
        }
        for k in 0..2 {
            add(
                &format!("127257/{k}"),
                vec![
                    ("yaw", ANGLE, Box::new(|n| n.offer.water_mps)),
                    ("pitch", ANGLE, Box::new(|_| 0.1)),
                    ("roll", ANGLE, Box::new(|n| 0.1 * n.offer.water_mps)),
                ],
            )?;
        }
        Ok(wiring)
    }

    fn add(&mut self, writer: &mut Writer, message: &str, fields: Vec<(&str, Kind, Of)>) -> Result<(), StoreError> {
        let mut columns = Vec::new();
        let mut kept = Vec::new();
        for (name, Kind(unit, decimals, zero, noise), of) in fields {
            let address = format!("can0/n2k/{message}/{name}");
            let Ok(address) = address.parse::<ChannelAddress>() else { continue };
            let steps = 10_f64.powi(decimals);
            let scale = Scale { step: 1, offset: -(zero * steps).round() as i64, decimals: decimals as u8 };
            columns.push(StreamColumn { channel: writer.channel(&address, unit)?, coding: Coding::Scaled(scale) });
            kept.push(Field { steps, zero, noise, of });
        }
        let stream = writer.stream(&columns)?;
        self.messages.push(Message { stream, fields: kept, phase_ms: (self.messages.len() as i64 * 37) % 900 });
        Ok(())
    }

    /// One second of every message; how many samples that were.
    pub fn write(&mut self, writer: &mut Writer, at: Timestamp, now: &Now) -> u64 {
        let mut samples = 0;
        for message in &self.messages {
            self.raws.clear();
            for field in &message.fields {
                let dithered = if field.noise > 0.0 { field.noise * bell(&mut self.noise) } else { 0.0 };
                self.raws.push((((field.of)(now) + field.zero) * field.steps + dithered).round() as i64);
            }
            let late = message.phase_ms + (next(&mut self.noise) >> 59) as i64;
            let time = Timestamp::from_millis(at.millis() + late);
            writer.append_row(message.stream, time, &self.raws, &NO_CODES[..self.raws.len()]);
            samples += self.raws.len() as u64;
        }
        samples
    }
}

const NO_CODES: [u8; 8] = [0; 8];

/// A xorshift generator (Marsaglia 2003, "Xorshift RNGs", 13-7-17).
fn next(state: &mut u64) -> u64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    *state
}

/// Mean 0, standard deviation 1: the sum of four even draws.
fn bell(state: &mut u64) -> f64 {
    let n = next(state);
    let sum: f64 = (0..4).map(|k| ((n >> (16 * k)) & 0xFFFF) as f64 / 65_535.0).sum();
    (sum - 2.0) * 3_f64.sqrt()
}
