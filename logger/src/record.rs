//! The recorder: takes what the buses say from one bounded channel, commits at its interval, and ends cleanly.
//!
//! Owes its reader: what was handed on by a bus before the stop is in the database after it; a commit that
//! fails is tried again ([`crate::disk`]); memory has a bound.

use crate::bus::source::{ASKED, BUS_BACK, BUS_LOST, Heard, Outlet, Source};
use crate::bus::stamps::Meaning;
use crate::dialect::Dialects;
use crate::disk::{Disk, SET_ASIDE};
use crate::pipeline::{Pipeline, Totals, event};
use crate::raw::{RawFrames, RawOptions};
use crate::system_clock::SystemClock;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Keep, StoreError, Writer};
use serde_json::json;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Frames on their way: eight seconds of a full 250 kbit/s bus while the disk is busy.
const QUEUE: usize = 16_384;
/// How often it is looked whether a bus has fallen silent.
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// How to record.
#[derive(Debug, Clone)]
pub struct RecordOptions {
    /// What each bus speaks, by bus name; NMEA 2000 where nothing is said.
    pub bus_protocols: Dialects,
    /// What a power cut costs.
    pub commit_every: Duration,
    /// What is kept; `None`: everything.
    pub keep: Option<Keep>,
    /// Where the frames of the buses are kept beside the database; `None`: they are not.
    pub raw: Option<RawOptions>,
    /// What was found damaged at the start, and set aside under this name.
    pub set_aside: Option<PathBuf>,
    /// The configuration as it stands in the event of the start, a JSON value.
    pub configuration: serde_json::Value,
}

/// What a run recorded.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RunReport {
    /// What went through.
    pub totals: Totals,
    /// Commits that reached the disk.
    pub commits: u64,
}

/// Records from `sources` until `shutdown` or until no source has any more, then stores what is left.
///
/// # Errors
/// The database cannot be written at the end.
pub async fn record(
    sources: Vec<Box<dyn Source>>,
    store: Writer,
    options: RecordOptions,
    shutdown: impl Future<Output = ()>,
) -> Result<RunReport, StoreError> {
    let stop = Arc::new(AtomicBool::new(false));
    let _guard = StopWhenDropped(stop.clone());
    let (channel, heard) = sync_channel(QUEUE);
    let names: Vec<String> = sources.iter().map(|s| s.name().to_owned()).collect();
    for (bus, source) in sources.into_iter().enumerate() {
        let outlet = Outlet { bus, channel: channel.clone(), stop: stop.clone() };
        // Not joined: the recorder ends when the last of them has dropped its end of the channel.
        std::thread::spawn(move || source.run(&outlet));
    }
    drop(channel);
    let mut recorder = tokio::task::spawn_blocking(move || Recorder::new(store, names, options).run(&heard));
    let result = tokio::select! {
        ended = &mut recorder => ended,
        () = shutdown => {
            stop.store(true, Ordering::Relaxed);
            recorder.await
        }
    };
    result.unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic()))
}

/// Should the recorder fail, or be given up in its midst, the sources must end too.
struct StopWhenDropped(Arc<AtomicBool>);

impl Drop for StopWhenDropped {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

struct Recorder {
    store: Writer,
    pipeline: Pipeline,
    /// The pipeline's number of each bus.
    buses: Vec<usize>,
    names: Vec<String>,
    options: RecordOptions,
    clock: SystemClock,
    commits: u64,
    disk: Disk,
    raw: Option<RawFrames>,
}

impl Recorder {
    fn new(store: Writer, names: Vec<String>, options: RecordOptions) -> Self {
        let mut pipeline = Pipeline::new(options.bus_protocols.clone());
        let buses = names.iter().map(|name| pipeline.bus(name)).collect();
        let disk = Disk::new(options.commit_every, options.keep);
        let raw = options.raw.clone().map(|raw| RawFrames::start(raw, names.clone()));
        Self { store, pipeline, buses, names, options, clock: SystemClock::start(), commits: 0, disk, raw }
    }

