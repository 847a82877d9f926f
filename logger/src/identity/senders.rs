//! Whether two devices use the same message and instance at the same time. If they do, their values would mix in
//! one channel; if one merely took the other's place, the channel goes on.

use super::DeviceKey;
use ampwake_schemas::time::Timestamp;
use std::collections::HashMap;

/// Two senders heard within this time of each other are there at the same time, in microseconds. A design choice:
/// it holds the longest default period of a measured value many times over and is shorter than swapping a device.
const TOGETHER_US: u64 = 60_000_000;
/// Messages and instances watched at once (a large vessel has some hundred); a full table forgets the silent ones.
const MAX_CHANNELS: usize = 4096;
/// A full table looks for silent ones at most this often, in microseconds, lest a flood of made-up instances costs
/// a search through the table for every frame.
const SWEEP_US: u64 = 1_000_000;
/// Senders of one message and instance watched at once.
const MAX_SENDERS: usize = 8;

/// Who else sends this.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SenderVerdict {
    /// Nobody.
    Sole,
    /// At least one other device.
    Duplicate {
        /// Of all that send it, the device that began first (this one, perhaps).
        first: DeviceKey,
        /// Its address.
        first_source: u8,
        /// True once the earlier one was heard again after the later one had begun. Until then the later one may
        /// still turn out to have replaced it, and then becomes `Sole` after 60 s.
        confirmed: bool,
    },
}

#[derive(Debug, Clone, Copy)]
struct Sender {
    device: DeviceKey,
    source: u8,
    since: Timestamp,
    heard: Timestamp,
}

impl Sender {
    fn is_heard_at(&self, time: Timestamp) -> bool {
        // A clock that jumps, either way, starts the watch anew.
        time.micros().abs_diff(self.heard.micros()) <= TOGETHER_US
    }
}

/// Where the senders of one message and instance are kept, until silent ones are forgotten.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SendersPlace {
    index: usize,
    sweeps: u32,
}

/// The senders of every message and instance of one bus.
#[derive(Debug, Default)]
pub struct ChannelSenders {
    places: HashMap<(u32, Option<u32>), usize>,
    /// In the order in which they began.
    senders: Vec<Vec<Sender>>,
    swept: Timestamp,
    sweeps: u32,
}

impl ChannelSenders {
    /// None known yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Notes that `device` sent message `number` for `instance` from address `source`.
    pub fn note(
        &mut self,
        time: Timestamp,
        number: u32,
        instance: Option<u32>,
        device: DeviceKey,
        source: u8,
    ) -> SenderVerdict {
        let key = (number, instance);
        if self.places.len() >= MAX_CHANNELS && !self.places.contains_key(&key) {
            if time.micros().abs_diff(self.swept.micros()) >= SWEEP_US {
                self.sweep(time);
            }
            if self.places.len() >= MAX_CHANNELS {
                return SenderVerdict::Sole;
            }
        }
        let place = *self.places.entry(key).or_insert(self.senders.len());
        if place == self.senders.len() {
            self.senders.push(Vec::new());
        }
        let all = &mut self.senders[place];
        // Another device under the same address has replaced the one that was there.
        all.retain(|s| s.is_heard_at(time) && (s.device == device || s.source != source));
        let me = match all.iter().position(|s| s.device == device) {
            Some(me) => me,
            None => {
                if all.len() >= MAX_SENDERS {
                    all.remove(0);
                }
                all.push(Sender { device, source, since: time, heard: time });
                all.len() - 1
            }
        };
        all[me].source = source;
        all[me].heard = time;
        if all.len() == 1 {
            return SenderVerdict::Sole;
        }
        let began = all[me].since;
        let confirmed = me + 1 < all.len() || all[..me].iter().any(|earlier| earlier.heard > began);
        SenderVerdict::Duplicate { first: all[0].device, first_source: all[0].source, confirmed }
    }

    /// Where the senders of this message and instance are, if any were noted.
    pub fn place(&self, number: u32, instance: Option<u32>) -> Option<SendersPlace> {
        self.places.get(&(number, instance)).map(|index| SendersPlace { index: *index, sweeps: self.sweeps })
    }

