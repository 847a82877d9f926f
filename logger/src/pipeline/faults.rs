//! What devices complain about, as events: trouble codes of SAE J1939 (DM1) and RV-C (DM_RV), emergencies of CANopen,
//! the warning lamps of an engine on NMEA 2000.
//!
//! Owes its reader: an event when a fault appears and one when it is gone, not one per message. A fault that flaps is
//! told at most every ten minutes; the channels carry all of it. What else a device with a fault sends is told too, so
//! that its channels can be found.

use super::{Bus, event};
use crate::identity::DeviceKey;
use ampwake_schemas::message::{Decoded, FieldKind, FieldValue, MessageDef, Protocol};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Event;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// A fault is told again after this long, in microseconds. A design choice.
const AGAIN_US: u64 = 600_000_000;
/// A fault whose device has not said it for so long is no longer reported, in microseconds: SAE J1939-73 repeats
/// active faults every second, RV-C every five (from memory).
const SILENT_US: i64 = 60_000_000;
/// Devices watched, and faults of one device. A healthy vessel has none.
const MOST_DEVICES: usize = 512;
const MOST_FAULTS: usize = 64;
/// Lamps of the first status word of 127489 that tell no fault: preheating.
const NO_FAULT_1: u32 = 1 << 10;
/// The same of the second: maintenance needed, neutral start protect, engine shutting down.
const NO_FAULT_2: u32 = 1 << 3 | 1 << 6 | 1 << 7;

/// Parameter and failure mode, or error code and register, or status word and lamp.
type Fault = (u32, u8);

/// A device, or one of its engines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Key {
    bus: usize,
    protocol: Protocol,
    device: DeviceKey,
    engine: Option<u32>,
}

#[derive(Default)]
struct State {
    active: bool,
    /// The present occurrence was told, so that its end has to be.
    open: bool,
    /// When the present occurrence began.
    since: Timestamp,
    seen: Timestamp,
    told: Option<Timestamp>,
}

#[derive(Default)]
struct Watched {
    /// Its address, its NAME and what else it sends, as told.
    source: u8,
    name: Option<u64>,
    sends: BTreeSet<String>,
    heard: Timestamp,
    /// One of its faults was told.
    accused: bool,
    faults: BTreeMap<Fault, State>,
}

/// What a message says.
enum Says {
    /// These, and no others.
    All(BTreeSet<Fault>),
    /// This one, and nothing about others.
    One(Fault),
    /// Nothing about faults.
    Nothing,
}

/// The faults of the devices of all buses.
#[derive(Default)]
pub(super) struct Faults {
    devices: BTreeMap<Key, Watched>,
}

impl Faults {
    /// Notes what a message from `source` says of faults; what there is to tell.
    pub(super) fn note(
        &mut self,
        (index, bus): (usize, &Bus),
        time: Timestamp,
        (device, source): (DeviceKey, u8),
        decoded: &Decoded,
    ) -> Vec<Event> {
        let protocol = decoded.def.protocol;
        let (now, others_are_gone) = match says(decoded) {
            Says::Nothing => return Vec::new(),
            Says::All(faults) => (faults, true),
            Says::One(fault) => (BTreeSet::from([fault]), false),
        };
        let key = Key { bus: index, protocol, device, engine: decoded.instance };
        if !self.devices.contains_key(&key) && (now.is_empty() || self.devices.len() >= MOST_DEVICES) {
            return Vec::new();
        }
        let watched = self.devices.entry(key).or_default();
        (watched.source, watched.heard) = (source, time);
        watched.name = bus.identities.holder(source).filter(|_| protocol.is_extended()).and_then(|d| d.name);
        let mut told = Vec::new();
        for (fault, state) in &mut watched.faults {
            if others_are_gone && state.active && !now.contains(fault) {
                told.extend(state.end().then_some((*fault, None)));
            }
        }
        for fault in now {
            let known = &mut watched.faults;
            if known.len() >= MOST_FAULTS && !known.contains_key(&fault) {
                known.retain(|_, state| state.active);
                if known.len() >= MOST_FAULTS {
                    continue;
                }
            }
            let state = known.entry(fault).or_default();
            if !state.active {
                state.since = time;
            }
            (state.active, state.seen) = (true, time);
            let again = state.told.is_none_or(|t| time.micros().abs_diff(t.micros()) >= AGAIN_US);
            if !state.open && again {
                (state.open, state.told) = (true, Some(time));
                watched.accused = true;
                told.push((fault, Some(state.since)));
            }
        }
        told.into_iter().map(|(fault, since)| told_event(&bus.name, time, key, watched, fault, since)).collect()
    }

