//! What a running recorder takes its frames from: a thread per bus that puts frames into the one bounded
//! channel until it is told to stop.

use super::Frame;
use super::readings::Readings;
use super::recording::{Carried, Recording};
use crate::record::Change;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::mpsc::SyncSender;
use std::time::Duration;

/// How long a source may take to notice that it has to stop.
pub const NOTICE: Duration = Duration::from_millis(200);

/// Kind of the note that a bus went away.
pub const BUS_LOST: &str = "bus_lost";
/// Kind of the note that it came back.
pub const BUS_BACK: &str = "bus_back";
/// Kind of the note that a device was asked something.
pub const ASKED: &str = "asked";

/// One bus, open and ready.
pub trait Source: Send {
    /// The bus's name in channel addresses.
    fn name(&self) -> &str;
    /// Hands on frames until `out` says that it is over, or there are no more.
    fn run(self: Box<Self>, out: &Outlet);
}

/// What a source hands on.
#[derive(Debug)]
pub enum Heard {
    /// A frame of the bus with this number.
    Frame(usize, Frame),
    /// A message of the bus with this number whose values are ready for their channels.
    Readings(usize, Readings),
    /// So many more of a problem.
    Count(&'static str, u64),
    /// Something about the bus with this number that the user should know: kind of event, plain words.
    Note(usize, &'static str, String),
    /// So many frames of the bus with this number came in and were not fetched in time.
    Lost(usize, u32),
    /// The bus with this number runs at so many bit/s.
    BitRate(usize, u32),
    /// The configuration is another from here on.
    Change(Box<Change>),
}

/// How far the frames of a predecessor reached are those to be left out: its socket and the new one were both open.
const OVERLAP_US: i64 = 10_000_000;

/// Where a source puts what it hears.
#[derive(Debug, Clone)]
pub struct Outlet {
    pub(crate) bus: usize,
    pub(crate) channel: SyncSender<Heard>,
    pub(crate) stop: Arc<AtomicBool>,
    /// The time of the last frame that was handed on, us; at the start that of a predecessor on the same interface.
    pub(crate) last_us: Arc<AtomicI64>,
    /// Frames up to this time were handed on by a predecessor, us; `i64::MIN` once that is over.
    pub(crate) before_us: Arc<AtomicI64>,
}

impl Outlet {
    /// Hands a frame on. Waits when the recorder is behind, so that the queue in the kernel is the next to fill.
    /// False when nobody listens any more.
    pub fn frame(&self, frame: Frame) -> bool {
        let us = frame.time.micros();
        let before = self.before_us.load(Ordering::Relaxed);
        if us <= before && us > before.saturating_sub(OVERLAP_US) {
            return true;
        }
        if before != i64::MIN {
            self.before_us.store(i64::MIN, Ordering::Relaxed);
        }
        self.last_us.store(us, Ordering::Relaxed);
        self.channel.send(Heard::Frame(self.bus, frame)).is_ok()
    }

    /// Hands on a message whose values are ready, in the same way.
    pub fn readings(&self, readings: Readings) -> bool {
        self.channel.send(Heard::Readings(self.bus, readings)).is_ok()
    }

    /// Counts `n` more of a problem.
    pub fn count(&self, problem: &'static str, n: u64) -> bool {
        n == 0 || self.channel.send(Heard::Count(problem, n)).is_ok()
    }

    /// Hands on a remark about the bus.
    pub fn note(&self, kind: &'static str, text: String) -> bool {
        self.channel.send(Heard::Note(self.bus, kind, text)).is_ok()
    }

    /// Says that frames were lost. False when nobody listens any more.
    pub fn lost(&self, frames: u32) -> bool {
        self.channel.send(Heard::Lost(self.bus, frames)).is_ok()
    }

    /// Says at how many bit/s the bus runs. False when nobody listens any more.
    pub fn bit_rate(&self, bit_rate: u32) -> bool {
        self.channel.send(Heard::BitRate(self.bus, bit_rate)).is_ok()
    }

    /// True when the source has to end.
    pub fn is_over(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }
}

/// A recording, played as fast as the recorder takes it; all of its interfaces are one bus.
#[derive(Debug)]
pub struct Replay {
    name: String,
    recording: Recording,
}

impl Replay {
    /// Plays `recording` as the bus `name`.
    pub fn new(name: &str, recording: Recording) -> Self {
        Self { name: name.to_owned(), recording }
    }
}

impl Source for Replay {
    fn name(&self) -> &str {
        &self.name
    }

    fn run(mut self: Box<Self>, out: &Outlet) {
        while !out.is_over() {
            match self.recording.advance() {
                Ok(Some((_, carried))) => {
                    let goes_on = match carried {
                        Carried::Frame(frame) => out.frame(frame),
                        Carried::Readings(readings) => out.readings(*readings),
                    };
                    if !goes_on {
                        return;
                    }
                }
                Ok(None) => return,
                Err(e) => {
                    out.note(BUS_LOST, e.to_string());
                    return;
                }
            }
        }
    }
}
