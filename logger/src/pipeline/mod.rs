//! From frames to samples: reassembly, identity, decoding, channels, and what is to be said about the recording.
//!
//! A live bus and a recording share every line from here on. Owes its reader: no frame makes it fail; what
//! cannot be used is counted by name; memory has a bound whatever the bus carries.

mod bus;
mod channels;
mod described;
mod devices;
mod direct;
mod errors;
mod faults;
mod ranks;
mod segments;
mod shortcuts;

use crate::bus::readings::Readings;
use crate::bus::stamps::Meaning;
use crate::bus::{Frame, bus_name};
use crate::clock::{Arrival, Settled};
use crate::dialect::{Dialect, Dialects};
use crate::framing::{Outcome, TransportOutcome};
use crate::identity::name_of_claim;
use ampwake_schemas::message::{Decoded, FieldValue, Protocol, Transport, decode};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Event, Writer};
use bus::{Bus, Known, identifier, row};
use std::collections::BTreeMap;
use std::time::Duration;

pub(crate) use segments::times_told;

/// Data buses of one pipeline.
const MOST_BUSES: usize = 64;
/// How often the other buses are looked at for silence.
const LOOK_US: i64 = 1_000_000;

/// Numbers of messages with a part of their own here.
mod pgn {
    pub(super) const ADDRESS_CLAIM: u32 = 60928;
    pub(super) const SYSTEM_TIME: u32 = 126992;
    pub(super) const HEARTBEAT: u32 = 126993;
    pub(super) const PRODUCT_INFORMATION: u32 = 126996;
    pub(super) const GNSS_POSITION: u32 = 129029;
}

/// What went through.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Totals {
    /// Frames of any kind, and messages of buses that have no frames.
    pub frames: u64,
    /// Messages that were decoded.
    pub messages: u64,
    /// Samples that were stored.
    pub samples: u64,
    /// Steps of the recorder's clock.
    pub clock_steps: u64,
}

/// What a bus carried.
enum Carried {
    Frame(Frame),
    Readings(Readings),
}

impl Carried {
    fn time(&self) -> Timestamp {
        match self {
            Self::Frame(frame) => frame.time,
            Self::Readings(readings) => readings.time,
        }
    }
}

/// Takes frames and ready values, appends to the store.
pub struct Pipeline {
    buses: Vec<Bus>,
    dialects: Dialects,
    channels: channels::Channels,
    described: described::Described,
    devices: devices::Devices,
    direct: direct::Direct,
    faults: faults::Faults,
    segments: segments::Segments,
    /// What has a time that jumps, until the next one shows why.
    held: Option<(usize, Carried)>,
    /// When the other buses are looked at again for silence.
    next_look: Timestamp,
    /// Frames of messages that no row has, since the last flush: on a vessel's bus every third.
    unknown: u64,
    problems: BTreeMap<&'static str, u64>,
    totals: Totals,
}

impl Pipeline {
    /// A pipeline whose buses speak the dialects given by bus name; NMEA 2000 where nothing is said.
    pub fn new(dialects: Dialects) -> Self {
        Self {
            buses: Vec::new(),
            dialects,
            channels: channels::Channels::default(),
            described: described::Described::default(),
            devices: devices::Devices::default(),
            direct: direct::Direct::default(),
            faults: faults::Faults::default(),
            segments: segments::Segments::default(),
            held: None,
            next_look: Timestamp::default(),
            unknown: 0,
            problems: BTreeMap::new(),
            totals: Totals::default(),
        }
    }

    /// Begins a recording or a run: a new segment and a new watch over its clock.
    pub fn begin(&mut self, source: &str, meaning: Meaning, store: &mut Writer) {
        self.finish(store);
        // What was wrong in another recording says nothing about this one.
        self.faults = faults::Faults::default();
        self.segments.begin(source, meaning, store);
    }

    /// The number of a bus for [`Pipeline::frame`]; buses beyond the 64th share the last number.
    pub fn bus(&mut self, name: &str) -> usize {
        let name = bus_name(name.as_bytes());
        if let Some(known) = self.buses.iter().position(|b| b.name == name) {
            return known;
        }
        if self.buses.len() < MOST_BUSES {
            let dialects = self.dialects.get(&name).cloned().unwrap_or_else(|| vec![Protocol::N2k.into()]);
            self.buses.push(Bus::new(name, dialects));
        }
        self.buses.len() - 1
    }

