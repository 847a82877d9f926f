//! Who sent what. A source address is only borrowed: a device is its 64-bit NAME once it has claimed one, and
//! what was heard under an address before that belongs to it too.
//!
//! Owes its reader: one [`DeviceKey`] per device whatever address it uses, pure and in bounded memory. Rules of
//! address claiming: SAE J1939-81 and ISO 11783-5 (from memory; only "254 holds no address, 255 is everybody" is
//! relied on).

mod senders;

pub use senders::{ChannelSenders, SenderVerdict, SendersPlace};

use ampwake_schemas::time::Timestamp;
use std::collections::HashMap;

/// Addresses a device can hold: 0 to 253.
const ADDRESSES: usize = 254;
/// NAMEs remembered after they lost their address.
const MAX_AWAY: usize = 1024;

/// One device of one bus, for as long as this program runs. Keys are not used twice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DeviceKey(pub u64);

/// What is known of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Device {
    /// Its key.
    pub key: DeviceKey,
    /// Its NAME, once it was claimed.
    pub name: Option<u64>,
    /// The address it holds, or held last.
    pub source: u8,
    /// When it was heard first.
    pub first_heard: Timestamp,
    /// When it was heard last.
    pub last_heard: Timestamp,
}

/// Something that changes who is who; a claim that repeats what is known is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IdentityEvent {
    /// A NAME's first claim, of an address that no other NAME held.
    Claimed {
        /// The device.
        device: DeviceKey,
        /// Its NAME.
        name: u64,
        /// Its address.
        source: u8,
    },
    /// A known NAME took another address, which no other NAME held.
    Moved {
        /// The device.
        device: DeviceKey,
        /// Its NAME.
        name: u64,
        /// Its last address.
        from: u8,
        /// Its new one.
        to: u8,
    },
    /// A NAME, known or not, took the address that another NAME held.
    TakenOver {
        /// The device that holds it now.
        device: DeviceKey,
        /// Its NAME.
        name: u64,
        /// The address.
        source: u8,
        /// The device that held it.
        previous: DeviceKey,
    },
}

/// The NAME in the payload of an address claim (60928), if it is complete.
pub fn name_of_claim(payload: &[u8]) -> Option<u64> {
    payload.first_chunk().map(|bytes| u64::from_le_bytes(*bytes))
}

/// The devices of one bus.
#[derive(Debug, Default)]
pub struct Identities {
    /// Who holds an address, by address.
    holders: Vec<Option<Device>>,
    /// Named devices without an address, by NAME.
    away: HashMap<u64, Device>,
    next: u64,
}

impl Identities {
    /// None known yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// The device that sends from `source`; `None` for 254 and 255, which nobody holds.
    pub fn heard(&mut self, time: Timestamp, source: u8) -> Option<DeviceKey> {
        if usize::from(source) >= ADDRESSES {
            return None;
        }
        if let Some(Some(device)) = self.holders.get_mut(usize::from(source)) {
            device.last_heard = time;
            return Some(device.key);
        }
        let device = self.newcomer(time, source, None);
        self.seat(device);
        Some(device.key)
    }

    /// Takes an address claim.
    pub fn claim(&mut self, time: Timestamp, source: u8, name: u64) -> Option<IdentityEvent> {
        if usize::from(source) >= ADDRESSES {
            // "Cannot claim": the device gives its address up and is silent from now on.
            let device = self.take_named(name)?;
            self.put_away(device);
            return None;
        }
        let holder = self.holder(source);
        if holder.is_some_and(|d| d.name == Some(name)) {
            self.heard(time, source);
            return None;
        }
        let known = self.take_named(name);
        let device = match (known, holder) {
            (Some(device), _) => Device { source, last_heard: time, ..device },
            (None, Some(unnamed)) if unnamed.name.is_none() => Device { name: Some(name), last_heard: time, ..unnamed },
            (None, _) => self.newcomer(time, source, Some(name)),
        };
        let previous = holder.filter(|d| d.name.is_some());
        if let Some(previous) = previous {
            self.put_away(previous);
        }
        self.seat(device);
        match (previous, known) {
            (Some(previous), _) => {
                Some(IdentityEvent::TakenOver { device: device.key, name, source, previous: previous.key })
            }
            (None, None) => Some(IdentityEvent::Claimed { device: device.key, name, source }),
            (None, Some(known)) => (known.source != source).then_some(IdentityEvent::Moved {
                device: device.key,
                name,
                from: known.source,
                to: source,
            }),
        }
    }

    /// The device that holds an address.
    pub fn holder(&self, source: u8) -> Option<Device> {
        self.holders.get(usize::from(source)).copied().flatten()
    }

    /// All devices that hold an address, by address, then those that lost theirs, by key.
    pub fn devices(&self) -> impl Iterator<Item = &Device> {
        let mut away: Vec<&Device> = self.away.values().collect();
        away.sort_unstable_by_key(|d| d.key);
        self.holders.iter().flatten().chain(away)
    }

    fn newcomer(&mut self, time: Timestamp, source: u8, name: Option<u64>) -> Device {
        let key = DeviceKey(self.next);
        self.next += 1;
        Device { key, name, source, first_heard: time, last_heard: time }
    }

