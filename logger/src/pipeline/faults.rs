//! What devices complain about, as events: trouble codes of SAE J1939 (DM1) and RV-C (DM_RV), emergencies of CANopen.
//!
//! Owes its reader: an event when a fault appears and one when it is gone, not one per message. A fault that flaps is
//! told at most every ten minutes; the channels carry all of it.

use super::{Bus, event};
use crate::identity::DeviceKey;
use ampwake_schemas::message::{Decoded, FieldValue, Protocol};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Event;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// A fault is told again after this long, in microseconds. A design choice.
const AGAIN_US: u64 = 600_000_000;
/// Devices watched, and faults of one device. A healthy vessel has none.
const MOST_DEVICES: usize = 512;
const MOST_FAULTS: usize = 64;

/// Parameter and failure mode, or error code and register.
type Fault = (u32, u8);

#[derive(Default)]
struct State {
    active: bool,
    /// The present occurrence was told, so that its end has to be.
    open: bool,
    told: Option<Timestamp>,
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
    devices: HashMap<(usize, Protocol, DeviceKey), BTreeMap<Fault, State>>,
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
        let key = (index, protocol, device);
        let (now, others_are_gone) = match says(decoded) {
            Says::Nothing => return Vec::new(),
            Says::All(faults) => (faults, true),
            Says::One(fault) => (BTreeSet::from([fault]), false),
        };
        if !self.devices.contains_key(&key) && (now.is_empty() || self.devices.len() >= MOST_DEVICES) {
            return Vec::new();
        }
        let known = self.devices.entry(key).or_default();
        let mut told = Vec::new();
        for (fault, state) in known.iter_mut() {
            if others_are_gone && state.active && !now.contains(fault) {
                state.active = false;
                if std::mem::take(&mut state.open) {
                    told.push((*fault, false));
                }
            }
        }
        for fault in now {
            if known.len() >= MOST_FAULTS && !known.contains_key(&fault) {
                known.retain(|_, state| state.active);
                if known.len() >= MOST_FAULTS {
                    continue;
                }
            }
            let state = known.entry(fault).or_default();
            let again = state.told.is_none_or(|t| time.micros().abs_diff(t.micros()) >= AGAIN_US);
            if !state.active && again {
                state.told = Some(time);
                state.open = true;
                told.push((fault, true));
            }
            state.active = true;
        }
        told.into_iter().map(|(fault, active)| told_event(&bus.name, time, protocol, source, fault, active)).collect()
    }
}