    /// From now on a bus is decoded in this way. Its devices, and messages of which only the first part has come, are known
    /// as before.
    pub fn speak(&mut self, name: &str, dialects: Vec<Dialect>, store: &mut Writer) {
        self.flush(store);
        let name = bus_name(name.as_bytes());
        if let Some(index) = self.buses.iter().position(|b| b.name == name) {
            self.described.forget(index);
            self.buses[index].speak(dialects.clone());
        }
        self.dialects.insert(name, dialects);
    }

    /// The system's clock was set by so many us: live recording only.
    pub fn system_stepped(&mut self, step_us: i64) {
        self.segments.watch.system_stepped(step_us);
    }

    /// Takes one frame of a bus.
    pub fn frame(&mut self, bus: usize, frame: Frame, store: &mut Writer) {
        self.totals.frames += 1;
        self.settle(Some(frame.time), store);
        match self.segments.watch.arrive(frame.time) {
            Arrival::Use => self.take(bus, &frame, store),
            Arrival::Hold => self.held = Some((bus, Carried::Frame(frame))),
        }
        self.report_step(store);
    }

    /// Takes one message of a bus whose decoder hands on values that are ready for their channels.
    pub fn readings(&mut self, bus: usize, readings: Readings, store: &mut Writer) {
        self.totals.frames += 1;
        self.settle(Some(readings.time), store);
        match self.segments.watch.arrive(readings.time) {
            Arrival::Use => self.take_readings(bus, &readings, store),
            Arrival::Hold => self.held = Some((bus, Carried::Readings(readings))),
        }
        self.report_step(store);
    }

    fn report_step(&mut self, store: &mut Writer) {
        if let Some(step) = self.segments.watch.step_to_report(false) {
            self.totals.clock_steps += 1;
            store.event(segments::step_event(&step));
        }
    }

    /// Frames of a bus were lost in the kernel.
    pub fn lost(&mut self, bus: usize, time: Timestamp, frames: u32) {
        if let Some(bus) = self.buses.get_mut(bus) {
            bus.health.lost(time, frames);
        }
    }

    /// The bit rate at which a bus runs, bit/s.
    pub fn set_bit_rate(&mut self, bus: usize, bit_rate: u32) {
        if let Some(bus) = self.buses.get_mut(bus) {
            bus.health.set_bit_rate(bit_rate);
        }
    }

    /// The interface of a bus went away or came back.
    pub fn set_gone(&mut self, bus: usize, gone: bool, store: &mut Writer) {
        if let Some(Bus { name, health, .. }) = self.buses.get_mut(bus) {
            health.set_gone(gone, name, store);
        }
    }

    /// So much time has passed on the recorder's own clock: buses that say nothing are noticed. Live runs only.
    pub fn pass(&mut self, elapsed: Duration, store: &mut Writer) {
        for Bus { name, health, .. } in &mut self.buses {
            health.pass(elapsed, name, store);
        }
    }

    /// Hands everything that belongs into the next commit to the store.
    pub fn flush(&mut self, store: &mut Writer) {
        for bus in &mut self.buses {
            self.devices.flush(&bus.name, "", &bus.identities, store);
            self.devices.flush(&bus.name, Protocol::Canopen.text(), &bus.nodes, store);
            bus.report_packets(store);
        }
        self.direct.flush(store);
        let (channels, described) = (&self.channels, &self.described);
        let senders = self.faults.senders(&self.buses, |bus, protocol, (device, source)| {
            let mut sends = channels.sent_by(bus, protocol, device);
            sends.extend(described.sent_by(bus, protocol.is_extended(), source));
            sends
        });
        store_events(senders, store);
        let unknown = std::mem::take(&mut self.unknown);
        self.count("unknown_message", unknown);
        for (name, n) in std::mem::take(&mut self.problems) {
            store.problem(name, n);
        }
        self.segments.place(store);
    }

    /// The end of a recording or run: nothing is held back any more.
    pub fn finish(&mut self, store: &mut Writer) {
        self.settle(None, store);
        for bus in &mut self.buses {
            store_events(bus.errors.close(&bus.name), store);
            bus.health.restart(&bus.name, store);
        }
        self.next_look = Timestamp::default();
        if let Some(step) = self.segments.watch.step_to_report(true) {
            self.totals.clock_steps += 1;
            store.event(segments::step_event(&step));
        }
        self.count("clock_jump_ignored", self.segments.watch.ignored());
        self.flush(store);
        self.segments.end(store);
    }

    /// Counts a problem of the input, to be stored with the next commit.
    pub fn count(&mut self, problem: &'static str, n: u64) {
        if n > 0 {
            *self.problems.entry(problem).or_default() += n;
        }
    }

