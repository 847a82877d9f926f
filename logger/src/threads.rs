//! The threads that read the buses, one each: started, stopped and replaced while the recorder runs.
//!
//! Owes its reader: a bus that is not named in a change does not notice it.

use crate::bus::source::{Heard, Outlet, Source};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::mpsc::SyncSender;
use std::thread::JoinHandle;

/// One that reads.
struct Reading {
    bus: usize,
    stop: Arc<AtomicBool>,
    last_us: Arc<AtomicI64>,
    thread: JoinHandle<()>,
}

/// All of them.
pub(crate) struct Threads {
    /// `None` where no more will be started, so that the recorder notices the end of the last one.
    channel: Option<SyncSender<Heard>>,
    reading: Vec<Reading>,
}

impl Threads {
    /// None yet.
    pub(crate) fn new(channel: SyncSender<Heard>) -> Self {
        Self { channel: Some(channel), reading: Vec::new() }
    }

    /// Lets `source` read as the bus with this number. Frames up to `before_us` were handed on by another.
    pub(crate) fn start(&mut self, bus: usize, source: Box<dyn Source>, before_us: i64) {
        let Some(channel) = self.channel.clone() else { return };
        let (stop, last_us) = (Arc::<AtomicBool>::default(), Arc::new(AtomicI64::new(before_us)));
        let before_us = Arc::new(AtomicI64::new(before_us));
        let outlet = Outlet { bus, channel, stop: stop.clone(), last_us: last_us.clone(), before_us };
        let thread = std::thread::spawn(move || source.run(&outlet));
        self.reading.push(Reading { bus, stop, last_us, thread });
    }

    /// Ends the reading of a bus and waits for it; the time of its last frame, us.
    pub(crate) fn end(&mut self, bus: usize) -> i64 {
        let Some(place) = self.reading.iter().position(|r| r.bus == bus) else { return i64::MIN };
        let reading = self.reading.swap_remove(place);
        reading.stop.store(true, Ordering::Relaxed);
        if reading.thread.join().is_err() {
            tracing::error!("what read a bus ended by a mistake in this program");
        }
        reading.last_us.load(Ordering::Relaxed)
    }

    /// Tells the recorder, in its turn. False when it is gone.
    pub(crate) fn tell(&self, what: Heard) -> bool {
        self.channel.as_ref().is_some_and(|channel| channel.send(what).is_ok())
    }

    /// No more will be started.
    pub(crate) fn complete(&mut self) {
        self.channel = None;
    }
}

/// Should the recorder fail, or be given up in its midst, the sources must end too. They are not waited for: the recorder
/// ends when the last of them has dropped its end of the channel.
impl Drop for Threads {
    fn drop(&mut self) {
        for reading in &self.reading {
            reading.stop.store(true, Ordering::Relaxed);
        }
    }
}