    /// True where no device was ever heard with a fault.
    pub(super) fn is_calm(&self) -> bool {
        self.devices.is_empty()
    }

    /// Ends the faults that their devices no longer repeat; an emergency of CANopen is said once.
    pub(super) fn pass(&mut self, buses: &[Bus], now: Timestamp) -> Vec<Event> {
        let mut events = Vec::new();
        for (key, watched) in self.devices.iter_mut().filter(|(key, _)| key.protocol != Protocol::Canopen) {
            let silent = |state: &State| state.active && now.micros() - state.seen.micros() > SILENT_US;
            let ended = watched.faults.iter_mut().filter(|(_, state)| silent(state));
            let gone: Vec<Fault> = ended.filter_map(|(fault, state)| state.end().then_some(*fault)).collect();
            let Some(bus) = buses.get(key.bus) else { continue };
            events.extend(gone.into_iter().map(|fault| told_event(&bus.name, now, *key, watched, fault, None)));
        }
        events
    }

    /// What the devices with faults send, where that was not told yet. `sent` tells it by bus and device.
    pub(super) fn senders(
        &mut self,
        buses: &[Bus],
        sent: impl Fn(usize, Protocol, (DeviceKey, u8)) -> BTreeSet<String>,
    ) -> Vec<Event> {
        let mut events = Vec::new();
        for (key, watched) in self.devices.iter_mut().filter(|(_, watched)| watched.accused) {
            let sends = sent(key.bus, key.protocol, (key.device, watched.source));
            let Some(bus) = buses.get(key.bus).filter(|_| sends != watched.sends) else { continue };
            let (address, all) = (watched.source, sends.iter().map(String::as_str).collect::<Vec<_>>().join(", "));
            let text = format!("{} on {}, which reported a fault, sends {all}", who(*key, address), bus.name);
            let details = json!({ "address": address, "name": hex(watched.name), "protocol": key.protocol.text(), "sends": sends });
            events.push(event(watched.heard, "fault_sender", Some(&bus.name), text, &details));
            watched.sends = sends;
        }
        events
    }
}

impl State {
    /// True where its end is to be told.
    fn end(&mut self) -> bool {
        self.active = false;
        std::mem::take(&mut self.open)
    }
}

