//! The recording of a voyage: `candump -l` text, every frame encoded as the bus would carry it.

use super::wiring::{Device, What, Wiring};
use super::{Noise, Trace};
use ampwake_schemas::message::can_id::CanId;
use ampwake_schemas::message::{FieldValue, MessageDef, Protocol, Transport, encode, fast_packet, tables};
use std::collections::BTreeMap;
use std::io::{self, Write};

/// How long one frame occupies a bus of 250 kbit/s: some 130 bits with stuffing.
const FRAME_US: i64 = 520;
/// Periods depart from their mean by up to this.
const JITTER: f64 = 0.02;
/// Devices introduce themselves one after another.
const INTRODUCTION_S: f64 = 0.03;

/// Writes `trace` as the frames that `wiring` puts on the bus, in `candump -l` form with microseconds; returns
/// how many frames.
///
/// At the start every device claims its address and says what it is. `seed` decides noise and jitter.
///
/// # Errors
/// Those of `out`, and values that no message can carry (a sensor that is off the scale of its field).
pub fn bus_traffic(trace: &Trace, wiring: &Wiring, seed: u64, out: &mut dyn Write) -> io::Result<u64> {
    let mut bus =
        Bus { out, name: &wiring.bus, start: trace.start.micros(), free: i64::MIN, frames: 0, next: BTreeMap::new() };
    for (n, device) in wiring.devices.iter().enumerate() {
        bus.introduce(device, n, INTRODUCTION_S * n as f64)?;
    }
    let end = trace.instants.len() as f64;
    let first = INTRODUCTION_S * wiring.devices.len() as f64;
    let mut noises: Vec<Noise> = (0..wiring.senders.len()).map(|n| Noise::new(seed, n as u64)).collect();
    let mut due: Vec<f64> =
        wiring.senders.iter().zip(&mut noises).map(|(s, noise)| first + s.what.period() * noise.uniform()).collect();
    // A few dozen senders: looking for the next one is cheaper than keeping a queue.
    while let Some(n) = (0..due.len()).min_by(|&a, &b| due[a].total_cmp(&due[b])) {
        let (t, sender, noise) = (due[n], &wiring.senders[n], &mut noises[n]);
        if t >= end {
            break;
        }
        due[n] = t + sender.what.period() * (1.0 + JITTER * (2.0 * noise.uniform() - 1.0));
        // Silent senders draw their noise all the same: a silence changes nothing after it.
        let values = sender.what.values(trace, t, noise);
        let silent = |spans: &[(f64, f64)]| spans.iter().any(|&(from, to)| (from..to).contains(&t));
        if !silent(&sender.silences) && !silent(&wiring.silences) {
            // The clock has no instance.
            let instance = (sender.what != What::Clock).then_some(u32::from(sender.instance));
            bus.send(t, sender.device, sender.what.pgn(), instance, &values)?;
        }
    }
    Ok(bus.frames)
}

struct Bus<'a> {
    out: &'a mut dyn Write,
    name: &'a str,
    start: i64,
    /// When the last frame was over, microseconds since the epoch.
    free: i64,
    frames: u64,
    /// Fast-packet sequence counters, per sender and message.
    next: BTreeMap<(u8, u32), u8>,
}

impl Bus<'_> {
    fn introduce(&mut self, device: &Device, n: usize, t: f64) -> io::Result<()> {
        let (class, function) = device.class_function;
        let claim: [(&str, FieldValue); 8] = [
            ("unique_number", (4000.0 + n as f64).into()),
            // No maker's: the number is not assigned.
            ("manufacturer_code", 2040.0.into()),
            ("device_instance_lower", 0.0.into()),
            ("device_instance_upper", 0.0.into()),
            ("device_function", f64::from(function).into()),
            ("device_class", f64::from(class).into()),
            ("industry_group", 4.0.into()),
            ("arbitrary_address_capable", 1.0.into()),
        ];
        self.send(t, device.address, 60_928, None, &claim)?;
        let product: [(&str, FieldValue); 6] = [
            ("nmea_2000_version", 2100.0.into()),
            ("product_code", (100.0 + n as f64).into()),
            ("model_id", device.model.as_str().into()),
            ("software_version_code", "1.0".into()),
            ("model_version", "simulated".into()),
            ("model_serial_code", format!("S{n:04}").as_str().into()),
        ];
        self.send(t, device.address, 126_996, None, &product)
    }

    fn send(
        &mut self,
        t: f64,
        source: u8,
        pgn: u32,
        instance: Option<u32>,
        values: &[(&str, FieldValue)],
    ) -> io::Result<()> {
        let def = tables::find(Protocol::N2k, pgn)
            .ok_or_else(|| io::Error::other(format!("there is no message {pgn} to send")))?;
        let payload = encode(def, instance, values).map_err(io::Error::other)?;
        let at = self.start + (t * 1e6) as i64;
        match def.transport {
            Transport::Single => self.frame(at, source, def, &payload),
            Transport::Fast => {
                let counter = self.next.entry((source, pgn)).or_default();
                let sequence = *counter;
                *counter = (sequence + 1) % 8;
                let frames = fast_packet::fragment(sequence, &payload).map_err(io::Error::other)?;
                frames.iter().try_for_each(|data| self.frame(at, source, def, data))
            }
        }
    }

    fn frame(&mut self, at: i64, source: u8, def: &MessageDef, data: &[u8]) -> io::Result<()> {
        // A bus carries one frame at a time: what is due while it is busy waits.
        let at = at.max(self.free);
        self.free = at + FRAME_US;
        self.frames += 1;
        let id = CanId::broadcast(def.priority, def.number, source).to_raw();
        write!(self.out, "({}.{:06}) {} {id:08X}#", at.div_euclid(1_000_000), at.rem_euclid(1_000_000), self.name)?;
        data.iter().try_for_each(|byte| write!(self.out, "{byte:02X}"))?;
        writeln!(self.out)
    }
}