fn says(decoded: &Decoded) -> Says {
    match (decoded.def.protocol, decoded.def.number) {
        (Protocol::J1939, 65226) => Says::All(trouble_codes(decoded).collect()),
        // One message, one fault; a device with several sends them in turn, and one without any says so.
        (Protocol::Rvc, 0x1FECA) => trouble_codes(decoded).next().map_or(Says::All(BTreeSet::new()), Says::One),
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

fn told_event(
    bus: &str,
    time: Timestamp,
    protocol: Protocol,
    source: u8,
    (number, detail): Fault,
    active: bool,
) -> Event {
    let (who, what, details) = match protocol {
        Protocol::Canopen => (
            format!("node {source}"),
            format!("error {number:04x} (register {detail:02x})"),
            json!({ "protocol": protocol.text(), "node": source, "error_code": number, "error_register": detail }),
        ),
        _ => (
            format!("the device at address {source}"),
            format!("a fault: SPN {number}, FMI {detail}"),
            json!({ "protocol": protocol.text(), "address": source, "spn": number, "fmi": detail }),
        ),
    };
    let (kind, verb) = if active { ("fault_reported", "reports") } else { ("fault_cleared", "no longer reports") };
    event(time, kind, Some(bus), format!("{who} on {bus} {verb} {what}"), &details)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ampwake_schemas::message::{decode, find};

    const ENGINE: (DeviceKey, u8) = (DeviceKey(1), 0);

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from_millis(seconds * 1000)
    }

    struct Bench(Faults, Bus);

    impl Bench {
        fn new() -> Self {
            Self(Faults::default(), Bus::new("can0".into(), Vec::new()))
        }

        fn note(&mut self, seconds: i64, protocol: Protocol, number: u32, payload: &[u8]) -> Vec<String> {
            let decoded = decode(find(protocol, number).unwrap(), payload);
            let events = self.0.note((0, &self.1), at(seconds), ENGINE, &decoded);
            events.into_iter().map(|e| format!("{} {}", e.kind, e.text)).collect()
        }

        fn dm1(&mut self, seconds: i64, faults: &[(u8, u8)]) -> Vec<String> {
            let codes = faults.iter().flat_map(|(spn, fmi)| [*spn, 0, *fmi, 1]);
            let payload: Vec<u8> = [0, 0xFF].into_iter().chain(codes).collect();
            self.note(seconds, Protocol::J1939, 65226, &payload)
        }
    }

    #[test]
    fn a_fault_is_told_when_it_comes_and_when_it_goes() {
        let mut b = Bench::new();
        assert_eq!(b.dm1(0, &[(0, 0)]), [] as [&str; 0], "none");
        let told = "fault_reported the device at address 0 on can0 reports a fault: SPN 110, FMI 3";
        assert_eq!(b.dm1(1, &[(110, 3)]), [told]);
        assert_eq!(b.dm1(2, &[(110, 3)]), [] as [&str; 0]);
        assert_eq!(b.dm1(3, &[(110, 3), (100, 1)]).len(), 1);
        let gone = b.dm1(4, &[(0, 0)]);
        assert_eq!(gone.len(), 2);
        assert_eq!(gone[1], "fault_cleared the device at address 0 on can0 no longer reports a fault: SPN 110, FMI 3");
    }

    #[test]
    fn one_that_flaps_is_told_every_ten_minutes() {
        let mut b = Bench::new();
        let flap = |b: &mut Bench, s| b.dm1(s, &[(110 * u8::from(s % 2 == 0), 0)]);
        let told: Vec<(i64, usize)> = (0..1201).map(|s| (s, flap(&mut b, s).len())).filter(|(_, n)| *n > 0).collect();
        assert_eq!(told, [(0, 1), (1, 1), (600, 1), (601, 1), (1200, 1)]);
    }

    #[test]
    fn faults_in_turn_and_emergencies() {
        let mut b = Bench::new();
        // SPN 0x1234 and 0x1235 with FMI 1, then all ones: no fault.
        for (spn, told) in [(0x1234_u32, 1), (0x1235, 1), (0x1234, 0), (0x1235, 0)] {
            let payload = [0x45, 0x44, (spn >> 11) as u8, (spn >> 3) as u8, (spn << 5) as u8 | 1, 1, 0xFF, 0xFF];
            assert_eq!(b.note(1, Protocol::Rvc, 0x1FECA, &payload).len(), told, "{spn:x}");
        }
        assert_eq!(b.note(2, Protocol::Rvc, 0x1FECA, &[0x05, 0x44, 255, 255, 255, 255, 255, 255]).len(), 2);
        let mut b = Bench::new();
        let told = b.note(0, Protocol::Canopen, 0x080, &[0x00, 0x31, 0x05, 0, 0, 0, 0, 0]);
        assert_eq!(told, ["fault_reported node 0 on can0 reports error 3100 (register 05)"]);
        assert_eq!(b.note(1, Protocol::Canopen, 0x080, &[0; 8]).len(), 1);
    }

    #[test]
    fn memory_is_bounded() {
        let mut b = Bench::new();
        for n in 0..100_000_u32 {
            let code = (n % 60_000 + 1).to_le_bytes();
            let decoded = decode(find(Protocol::Canopen, 0x080).unwrap(), &[code[0], code[1], 1, 0, 0, 0, 0, 0]);
            b.0.note((0, &b.1), at(0), (DeviceKey(u64::from(n % 1000)), 1), &decoded);
        }
        assert_eq!(b.0.devices.len(), MOST_DEVICES);
        assert!(b.0.devices.values().all(|faults| faults.len() <= MOST_FAULTS));
    }
}