    fn run(mut self, heard: &Receiver<Heard>) -> Result<RunReport, StoreError> {
        let version = env!("CARGO_PKG_VERSION");
        self.pipeline.begin(&format!("recorder {version}"), Meaning::Absolute, &mut self.store);
        let details = json!({ "version": version, "configuration": self.options.configuration });
        let text = format!("recording started on {} with version {version}", self.names.join(", "));
        self.store.event(event(now(), "recording_started", None, text, &details));
        if let Some(aside) = &self.options.set_aside {
            let text = format!("the database before this one was damaged; it is set aside as {}", aside.display());
            let details = json!({ "file": aside.display().to_string() });
            self.store.event(event(now(), SET_ASIDE, None, text, &details));
        }
        let mut due = Instant::now() + self.keep();
        let mut looked = Instant::now();
        loop {
            let wake = due.min(looked + LOOK_EVERY);
            match heard.recv_timeout(wake.saturating_duration_since(Instant::now())) {
                Ok(Heard::Frame(bus, frame)) => {
                    self.notice_step();
                    if let Some(raw) = &mut self.raw {
                        raw.frame(bus, &frame);
                    }
                    self.pipeline.frame(self.buses[bus], frame, &mut self.store);
                }
                Ok(Heard::Readings(bus, readings)) => {
                    self.notice_step();
                    self.pipeline.readings(self.buses[bus], readings, &mut self.store);
                }
                Ok(Heard::Count(problem, n)) => self.pipeline.count(problem, n),
                Ok(Heard::Note(bus, kind, text)) => {
                    if kind == ASKED {
                        tracing::info!("{text}");
                    } else {
                        tracing::warn!("{text}");
                    }
                    if [BUS_LOST, BUS_BACK].contains(&kind) {
                        self.pipeline.set_gone(self.buses[bus], kind == BUS_LOST, &mut self.store);
                    }
                    self.store.event(event(now(), kind, self.names.get(bus).map(String::as_str), text, &json!({})));
                }
                Ok(Heard::Lost(bus, frames)) => self.pipeline.lost(self.buses[bus], now(), frames),
                Ok(Heard::BitRate(bus, bit_rate)) => self.pipeline.set_bit_rate(self.buses[bus], bit_rate),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return self.end(),
            }
            let now = Instant::now();
            if now >= looked + LOOK_EVERY {
                // A disk that made us wait is no silence of a bus: what was said meanwhile is still in the queue.
                self.pipeline.pass((now - looked).min(2 * LOOK_EVERY), &mut self.store);
                looked = now;
            }
            if now >= due {
                let wait = self.keep();
                due = Instant::now() + wait;
            }
        }
    }

    /// Before what came is used: it may be the first that carries the new time.
    fn notice_step(&mut self) {
        if let Some(step_us) = self.clock.step() {
            self.pipeline.system_stepped(step_us);
        }
    }

    /// Commits, or deals with a disk that refuses; how long until the next time.
    fn keep(&mut self) -> Duration {
        self.disk.look(&mut self.store, now());
        match self.commit() {
            Ok(()) => {
                let wait = self.disk.took(&mut self.store, now());
                if let Some(raw) = &mut self.raw {
                    raw.committed(&mut self.store, now());
                }
                wait
            }
            Err(e) => {
                if let Some(raw) = self.raw.as_mut().filter(|_| e.is_full()) {
                    raw.make_room();
                }
                self.disk.refused(&e, &mut self.store, now())
            }
        }
    }

    fn commit(&mut self) -> Result<(), StoreError> {
        self.pipeline.flush(&mut self.store);
        self.store.commit()?;
        self.commits += 1;
        self.notice_step();
        self.clock.refresh();
        Ok(())
    }

    fn end(mut self) -> Result<RunReport, StoreError> {
        self.pipeline.finish(&mut self.store);
        let totals = self.pipeline.totals();
        let details = json!({ "frames": totals.frames, "messages": totals.messages, "samples": totals.samples });
        let text = format!("recording stopped after {} frames", totals.frames);
        self.store.event(event(now(), "recording_stopped", None, text, &details));
        let sealed = self.store.seal();
        if let Some(raw) = self.raw.take() {
            raw.end(&mut self.store, now());
            // What became of the last of them.
            sealed?;
            self.store.seal()?;
        } else {
            sealed?;
        }
        Ok(RunReport { totals, commits: self.commits + 1 })
    }
}

/// The time of day.
pub(crate) fn now() -> Timestamp {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Timestamp::from_micros(i64::try_from(since.as_micros()).unwrap_or(i64::MAX))
}
