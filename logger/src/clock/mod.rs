//! Watches the recorder's clock: where it jumped, and what the bus says the time was. Pure: times in,
//! decisions out.
//!
//! A small computer without a battery for its clock starts with a wrong time and is set later, once or more
//! often, forwards or backwards. Samples are stored with the clock as it was, in *segments* between its jumps;
//! [`place`] works out where each segment belongs. Nothing that was stored is rewritten.
//!
//! Owes its reader: a pause of the bus is no jump, a single damaged time is no jump, and a guess is marked as one.

mod place;
mod segment;

pub use place::{Basis, Placement, place};

use segment::{Begins, Segment};

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
/// 1024 weeks.
const GPS_ERA_US: i64 = 1024 * 7 * 86_400 * 1_000_000;
/// A step waits this long for the bus to say what the time is before it is reported without.
const PATIENCE_US: i64 = 60_000_000;
/// More jumps than this are a damaged recording.
const MOST_SEGMENTS: usize = 1000;
/// Bus times kept per segment; beyond, every second one is dropped.
const MOST_READINGS: usize = 512;
/// Senders of bus time that are told apart.
const MOST_SENDERS: usize = 8;

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

/// How the size of a step is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KnownFrom {
    /// The bus told the time on both sides.
    Bus,
    /// The system's clock that cannot be set went on evenly meanwhile.
    System,
    /// From nobody: it is the difference of the two readings, and a pause of the bus may be part of it.
    Nobody,
}

/// A step of the recorder's clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The clock's last reading before.
    pub before: Timestamp,
    /// Its first reading after.
    pub after: Timestamp,
    /// By how much it was set, s; forwards is positive.
    pub step_s: f64,
    /// Who says so.
    pub known_from: KnownFrom,
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
    /// A step that the system told and no frame has shown yet, and the clock's last reading then.
    told: Option<(i64, Timestamp)>,
    ignored: u64,
}

impl ClockWatch {
    /// For times of this meaning.
    pub fn new(meaning: Meaning) -> Self {
        Self { meaning, segments: Vec::new(), usual_us: 0, told: None, ignored: 0 }
    }

    /// The system's clock was just set by so many us (live recording only; see `system_clock`). The frames that
    /// are still on their way carry the old time.
    pub fn system_stepped(&mut self, step_us: i64) {
        let told = self.told.map_or(0, |(earlier, _)| earlier);
        self.told = self.last().map(|last| (told.saturating_add(step_us), last));
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
        if let Some((step, since)) = self.told {
            // Nearer to the step than to going on evenly.
            if (ahead - step).abs() < step.abs() / 2 {
                return Arrival::Hold;
            }
            let missed = time.micros().saturating_sub(since.micros()) > PATIENCE_US;
            self.told = self.told.filter(|_| !missed);
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
        let told = self.told.filter(|(step, _)| (*step < 0) == backward);
        let begins = if backward {
            Begins::Backward
        } else if told.is_some() {
            Begins::Forward
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
        let mut segment = Segment::new(begins, held);
        if let Some((step, _)) = told {
            segment.told_us = Some(step);
            self.told = None;
        }
        self.segments.push(segment);
        Settled::Begin(unreported)
    }

    /// A receiver of satellite or radio time says what time it is.
    pub fn bus_time(&mut self, sender: u32, receive: Timestamp, bus: Timestamp) {
        if !(PLAUSIBLE_FROM_US..PLAUSIBLE_TO_US).contains(&bus.micros()) {
            return;
        }
        let mut difference = bus.micros() - receive.micros();
        // An old receiver counts the weeks modulo 1024 (IS-GPS-200) and is 19.6 years wrong or twice that.
        let eras = (difference as f64 / GPS_ERA_US as f64).round() as i64;
        let beside = difference - eras * GPS_ERA_US;
        if receive.micros() >= PLAUSIBLE_FROM_US && beside.abs() < 86_400_000_000 {
            difference = beside;
        }
        let [before @ .., segment] = &mut self.segments[..] else { return };
        segment.hear(sender, difference);
        if segment.begins == Begins::Open {
            // What it said before, for as long as the clock has not been set since.
            let unset = before.iter().rposition(|s| s.begins.is_step()).unwrap_or(0);
            let mut known = before[unset..].iter().rev().flat_map(|s| &s.latest);
            if let Some((_, earlier)) = known.find(|(s, _)| *s == sender) {
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
        let after = segment.difference();
        let by_bus = before.difference().zip(after).map(|(before, after)| (before - after, KnownFrom::Bus));
        let by_system = segment.told_us.map(|step| (step, KnownFrom::System));
        let read = (segment.first.micros() - before.last.micros(), KnownFrom::Nobody);
        let (step_us, known_from) = by_bus.or(by_system).unwrap_or(read);
        Some(Step {
            before: before.last,
            after: segment.first,
            step_s: step_us as f64 / 1e6,
            known_from,
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
        // Segments of thousands of years, one behind the other, end beyond what can be counted.
        let corrected = |t: Timestamp, p: &Placement| {
            Timestamp::from_micros(t.micros().saturating_add(p.offset_ms.saturating_mul(1000)))
        };
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