    fn seat(&mut self, device: Device) {
        self.holders.resize(ADDRESSES, None);
        if let Some(seat) = self.holders.get_mut(usize::from(device.source)) {
            *seat = Some(device);
        }
    }

    /// Takes the device of this NAME from where it is.
    fn take_named(&mut self, name: u64) -> Option<Device> {
        let seated = self.holders.iter_mut().find(|d| d.is_some_and(|d| d.name == Some(name)));
        seated.and_then(Option::take).or_else(|| self.away.remove(&name))
    }

    /// Remembers a named device without an address; the one silent for longest makes room.
    fn put_away(&mut self, device: Device) {
        let Some(name) = device.name else { return };
        if self.away.len() >= MAX_AWAY
            && let Some(oldest) = self.away.values().min_by_key(|d| (d.last_heard, d.key)).and_then(|d| d.name)
        {
            self.away.remove(&oldest);
        }
        self.away.insert(name, device);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const PORT: u64 = 0xC032_8200_22C0_0001;
    const STARBOARD: u64 = 0xC032_8200_22C0_0002;

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from_millis(seconds * 1000)
    }

    #[test]
    fn a_device_keeps_its_key_through_its_first_claim_and_a_move() {
        let mut bus = Identities::new();
        let key = bus.heard(at(0), 35).unwrap();
        assert_eq!(bus.claim(at(1), 35, PORT), Some(IdentityEvent::Claimed { device: key, name: PORT, source: 35 }));
        assert_eq!(bus.claim(at(2), 35, PORT), None, "a repeated claim is no event");
        assert_eq!(
            bus.claim(at(3), 40, PORT),
            Some(IdentityEvent::Moved { device: key, name: PORT, from: 35, to: 40 })
        );
        assert_eq!(bus.heard(at(4), 40), Some(key));
        assert_ne!(bus.heard(at(4), 35), Some(key), "the old address is somebody else's now");
        assert_eq!(bus.holder(40).map(|d| (d.first_heard, d.last_heard)), Some((at(0), at(4))));
    }

    #[test]
    fn an_address_taken_over_names_both() {
        let mut bus = Identities::new();
        bus.claim(at(0), 35, PORT);
        let port = bus.heard(at(0), 35).unwrap();
        let event = bus.claim(at(1), 35, STARBOARD);
        let starboard = bus.heard(at(1), 35).unwrap();
        assert_eq!(
            event,
            Some(IdentityEvent::TakenOver { device: starboard, name: STARBOARD, source: 35, previous: port })
        );
        assert_eq!(
            bus.claim(at(2), 36, PORT),
            Some(IdentityEvent::Moved { device: port, name: PORT, from: 35, to: 36 }),
            "the one that lost is still known"
        );
    }

    #[test]
    fn giving_up_an_address_and_coming_back_to_it_is_no_event() {
        let mut bus = Identities::new();
        bus.claim(at(0), 35, PORT);
        let key = bus.heard(at(0), 35);
        assert_eq!(bus.claim(at(1), 254, PORT), None);
        assert_eq!(bus.holder(35), None);
        assert_eq!(bus.claim(at(2), 35, PORT), None);
        assert_eq!(bus.heard(at(2), 35), key);
    }

    #[test]
    fn nobody_holds_the_null_and_the_global_address() {
        let mut bus = Identities::new();
        for source in [254, 255] {
            assert_eq!(bus.heard(at(0), source), None);
            assert_eq!(bus.claim(at(0), source, PORT), None);
        }
        assert_eq!(bus.devices().count(), 0);
    }

    #[test]
    fn names_are_remembered_up_to_a_bound() {
        let mut bus = Identities::new();
        for name in 0..5000 {
            bus.claim(at(name as i64), 7, name);
        }
        assert_eq!(bus.devices().count(), MAX_AWAY + 1);
        assert!(matches!(bus.claim(at(5000), 8, 4998), Some(IdentityEvent::Moved { from: 7, to: 8, .. })));
        assert!(matches!(bus.claim(at(5000), 9, 0), Some(IdentityEvent::Claimed { .. })), "long forgotten");
    }

    #[test]
    fn a_name_needs_eight_bytes() {
        assert_eq!(name_of_claim(&[1, 0, 0, 0, 0, 0, 0, 0x80]), Some(0x8000_0000_0000_0001));
        assert_eq!(name_of_claim(&[1, 2, 3]), None);
    }

    proptest! {
        #[test]
        fn a_name_never_has_two_addresses_nor_two_keys(
            steps in proptest::collection::vec((any::<bool>(), any::<u8>(), 0u64..6), 0..200)
        ) {
            let mut bus = Identities::new();
            let mut keys = HashMap::new();
            for (i, (claims, source, name)) in steps.into_iter().enumerate() {
                if claims { bus.claim(at(i as i64), source, name); } else { bus.heard(at(i as i64), source); }
                let mut seen = std::collections::HashSet::new();
                for device in bus.devices() {
                    prop_assert!(seen.insert(device.key));
                    if let Some(name) = device.name {
                        prop_assert_eq!(*keys.entry(name).or_insert(device.key), device.key);
                    }
                }
            }
        }
    }
}
