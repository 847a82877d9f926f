//! Which of several senders is believed about one thing, in protocols in which each says how much it is to be
//! believed (RV-C's device priority: a battery's own monitor stands above a charger, that above a voltmeter).
//!
//! The channel follows the highest rank heard within some five seconds. A lower one that speaks meanwhile is counted and
//! not stored: its values are the poorer ones of the same quantity. Two of the same rank both pass, and are told apart
//! as duplicates.

use crate::identity::DeviceKey;
use ampwake_schemas::time::Timestamp;
use std::collections::HashMap;

/// Silence after which the next lower sender is believed, in microseconds. A design choice: the first status of a DC
/// source is sent twice a second, the slowest of its messages every five seconds.
const SILENCE_US: u64 = 5_500_000;
/// Messages and instances watched at once.
const MAX_STREAMS: usize = 4096;

struct Leader {
    device: DeviceKey,
    rank: u8,
    heard: Timestamp,
}

impl Leader {
    fn is_silent(&self, time: Timestamp) -> bool {
        // A clock that jumps, either way, is silence too.
        time.micros().abs_diff(self.heard.micros()) > SILENCE_US
    }
}

/// The leading senders of one bus, by message and instance.
#[derive(Default)]
pub(super) struct Ranks {
    leaders: HashMap<(u32, Option<u32>), Leader>,
}

impl Ranks {
    /// Whether what `device` says is believed.
    pub(super) fn leads(&mut self, time: Timestamp, stream: (u32, Option<u32>), device: DeviceKey, rank: u8) -> bool {
        if let Some(leader) = self.leaders.get(&stream)
            && leader.device != device
            && leader.rank > rank
            && !leader.is_silent(time)
        {
            return false;
        }
        if self.leaders.len() >= MAX_STREAMS && !self.leaders.contains_key(&stream) {
            self.leaders.retain(|_, leader| !leader.is_silent(time));
            if self.leaders.len() >= MAX_STREAMS {
                return true;
            }
        }
        self.leaders.insert(stream, Leader { device, rank, heard: time });
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MONITOR: DeviceKey = DeviceKey(1);
    const CHARGER: DeviceKey = DeviceKey(2);
    const BANK: (u32, Option<u32>) = (0x1FFFD, Some(1));

    fn at(ms: i64) -> Timestamp {
        Timestamp::from_millis(ms)
    }

    #[test]
    fn the_highest_that_is_heard_is_believed() {
        let mut ranks = Ranks::default();
        assert!(ranks.leads(at(0), BANK, CHARGER, 80), "alone");
        assert!(ranks.leads(at(100), BANK, MONITOR, 120));
        assert!(!ranks.leads(at(500), BANK, CHARGER, 80));
        assert!(ranks.leads(at(600), BANK, MONITOR, 120));
        assert!(!ranks.leads(at(6000), BANK, CHARGER, 80), "silent for 5.4 s");
        assert!(ranks.leads(at(6200), BANK, CHARGER, 80), "silent for 5.6 s");
        assert!(ranks.leads(at(6300), BANK, MONITOR, 120), "and back again");
        assert!(ranks.leads(at(6300), (0x1FFFD, Some(2)), CHARGER, 80), "another bank");
    }

    #[test]
    fn equals_are_both_believed_and_a_sender_may_lower_its_rank() {
        let mut ranks = Ranks::default();
        assert!(ranks.leads(at(0), BANK, MONITOR, 120));
        assert!(ranks.leads(at(1), BANK, CHARGER, 120));
        assert!(ranks.leads(at(2), BANK, MONITOR, 120));
        assert!(ranks.leads(at(3), BANK, MONITOR, 20));
        assert!(ranks.leads(at(4), BANK, CHARGER, 80));
    }

    #[test]
    fn the_watch_is_bounded() {
        let mut ranks = Ranks::default();
        for i in 0..10_000 {
            ranks.leads(at(0), (i, None), MONITOR, 1);
        }
        assert_eq!(ranks.leaders.len(), MAX_STREAMS);
        ranks.leads(at(10_000), (99_999, None), MONITOR, 1);
        assert_eq!(ranks.leaders.len(), 1);
    }
}
