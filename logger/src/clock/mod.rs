//! Watches the recorder's clock: where it jumped, and what the bus says the time was. Pure: times in,
//! decisions out.
//!
//! A small computer without a battery for its clock starts with a wrong time and is set later, once or more
//! often, forwards or backwards. Samples are stored with the clock as it was, in *segments* between its jumps;
//! [`place`] works out where each segment belongs. Nothing that was stored is rewritten.
//!
//! Owes its reader: a pause of the bus is no jump, a single damaged time is no jump, and a guess is marked as one.

mod place;

pub use place::{Basis, Placement, place};

use crate::bus::stamps::Meaning;
use ampwake_schemas::time::Timestamp;

/// Times may run this much backwards: two interfaces of one computer are read in turn.
const DISORDER_US: i64 = 1_000_000;
/// A jump forwards beyond this is either a pause of the bus or a step of the clock.
const PAUSE_US: i64 = 5_000_000;
/// Bus time and receive time may differ this much by delays on the way.
const AGREE_US: i64 = 2_000_000;
/// 2000-01-01: no recording is older, and clocks that lost their time begin before.
const PLAUSIBLE_FROM_US: i64 = 946_684_800 * 1_000_000;
/// 2100-01-01.
const PLAUSIBLE_TO_US: i64 = 4_102_444_800 * 1_000_000;
/// A step waits this long for the bus to say what the time is before it is reported without.
const PATIENCE_US: i64 = 60_000_000;
/// More jumps than this are a damaged recording.
const MOST_SEGMENTS: usize = 1000;
/// Bus times kept per segment; beyond, every second one is dropped.
const MOST_READINGS: usize = 512;
/// Senders of bus time that are told apart.
const MOST_SENDERS: usize = 8;

/// How a segment began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Begins {
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
    fn is_step(self) -> bool {
        matches!(self, Self::Forward | Self::Backward | Self::Set)
    }
}

/// A stretch in which the clock did not jump; times are the recorder's.
#[derive(Debug, Clone)]
struct Segment {
    begins: Begins,
    first: Timestamp,
    /// The latest, not the last one to arrive.
    last: Timestamp,
    /// Bus time less receive time of the first sender that was heard, us.
    readings: Vec<i64>,
    stride: usize,
    seen: usize,
    /// The latest difference of each sender.
    latest: Vec<(u32, i64)>,
    reported: bool,
}

impl Segment {
    fn new(begins: Begins, first: Timestamp) -> Self {
        let (readings, latest) = (Vec::new(), Vec::new());
        Self { begins, first, last: first, readings, stride: 1, seen: 0, latest, reported: false }
    }

    fn hear(&mut self, sender: u32, difference: i64) {
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
    fn difference(&self) -> Option<i64> {
        let mut sorted = self.readings.clone();
        sorted.sort_unstable();
        sorted.get(sorted.len() / 2).copied()
    }
}

/// What to do with the frame whose time was shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrival {
    /// Use it.
    Use,
    /// Its time jumps. Keep it until the next frame shows what it is: [`ClockWatch::settle`].
    Hold,
}

/// What a frame that was held turned out to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Settled {
    /// Its own time was damaged: count it and leave it out.
    Odd,
    /// A pause of the bus: use it.
    Use,
    /// It begins a new segment: begin one, then use it. A step with which the segment before began and that was
    /// not reported yet comes with it; it belongs to that segment.
    Begin(Option<Step>),
}

/// A step of the recorder's clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The clock's last reading before.
    pub before: Timestamp,
    /// Its first reading after.
    pub after: Timestamp,
    /// By how much it was set, s, forwards positive: from the bus where that is known, else the difference of the two.
    pub step_s: f64,
    /// The bus told the time on both sides, so that `step_s` is exact.
    pub corrected: bool,
    /// The time on the bus at `after`, where known.
    pub bus_time: Option<Timestamp>,
}

/// The watch over one recording or one run of the recorder.
#[derive(Debug, Clone)]
pub struct ClockWatch {
    meaning: Meaning,
    segments: Vec<Segment>,
    /// Running mean of the time between frames: what is a pause on a busy bus is none on a quiet one.
    usual_us: i64,
    ignored: u64,
}

impl ClockWatch {
    /// For times of this meaning.
    pub fn new(meaning: Meaning) -> Self {
        Self { meaning, segments: Vec::new(), usual_us: 0, ignored: 0 }
    }