/// What a message of this row can say of faults.
pub(super) enum Tells {
    /// Nothing.
    Nothing,
    /// These bits of these fields, which are none of them lit as a rule.
    Lamps([(&'static str, u32); 2]),
    /// More than that.
    Codes,
}

/// What [`Faults::note`] looks for in messages of this row.
pub(super) fn tells(def: &MessageDef) -> Tells {
    match (def.protocol, def.number) {
        (Protocol::N2k, 127_489) => {
            Tells::Lamps([("discrete_status_1", !NO_FAULT_1), ("discrete_status_2", !NO_FAULT_2)])
        }
        (Protocol::J1939, 65226) | (Protocol::Rvc, 0x1FECA) | (Protocol::Canopen, _) => Tells::Codes,
        _ => Tells::Nothing,
    }
}

fn says(decoded: &Decoded) -> Says {
    match (decoded.def.protocol, decoded.def.number) {
        (Protocol::J1939, 65226) => Says::All(trouble_codes(decoded).collect()),
        // One message, one fault; a device with several sends them in turn, and one without any says so.
        (Protocol::Rvc, 0x1FECA) => trouble_codes(decoded).next().map_or(Says::All(BTreeSet::new()), Says::One),
        (Protocol::N2k, 127_489) => Says::All(lamps(decoded)),
        (Protocol::Canopen, 0x080) => {
            let number = |field| super::number(decoded, field);
            match (number("emergency_error_code"), number("error_register")) {
                (Some(0.0), _) => Says::All(BTreeSet::new()),
                (Some(code), register) => Says::One((code as u32, register.unwrap_or(0.0) as u8)),
                (None, _) => Says::Nothing,
            }
        }
        _ => Says::Nothing,
    }
}

/// Parameter and failure mode of every set. Parameter 0 with failure mode 0 is "none" (SAE J1939-73, from memory).
fn trouble_codes(decoded: &Decoded) -> impl Iterator<Item = Fault> + '_ {
    let value = |name: &str, set: u8| {
        decoded.fields.iter().find(|f| f.field.name == name && f.set == set).and_then(|f| match f.value {
            FieldValue::Reading(Reading::Value(n)) => Some(n as u32),
            _ => None,
        })
    };
    let sets = decoded.fields.iter().filter(|f| f.field.name == "suspect_parameter_number").map(|f| f.set);
    // 31 is "the failure mode is not known"; it is kept for codes that have none.
    sets.filter_map(move |set| {
        Some((value("suspect_parameter_number", set)?, value("failure_mode_identifier", set).unwrap_or(31) as u8))
    })
    .filter(|fault| *fault != (0, 0))
}

/// The lamps that are lit, by status word and bit.
fn lamps(decoded: &Decoded) -> BTreeSet<Fault> {
    [("discrete_status_1", 1, NO_FAULT_1), ("discrete_status_2", 2, NO_FAULT_2)]
        .into_iter()
        .flat_map(|(field, word, none)| {
            let lit = super::number(decoded, field).map_or(0, |n| n as u32) & !none;
            (0..16).filter(move |bit| lit & 1 << bit != 0).map(move |bit| (word, bit))
        })
        .collect()
}

/// What the standard calls a lamp.
fn lamp(word: u32, bit: u8) -> Option<&'static str> {
    let def = ampwake_schemas::message::find(Protocol::N2k, 127_489)?;
    let field = def.fields.iter().find(|f| f.name == format!("discrete_status_{word}"))?;
    match field.kind {
        FieldKind::Flags { names } => names.iter().find(|(b, _)| *b == bit).map(|(_, name)| *name),
        _ => None,
    }
}

fn who(key: Key, source: u8) -> String {
    match (key.protocol, key.engine) {
        (Protocol::Canopen, _) => format!("node {source}"),
        (Protocol::N2k, Some(engine)) => format!("engine {engine} at address {source}"),
        _ => format!("the device at address {source}"),
    }
}

fn hex(name: Option<u64>) -> Option<String> {
    name.map(|n| format!("{n:016x}"))
}

/// `since`: when it began; `None` where it is gone.
fn told_event(
    bus: &str,
    time: Timestamp,
    key: Key,
    watched: &Watched,
    (number, detail): Fault,
    since: Option<Timestamp>,
) -> Event {
    let source = watched.source;
    let (code, mut details) = match key.protocol {
        Protocol::Canopen => (
            format!("error {number:04x} (register {detail:02x})"),
            json!({ "node": source, "error_code": number, "error_register": detail }),
        ),
        Protocol::N2k => (
            lamp(number, detail).map_or_else(|| format!("status {number} bit {detail}"), |name| format!("\"{name}\"")),
            json!({ "engine": key.engine, "status": number, "bit": detail }),
        ),
        _ => (format!("a fault: SPN {number}, FMI {detail}"), json!({ "spn": number, "fmi": detail })),
    };
    details["protocol"] = key.protocol.text().into();
    details["address"] = source.into();
    details["name"] = hex(watched.name).into();
    details["code"] = code.trim_start_matches("a fault: ").into();
    // One that flaps is told late. Seconds, because times in here would not follow when the clock is corrected.
    if let Some(active) = since.map(|since| time.seconds_since(since)).filter(|s| *s > 0.0) {
        details["active_s"] = active.round().into();
    }
    let (kind, verb) =
        if since.is_some() { ("fault_reported", "reports") } else { ("fault_cleared", "no longer reports") };
    event(time, kind, Some(bus), format!("{} on {bus} {verb} {code}", who(key, source)), &details)
}

#[cfg(test)]
mod tests;