    /// What [`ChannelSenders::note`] does where nothing has changed: notes that the only sender was heard again. `false`
    /// where it is not the only one any more, or was away for long: nothing is noted then.
    #[inline]
    pub fn still_sole(&mut self, place: SendersPlace, time: Timestamp, device: DeviceKey, source: u8) -> bool {
        if place.sweeps != self.sweeps {
            return false;
        }
        let Some([sender]) = self.senders.get_mut(place.index).map(Vec::as_mut_slice) else { return false };
        let same = sender.device == device && sender.source == source && sender.is_heard_at(time);
        if same {
            sender.heard = time;
        }
        same
    }

    /// Forgets those that have been silent.
    fn sweep(&mut self, time: Timestamp) {
        self.swept = time;
        self.sweeps = self.sweeps.wrapping_add(1);
        let senders = std::mem::take(&mut self.senders);
        let mut moved: Vec<Option<usize>> = Vec::with_capacity(senders.len());
        for all in senders {
            let heard = all.iter().any(|s| s.is_heard_at(time));
            moved.push(heard.then_some(self.senders.len()));
            if heard {
                self.senders.push(all);
            }
        }
        self.places.retain(|_, place| match moved[*place] {
            Some(now) => {
                *place = now;
                true
            }
            None => false,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const A: DeviceKey = DeviceKey(1);
    const B: DeviceKey = DeviceKey(2);

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from_millis(seconds * 1000)
    }

    fn duplicate(confirmed: bool) -> SenderVerdict {
        SenderVerdict::Duplicate { first: A, first_source: 10, confirmed }
    }

    #[test]
    fn two_at_once_are_duplicates_from_the_first_message_on() {
        let mut bus = ChannelSenders::new();
        assert_eq!(bus.note(at(0), 127508, Some(1), A, 10), SenderVerdict::Sole);
        assert_eq!(bus.note(at(1), 127508, Some(1), B, 11), duplicate(false));
        assert_eq!(bus.note(at(2), 127508, Some(1), A, 10), duplicate(true));
        assert_eq!(bus.note(at(3), 127508, Some(1), B, 11), duplicate(true));
    }

    #[test]
    fn another_instance_or_message_is_another_channel() {
        let mut bus = ChannelSenders::new();
        for (number, instance, device, source) in
            [(127508, Some(1), A, 10), (127508, Some(2), B, 11), (127506, Some(1), B, 11), (127508, None, B, 11)]
        {
            assert_eq!(bus.note(at(0), number, instance, device, source), SenderVerdict::Sole);
        }
    }

    #[test]
    fn one_that_replaced_another_is_alone() {
        let mut bus = ChannelSenders::new();
        bus.note(at(0), 127508, Some(1), A, 10);
        assert_eq!(bus.note(at(61), 127508, Some(1), B, 11), SenderVerdict::Sole, "after a minute of silence");

        let mut bus = ChannelSenders::new();
        bus.note(at(0), 127508, Some(1), A, 10);
        assert_eq!(bus.note(at(1), 127508, Some(1), B, 10), SenderVerdict::Sole, "under the same address");

        let mut bus = ChannelSenders::new();
        bus.note(at(0), 127508, Some(1), A, 10);
        for second in 5..=60 {
            assert_eq!(bus.note(at(second), 127508, Some(1), B, 11), duplicate(false));
        }
        assert_eq!(bus.note(at(61), 127508, Some(1), B, 11), SenderVerdict::Sole, "quickly, known after a minute");
    }

    #[test]
    fn a_device_that_moves_stays_one() {
        let mut bus = ChannelSenders::new();
        bus.note(at(0), 127508, Some(1), A, 10);
        assert_eq!(bus.note(at(1), 127508, Some(1), A, 20), SenderVerdict::Sole);
    }

    #[test]
    fn the_watch_is_bounded() {
        let mut bus = ChannelSenders::new();
        for i in 0..10_000 {
            bus.note(at(0), i, None, A, 10);
            bus.note(at(0), 1, None, DeviceKey(u64::from(i)), (i % 250) as u8);
        }
        assert_eq!(bus.senders.len(), MAX_CHANNELS);
        assert!(bus.senders.iter().all(|all| all.len() <= MAX_SENDERS));
        bus.note(at(100), 1, None, A, 10);
        bus.note(at(100), 99_999, None, A, 10);
        assert_eq!(bus.senders.len(), 2, "the silent ones were forgotten");
    }
}