    /// A frame has come.
    pub fn arrive(&mut self, time: Timestamp) -> Arrival {
        let Some(segment) = self.segments.last_mut() else {
            self.segments.push(Segment::new(Begins::Recording, time));
            return Arrival::Use;
        };
        let ahead = time.micros().saturating_sub(segment.last.micros());
        if ahead < -DISORDER_US || ahead > PAUSE_US.max(5 * self.usual_us) {
            return Arrival::Hold;
        }
        segment.last = segment.last.max(time);
        self.usual_us += (ahead.max(0) - self.usual_us) / 50;
        Arrival::Use
    }

    /// Decides about a frame that was held, once the time of the next one is known (`None`: there is none).
    pub fn settle(&mut self, held: Timestamp, next: Option<Timestamp>) -> Settled {
        let full = self.segments.len() >= MOST_SEGMENTS;
        let Some(segment) = self.segments.last_mut() else { return Settled::Use };
        let backward = held < segment.last;
        // After a jump forwards the next frame follows the held one; after a damaged time it does not.
        let odd = next.is_some_and(|next| match backward {
            true => next.micros() >= segment.last.micros() - DISORDER_US,
            false => next.micros() < held.micros() - DISORDER_US,
        });
        if odd {
            return Settled::Odd;
        }
        let begins = if backward {
            Begins::Backward
        } else if segment.last.micros() < PLAUSIBLE_FROM_US && held.micros() >= PLAUSIBLE_FROM_US {
            Begins::Set
        } else if segment.latest.is_empty() {
            // Nothing could ever tell a step from a pause here.
            Begins::Pause
        } else {
            Begins::Open
        };
        self.ignored += u64::from(full);
        if begins == Begins::Pause || full {
            let ahead = held.micros().saturating_sub(segment.last.micros());
            self.usual_us += (ahead.max(0) - self.usual_us) / 50;
            segment.last = if full { held } else { segment.last.max(held) };
            return Settled::Use;
        }
        let unreported = self.step_to_report(true);
        self.segments.push(Segment::new(begins, held));
        Settled::Begin(unreported)
    }

    /// A receiver of satellite or radio time says what time it is.
    pub fn bus_time(&mut self, sender: u32, receive: Timestamp, bus: Timestamp) {
        if !(PLAUSIBLE_FROM_US..PLAUSIBLE_TO_US).contains(&bus.micros()) {
            return;
        }
        let difference = bus.micros() - receive.micros();
        let [before @ .., segment] = &mut self.segments[..] else { return };
        segment.hear(sender, difference);
        if segment.begins == Begins::Open {
            let known = before.last().and_then(|s| s.latest.iter().find(|(s, _)| *s == sender));
            if let Some((_, earlier)) = known {
                let agrees = (difference - earlier).abs() <= AGREE_US;
                segment.begins = if agrees { Begins::Pause } else { Begins::Forward };
            }
        }
    }

    /// The step with which the present segment began, once: as soon as the bus has told the time, or after a
    /// minute, or when `ending` says that there will be no more of this segment.
    pub fn step_to_report(&mut self, ending: bool) -> Option<Step> {
        let [before @ .., segment] = &mut self.segments[..] else { return None };
        let before = before.last()?;
        let waited = segment.last.micros() - segment.first.micros() > PATIENCE_US;
        if segment.reported || !segment.begins.is_step() || (segment.latest.is_empty() && !waited && !ending) {
            return None;
        }
        segment.reported = true;
        let read = segment.last.seconds_since(before.last).min(segment.first.seconds_since(before.last));
        let after = segment.difference();
        let exact = before.difference().zip(after).map(|(before, after)| (before - after) as f64 / 1e6);
        Some(Step {
            before: before.last,
            after: segment.first,
            step_s: exact.unwrap_or(read),
            corrected: exact.is_some(),
            bus_time: after.map(|d| Timestamp::from_micros(segment.first.micros() + d)),
        })
    }

    /// The latest reading of the clock in the present segment.
    pub fn last(&self) -> Option<Timestamp> {
        self.segments.last().map(|s| s.last)
    }

    /// First and last time, corrected as far as is known now.
    pub fn period(&self) -> Option<(Timestamp, Timestamp)> {
        let placed = place(self);
        let corrected = |t: Timestamp, p: &Placement| Timestamp::from_micros(t.micros() + p.offset_ms * 1000);
        let each = || self.segments.iter().zip(&placed);
        let first = each().map(|(s, p)| corrected(s.first, p)).min()?;
        Some((first, each().map(|(s, p)| corrected(s.last, p)).max()?))
    }

    /// Number of segments begun.
    pub fn segments(&self) -> usize {
        self.segments.len()
    }

    /// Jumps beyond the number of segments that a recording may have; they were ignored.
    pub fn ignored(&self) -> u64 {
        self.ignored
    }
}

#[cfg(test)]
mod tests;