    /// What went through so far.
    pub fn totals(&self) -> Totals {
        self.totals
    }

    /// First and last time of the present recording, corrected as far as is known now.
    pub fn period(&self) -> Option<(Timestamp, Timestamp)> {
        self.segments.watch.period()
    }

    /// The recorder's clock, as it stands: the latest time of the present segment.
    pub fn clock(&self) -> Option<Timestamp> {
        self.segments.watch.last()
    }

    /// Number of segments of the present recording.
    pub fn segment_count(&self) -> usize {
        self.segments.watch.segments()
    }

    #[inline]
    fn settle(&mut self, next: Option<Timestamp>, store: &mut Writer) {
        // Looked at first: taking it moves it, and there hardly ever is one.
        if self.held.is_some()
            && let Some((bus, carried)) = self.held.take()
        {
            self.settle_held(bus, carried, next, store);
        }
    }

    fn settle_held(&mut self, bus: usize, carried: Carried, next: Option<Timestamp>, store: &mut Writer) {
        match self.segments.watch.settle(carried.time(), next) {
            Settled::Odd => return self.count("odd_time", 1),
            Settled::Use => {}
            Settled::Begin(unreported) => {
                if let Some(step) = unreported {
                    self.totals.clock_steps += 1;
                    store.event(segments::step_event(&step));
                }
                // What is known of the devices belongs to the segment in which they were heard.
                self.buses.iter_mut().for_each(|bus| bus.health.restart(&bus.name, store));
                self.next_look = Timestamp::default();
                self.flush(store);
                self.segments.next(store);
            }
        }
        match carried {
            Carried::Frame(frame) => self.take(bus, &frame, store),
            Carried::Readings(readings) => self.take_readings(bus, &readings, store),
        }
    }

    fn take_readings(&mut self, index: usize, readings: &Readings, store: &mut Writer) {
        let Some(bus) = self.buses.get_mut(index) else { return };
        self.totals.messages += 1;
        bus.health.message(readings.time, readings.device.is_some(), &bus.name, store);
        if let Some((message, time)) = readings.told {
            let sender = (index as u32) << 16 | u32::from(message);
            self.segments.watch.bus_time(sender, readings.time, time);
        }
        let stored = self.direct.record(&bus.name, readings, store);
        self.totals.samples += stored.samples;
        self.count("channel_beyond_limit", stored.beyond);
        self.count("channel_of_another_unit", stored.other_unit);
    }

