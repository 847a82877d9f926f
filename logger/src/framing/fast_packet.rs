//! Reassembly of fast packets (frame layout: `ampwake_schemas::message::fast_packet`).
//!
//! Owes its reader: never a payload that was not sent. A message with a missing, repeated or late frame is
//! dropped and counted; the streams of other senders, numbers and sequences go on beside it.

use ampwake_schemas::message::CanId;
use ampwake_schemas::message::fast_packet::MAX_PAYLOAD;
use ampwake_schemas::time::Timestamp;

/// Silence after which a started message is given up, in microseconds. A design choice (the standard's figure is
/// not public): long for a busy bus, yet shorter than the 800 ms in which a message sent every 100 ms, the
/// shortest period of the standard's default rates, comes round to the same sequence counter.
pub const TIMEOUT_US: u64 = 750_000;

/// Messages in the making, over all senders. A healthy bus has a few dozen.
const MAX_SLOTS: usize = 1024;
/// Of one sender and number: as many as there are sequence counters.
const MAX_PER_STREAM: usize = 8;

/// What a frame led to.
#[derive(Debug, PartialEq, Eq)]
pub enum Outcome<'a> {
    /// The whole payload, 1 to 223 bytes.
    Complete(&'a [u8]),
    /// More frames are needed.
    Incomplete,
    /// The frame is of no use, nor is what came before it of this message.
    Dropped(DropReason),
}

/// Why a frame was dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DropReason {
    /// Its message's first frame was not heard, or the message was given up already.
    NoStart,
    /// Frames before it are missing.
    Gap,
    /// It was there already.
    Repeated,
    /// Its message had been silent for too long.
    Late,
    /// Too few or too many bytes, or a length that no fast packet has.
    Malformed,
}

/// What happened so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counters {
    /// Messages put together.
    pub complete: u64,
    /// Frames that are missing as far as their numbers show.
    pub lost_frames: u64,
    /// Frames that came twice.
    pub repeated: u64,
    /// Frames whose message had not been started, or was given up.
    pub without_start: u64,
    /// Frames that are no fast packet.
    pub malformed: u64,
    /// Messages given up after silence.
    pub timeouts: u64,
    /// Messages given up because the same sequence counter started anew.
    pub restarted: u64,
    /// Messages given up to make room.
    pub evicted: u64,
}

/// Source, number, destination and sequence counter.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Key {
    pgn: u32,
    source: u8,
    destination: u8,
    sequence: u8,
}

struct Slot {
    key: Key,
    /// When its last frame came.
    heard: Timestamp,
    next_frame: u8,
    total: u8,
    filled: u8,
    /// Apart, so that a search through many slots stays within the processor's cache.
    data: Box<[u8; MAX_PAYLOAD]>,
}

/// The reassembly of one bus.
pub struct FastPackets {
    /// Few at a time, so that a search through all of them is the quickest way.
    slots: Vec<Slot>,
    done: Box<[u8; MAX_PAYLOAD]>,
    timeout_us: u64,
    counters: Counters,
}

impl Default for FastPackets {
    fn default() -> Self {
        Self::new(TIMEOUT_US)
    }
}

impl FastPackets {
    /// With another timeout, in microseconds.
    pub fn new(timeout_us: u64) -> Self {
        Self { slots: Vec::new(), done: Box::new([0; MAX_PAYLOAD]), timeout_us, counters: Counters::default() }
    }

