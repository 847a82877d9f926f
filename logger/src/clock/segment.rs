//! One stretch in which the recorder's clock did not jump.

use super::{MOST_READINGS, MOST_SENDERS};
use ampwake_schemas::time::Timestamp;

/// How a segment began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Begins {
    /// The recording began.
    Recording,
    /// A jump forwards; whether the clock was set or the bus was silent is not known.
    Open,
    /// A jump forwards that the bus confirms: the bus was silent.
    Pause,
    /// A jump forwards that the bus contradicts.
    Forward,
    /// A jump backwards.
    Backward,
    /// From before 2000 to after: a clock without a time was set.
    Set,
}

impl Begins {
    pub(super) fn is_step(self) -> bool {
        matches!(self, Self::Forward | Self::Backward | Self::Set)
    }
}

/// A stretch in which the clock did not jump; times are the recorder's.
#[derive(Debug, Clone)]
pub(super) struct Segment {
    pub(super) begins: Begins,
    pub(super) first: Timestamp,
    /// The latest, not the last one to arrive.
    pub(super) last: Timestamp,
    /// Bus time less receive time of the first sender that was heard, us.
    pub(super) readings: Vec<i64>,
    stride: usize,
    seen: usize,
    /// The latest difference of each sender.
    pub(super) latest: Vec<(u32, i64)>,
    /// The step with which it began, as the system's own clocks tell it, us.
    pub(super) told_us: Option<i64>,
    pub(super) reported: bool,
}

impl Segment {
    pub(super) fn new(begins: Begins, first: Timestamp) -> Self {
        let (readings, latest) = (Vec::new(), Vec::new());
        Self { begins, first, last: first, readings, stride: 1, seen: 0, latest, told_us: None, reported: false }
    }

    pub(super) fn hear(&mut self, sender: u32, difference: i64) {
        if let Some((_, latest)) = self.latest.iter_mut().find(|(s, _)| *s == sender) {
            *latest = difference;
        } else if self.latest.len() < MOST_SENDERS {
            self.latest.push((sender, difference));
        }
        if self.latest[0].0 != sender {
            return;
        }
        if self.seen.is_multiple_of(self.stride) {
            self.readings.push(difference);
        }
        self.seen += 1;
        if self.readings.len() > MOST_READINGS {
            let mut i = 0;
            self.readings.retain(|_| {
                i += 1;
                i % 2 == 1
            });
            self.stride *= 2;
        }
    }

    /// Bus time less receive time: the median, which a sender that needs a while to find its date does not move.
    pub(super) fn difference(&self) -> Option<i64> {
        let mut sorted = self.readings.clone();
        sorted.sort_unstable();
        sorted.get(sorted.len() / 2).copied()
    }
}