    fn take(&mut self, index: usize, frame: &Frame, store: &mut Writer) {
        if frame.time >= self.next_look && !frame.flags.error {
            self.next_look = Timestamp::from_micros(frame.time.micros() + LOOK_US);
            for (_, bus) in self.buses.iter_mut().enumerate().filter(|(i, _)| *i != index) {
                bus.health.another_was_heard(frame.time, &bus.name, store);
            }
            store_events(self.faults.pass(&self.buses, frame.time), store);
        }
        let Some(bus) = self.buses.get_mut(index) else { return };
        store_events(bus.errors.tick(frame.time, &bus.name), store);
        bus.health.frame(frame, &bus.name, store);
        if frame.flags.error {
            store_events(bus.errors.note(frame, &bus.name), store);
            return self.count("error_frame", 1);
        }
        if frame.flags.remote {
            return self.count("frame_of_another_protocol", 1);
        }
        let id = identifier(frame);
        let (device, known) = match bus.shortcuts.get(frame) {
            Some(shortcut) => {
                let known = shortcut.def.map_or(Known::Unknown, Known::Row);
                (bus.identities.heard(frame.time, id.source), known)
            }
            None => {
                let tabled = bus.is_tabled(frame);
                let senders = if frame.flags.extended { &mut bus.identities } else { &mut bus.nodes };
                let device = if tabled { senders.heard(frame.time, id.source) } else { None };
                self.described.values.clear();
                let known = bus.know(frame, id, &mut self.described.values);
                if tabled {
                    bus.shortcuts.learn(frame, &known);
                }
                (device, known)
            }
        };
        let (def, payload) = match known {
            Known::Row(def) if def.transport == Transport::Fast => match bus.packets.push(frame.time, id, frame.data())
            {
                Outcome::Complete(payload) => (def, payload),
                Outcome::Incomplete | Outcome::Dropped(_) => return,
            },
            Known::Row(def) => (def, frame.data()),
            Known::Transfer => match bus.transports.push(frame.time, id, frame.data()) {
                TransportOutcome::Complete { pgn, payload } => match row(&bus.dialects, pgn) {
                    Some(def) => (def, payload),
                    None => return self.count("unknown_message", 1),
                },
                TransportOutcome::Incomplete | TransportOutcome::Dropped(_) => return,
            },
            Known::Described(dialect) => {
                let (samples, beyond) =
                    self.described.record((index, &bus.name), (dialect, &bus.dialects), frame, store);
                self.totals.messages += 1;
                self.totals.samples += samples;
                return self.count("channel_beyond_limit", beyond);
            }
            Known::Unknown => {
                self.unknown += 1;
                return;
            }
            Known::Foreign => return self.count("frame_of_another_protocol", 1),
        };
        let mut to_learn = None;
        if let (Some(reader), Some(device)) = (bus.shortcuts.reader(frame), device) {
            if let Some(way) = reader.read(payload, device)
                && way.changes == self.channels.changes()
                && (!reader.has_lamps() || self.faults.is_calm())
                && bus.senders.still_sole(way.senders, frame.time, device, id.source)
            {
                store.append_row(way.stream, frame.time, &reader.raws, &reader.codes);
                self.totals.messages += 1;
                self.totals.samples += reader.raws.len() as u64;
                return;
            }
            to_learn = Some(reader.key(payload, device));
        }
        self.totals.messages += 1;
        if def.number == pgn::ADDRESS_CLAIM {
            let claim = name_of_claim(payload).and_then(|name| bus.identities.claim(frame.time, id.source, name));
            if let Some(event) = claim.and_then(|c| devices::claim_event(&c, frame.time, &bus.name)) {
                store.event(event);
            }
            return;
        }
        let decoded = decode(def, payload);
        if def.protocol == Protocol::N2k {
            match def.number {
                // Says that a device is alive, which every frame does.
                pgn::HEARTBEAT => return,
                pgn::PRODUCT_INFORMATION => {
                    if let Some(device) = device {
                        self.devices.product(&bus.name, device, &decoded);
                    }
                    return;
                }
                _ => {}
            }
            if let Some(time) = bus_time(&decoded) {
                // Two messages of one receiver are told apart: one is later on its way than the other.
                let gnss = def.number == pgn::GNSS_POSITION;
                let sender = (index as u32) << 16 | u32::from(gnss) << 8 | u32::from(id.source);
                self.segments.watch.bus_time(sender, frame.time, time);
            }
        }
        let Some(device) = device else { return self.count("sender_without_address", 1) };
        if let Some(rank) = decoded.rank()
            && !bus.ranks.leads(frame.time, (def.number, decoded.instance), device, rank)
        {
            return self.count("lower_priority_sender", 1);
        }
        store_events(self.faults.note((index, bus), frame.time, (device, id.source), &decoded), store);
        let from = channels::From { index, time: frame.time, device, source: id.source };
        let recorded = self.channels.record(bus, from, &decoded, store);
        if let (Some(key), Some(way), Some(reader)) = (to_learn, recorded.way, bus.shortcuts.reader(frame)) {
            reader.learn(key, way);
        }
        self.totals.samples += recorded.samples;
        self.count("channel_beyond_limit", recorded.beyond);
    }
}

fn store_events(events: impl IntoIterator<Item = Event>, store: &mut Writer) {
    events.into_iter().for_each(|event| store.event(event));
}

/// An event of the recording; `details` are its figures.
pub(crate) fn event(
    time: Timestamp,
    kind: &str,
    bus: Option<&str>,
    text: String,
    details: &serde_json::Value,
) -> Event {
    let bus = bus.map(str::to_owned);
    Event { time, kind: kind.to_owned(), bus, channel: None, text, details: details.to_string() }
}

/// The number in a field, if it says one.
fn number(decoded: &Decoded, field: &str) -> Option<f64> {
    match decoded.get(field) {
        Some(FieldValue::Reading(Reading::Value(value))) => Some(*value),
        _ => None,
    }
}

/// The time that a receiver of satellite or radio time says it is. A clock of the sender's own (source codes 3 to
/// 5 of 126992) is no better than ours.
fn bus_time(decoded: &Decoded) -> Option<Timestamp> {
    match decoded.def.number {
        pgn::SYSTEM_TIME if number(decoded, "source").is_some_and(|source| source <= 2.0) => {}
        pgn::GNSS_POSITION => {}
        _ => return None,
    }
    let (days, seconds) = (number(decoded, "date")?, number(decoded, "time")?);
    (seconds < 86_401.0)
        .then(|| Timestamp::from_micros((days as i64) * 86_400_000_000 + (seconds * 1e6).round() as i64))
}

#[cfg(test)]
mod tests;