    /// What happened so far.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    /// Takes one frame of a number that travels as a fast packet.
    pub fn push(&mut self, time: Timestamp, id: CanId, data: &[u8]) -> Outcome<'_> {
        let (Some(&head), 1..=8) = (data.first(), data.len()) else {
            self.counters.malformed += 1;
            return Outcome::Dropped(DropReason::Malformed);
        };
        let key = Key { pgn: id.pgn, source: id.source, destination: id.destination, sequence: head >> 5 };
        match head & 0x1F {
            0 => self.start(time, key, data),
            counter => self.go_on(time, key, counter, &data[1..]),
        }
    }

    /// Gives up what has been silent for too long; `push` does so by itself when a message starts.
    pub fn expire(&mut self, time: Timestamp) {
        let (before, timeout) = (self.slots.len(), self.timeout_us);
        self.slots.retain(|slot| !late(slot, time, timeout));
        self.counters.timeouts += (before - self.slots.len()) as u64;
    }

    fn start(&mut self, time: Timestamp, key: Key, data: &[u8]) -> Outcome<'_> {
        self.expire(time);
        if let Some(i) = self.slots.iter().position(|s| s.key == key) {
            self.slots.swap_remove(i);
            self.counters.restarted += 1;
        }
        let total = match data.get(1) {
            Some(&n) if n > 0 && usize::from(n) <= MAX_PAYLOAD => n,
            _ => return self.malformed(),
        };
        let first = &data[2..];
        if usize::from(total) <= 6 {
            let Some(payload) = first.get(..usize::from(total)) else { return self.malformed() };
            self.done[..payload.len()].copy_from_slice(payload);
            self.counters.complete += 1;
            return Outcome::Complete(&self.done[..payload.len()]);
        }
        if first.len() < 6 {
            return self.malformed();
        }
        self.make_room(key);
        let mut slot = Slot { key, heard: time, next_frame: 1, total, filled: 6, data: Box::new([0; MAX_PAYLOAD]) };
        slot.data[..6].copy_from_slice(first);
        self.slots.push(slot);
        Outcome::Incomplete
    }

    fn go_on(&mut self, time: Timestamp, key: Key, counter: u8, data: &[u8]) -> Outcome<'_> {
        let Some(i) = self.slots.iter().position(|s| s.key == key) else {
            self.counters.without_start += 1;
            return Outcome::Dropped(DropReason::NoStart);
        };
        let slot = &mut self.slots[i];
        let filled = usize::from(slot.filled);
        let wanted = (usize::from(slot.total) - filled).min(7);
        let wrong = if late(slot, time, self.timeout_us) {
            self.counters.timeouts += 1;
            DropReason::Late
        } else if counter > slot.next_frame {
            self.counters.lost_frames += u64::from(counter - slot.next_frame);
            DropReason::Gap
        } else if counter < slot.next_frame {
            self.counters.repeated += 1;
            DropReason::Repeated
        } else if data.len() < wanted {
            self.counters.malformed += 1;
            DropReason::Malformed
        } else {
            slot.data[filled..filled + wanted].copy_from_slice(&data[..wanted]);
            slot.filled += wanted as u8;
            slot.next_frame += 1;
            slot.heard = time;
            if slot.filled < slot.total {
                return Outcome::Incomplete;
            }
            self.counters.complete += 1;
            let slot = self.slots.swap_remove(i);
            self.done = slot.data;
            return Outcome::Complete(&self.done[..usize::from(slot.total)]);
        };
        self.slots.swap_remove(i);
        Outcome::Dropped(wrong)
    }

    fn malformed(&mut self) -> Outcome<'_> {
        self.counters.malformed += 1;
        Outcome::Dropped(DropReason::Malformed)
    }

    /// Gives up the oldest message of this sender and number, or of all, where there are too many: a sender that
    /// starts messages to ever new destinations must not push out the others.
    fn make_room(&mut self, key: Key) {
        let same = |s: &&Slot| (s.key.source, s.key.pgn) == (key.source, key.pgn);
        let crowded = self.slots.iter().filter(same).count() >= MAX_PER_STREAM;
        if !crowded && self.slots.len() < MAX_SLOTS {
            return;
        }
        let among = self.slots.iter().enumerate().filter(|(_, s)| !crowded || same(s));
        if let Some((oldest, _)) = among.min_by_key(|(_, s)| s.heard) {
            self.slots.swap_remove(oldest);
            self.counters.evicted += 1;
        }
    }
}

/// A clock that jumps, either way, is silence too.
fn late(slot: &Slot, time: Timestamp, timeout_us: u64) -> bool {
    time.micros().abs_diff(slot.heard.micros()) > timeout_us
}

#[cfg(test)]
mod tests;
