//! A recording of a vessel's NMEA 2000 bus as long as one likes, for measuring speed and size: two propulsion drives, a
//! generator, a bank with its chargers, tanks of instruments, and a third of messages that nobody here reads.
//!
//! The same seed and manner give the same bytes. Which messages are on such a bus and how often follows their default
//! periods (the public NMEA2000 C++ library 4.24.1 lists them); the values and the disturbances are invented.

use ampwake_schemas::message::{CanId, FieldValue, MessageDef, Protocol, Transport, encode, fast_packet, find};
use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::io::Write;

/// How the bus behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// Every message on time, values that change slowly and little.
    Steady,
    /// Messages early, late and lost, devices that fall silent for minutes, values with the noise of real sensors.
    Rough,
}

/// A value: name, level, slow swing, noise (one standard deviation).
type Value = (&'static str, f64, f64, f64);

/// One message of one device: number, source address, instance, period in ms, values.
struct Told(u32, u8, Option<u32>, u32, &'static [Value]);

const KELVIN: f64 = 273.15;
const ENGINE: &[Value] = &[("engine_speed", 1450.0, 300.0, 4.0)];
const ENGINE_DYNAMIC: &[Value] = &[
    ("oil_pressure", 3.4e5, 2e4, 2e3),
    ("oil_temperature", 85.0 + KELVIN, 6.0, 0.2),
    ("temperature", 78.0 + KELVIN, 5.0, 0.1),
    ("alternator_potential", 27.6, 0.4, 0.04),
    ("fuel_rate", 11.0, 3.0, 0.3),
    ("total_engine_hours", 4.2e6, 0.0, 0.0),
];
const BATTERY: &[Value] = &[
    ("battery_voltage", 53.1, 1.2, 0.02),
    ("battery_current", 62.0, 90.0, 1.2),
    ("battery_temperature", 24.0 + KELVIN, 4.0, 0.02),
];
const DETAIL: &[Value] = &[
    ("dc_type", 0.0, 0.0, 0.0),
    ("state_of_charge", 0.62, 0.2, 0.0),
    ("state_of_health", 0.98, 0.0, 0.0),
    ("ripple_voltage", 0.04, 0.01, 0.004),
];
const DC: &[Value] = &[("dc_voltage", 53.2, 1.2, 0.06), ("dc_current", 48.0, 40.0, 0.4)];
const CHARGER: &[Value] =
    &[("operating_state", 2.0, 0.0, 0.0), ("charge_mode", 0.0, 0.0, 0.0), ("enabled", 1.0, 0.0, 0.0)];
const AC: &[Value] = &[
    ("voltage", 230.0, 3.0, 0.5),
    ("current", 18.0, 9.0, 0.3),
    ("frequency", 50.0, 0.2, 0.02),
    ("real_power", 4100.0, 1800.0, 60.0),
];
const TEMPERATURE: &[Value] = &[("source", 2.0, 0.0, 0.0), ("temperature", 41.0 + KELVIN, 12.0, 0.05)];
const POSITION: &[Value] = &[("latitude", 54.32, 0.05, 2e-6), ("longitude", 10.15, 0.08, 2e-6)];
const COURSE: &[Value] = &[("cog_reference", 0.0, 0.0, 0.0), ("cog", 1.6, 0.9, 0.02), ("sog", 3.4, 0.8, 0.05)];
const SPEED: &[Value] = &[("speed_water_referenced", 3.3, 0.8, 0.04)];
const AIR: &[Value] = &[
    ("temperature_source", 1.0, 0.0, 0.0),
    ("temperature", 17.0 + KELVIN, 3.0, 0.02),
    ("atmospheric_pressure", 1.015e5, 400.0, 30.0),
];
const CLOCK: &[Value] = &[("source", 0.0, 0.0, 0.0), ("date", 20_480.0, 0.0, 0.0)];
const HEARTBEAT: &[Value] = &[("data_transmit_offset", 60.0, 0.0, 0.0)];

const BUS: &[Told] = &[
    Told(127_488, 10, Some(0), 100, ENGINE),
    Told(127_488, 11, Some(1), 100, ENGINE),
    Told(127_489, 10, Some(0), 500, ENGINE_DYNAMIC),
    Told(127_489, 11, Some(1), 500, ENGINE_DYNAMIC),
    Told(127_508, 20, Some(0), 250, BATTERY),
    Told(127_508, 21, Some(1), 1500, BATTERY),
    Told(127_506, 20, Some(0), 1500, DETAIL),
    Told(127_751, 30, Some(1), 250, DC),
    Told(127_751, 31, Some(2), 250, DC),
    Told(127_751, 32, Some(3), 250, DC),
    Told(127_751, 33, Some(4), 500, DC),
    Told(127_507, 30, Some(1), 1500, CHARGER),
    Told(127_507, 31, Some(2), 1500, CHARGER),
    Told(127_503, 40, Some(0), 1500, AC),
    Told(127_504, 41, Some(0), 1500, AC),
    Told(130_312, 50, Some(0), 2000, TEMPERATURE),
    Told(130_312, 50, Some(1), 2000, TEMPERATURE),
    Told(130_316, 51, Some(2), 2000, TEMPERATURE),
    Told(129_025, 60, None, 100, POSITION),
    Told(129_026, 60, None, 250, COURSE),
    Told(128_259, 61, None, 1000, SPEED),
    Told(130_311, 62, None, 500, AIR),
    Told(126_992, 60, None, 1000, CLOCK),
    Told(126_993, 20, None, 60_000, HEARTBEAT),
];

/// Messages without a row here: number, source address, period in ms, length in bytes (above 8: a fast packet).
const OTHERS: &[(u32, u8, u32, usize)] = &[
    (127_250, 63, 100, 8),
    (127_257, 63, 500, 8),
    (127_245, 64, 100, 8),
    (130_306, 65, 100, 8),
    (128_267, 61, 1000, 8),
    (129_540, 60, 1000, 100),
    (127_505, 66, 2500, 8),
];

/// Sebastiano Vigna's SplitMix64 (public domain): a few lines, the same everywhere and for ever.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ z >> 31
    }

    /// Between 0 and 1.
    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Mean 0, standard deviation 1: the sum of twelve.
    fn noise(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// Writes so many frames as `candump -l` does, on `can0`.
///
/// # Errors
/// Nothing more can be written.
pub fn write(out: &mut impl Write, frames: u64, seed: u64, manner: Manner) -> std::io::Result<()> {
    let mut dice = Dice(seed);
    let rough = manner == Manner::Rough;
    let defs: Vec<&'static MessageDef> =
        BUS.iter().map(|t| find(Protocol::N2k, t.0).unwrap_or_else(|| panic!("there is no {}", t.0))).collect();
    // Due times in us; what is due first comes first.
    let mut due: BinaryHeap<Reverse<(i64, usize)>> =
        (0..BUS.len() + OTHERS.len()).map(|i| Reverse(((dice.unit() * 1e5) as i64, i))).collect();
    let (mut written, mut free_us, mut sequence) = (0, 0, 0_u8);
    let mut silent_until = [0_i64; 256];
    while written < frames {
        let Some(Reverse((t, which))) = due.pop() else { break };
        let (number, source, period_ms) = match which.checked_sub(BUS.len()) {
            None => (BUS[which].0, BUS[which].1, BUS[which].3),
            Some(other) => (OTHERS[other].0, OTHERS[other].1, OTHERS[other].2),
        };
        let period = i64::from(period_ms) * 1000;
        let late = if rough { (dice.noise() * 0.04 * period as f64) as i64 } else { 0 };
        due.push(Reverse((t + (period + late).max(period / 4), which)));
        if rough {
            if dice.next().is_multiple_of(200_000) {
                silent_until[usize::from(source)] = t + (dice.unit() * 300e6) as i64;
            }
            if t < silent_until[usize::from(source)] || dice.next().is_multiple_of(500) {
                continue;
            }
        }
        let payload = match which.checked_sub(BUS.len()) {
            None => {
                let told = &BUS[which];
                let mut values: Vec<(&str, FieldValue)> = told
                    .4
                    .iter()
                    .map(|(name, level, swing, noise)| {
                        let phase = t as f64 / 1e6 / 1800.0 * std::f64::consts::TAU + f64::from(source);
                        let noise = if rough { *noise } else { noise * 0.2 };
                        (*name, FieldValue::from(level + swing * phase.sin() + noise * dice.noise()))
                    })
                    .collect();
                if told.0 == 126_992 {
                    values.push(("time", FieldValue::from((t / 1_000_000 % 86_400) as f64)));
                }
                encode(defs[which], told.2, &values).unwrap_or_else(|e| panic!("{number}: {e}"))
            }
            Some(other) => {
                let mut bytes: Vec<u8> = (0..OTHERS[other].3).map(|i| i as u8 ^ number as u8).collect();
                bytes[1] = dice.next() as u8;
                bytes
            }
        };
        let fast = payload.len() > 8 || which < BUS.len() && defs[which].transport == Transport::Fast;
        let id = CanId::broadcast(if which < BUS.len() { defs[which].priority } else { 3 }, number, source).to_raw();
        let parts: Vec<Vec<u8>> = if fast {
            sequence = (sequence + 1) % 8;
            fast_packet::fragment(sequence, &payload).unwrap_or_default().iter().map(|p| p.to_vec()).collect()
        } else {
            vec![payload]
        };
        for part in parts {
            // A frame of 8 bytes takes half a millisecond at 250 kbit/s.
            free_us = t.max(free_us + 540);
            let at = 1_769_472_000_000_000 + free_us;
            write!(out, "({}.{:06}) can0 {id:08X}#", at / 1_000_000, at % 1_000_000)?;
            part.iter().try_for_each(|byte| write!(out, "{byte:02X}"))?;
            out.write_all(b"\n")?;
            written += 1;
            if written == frames {
                break;
            }
        }
    }
    Ok(())
}
