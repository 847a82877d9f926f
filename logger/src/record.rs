//! The recorder: takes what the buses say from one bounded channel, commits at its interval, and ends cleanly.
//!
//! Owes its reader: what was handed on by a bus before the stop is in the database after it; a commit that
//! fails is tried again ([`crate::disk`]); memory has a bound.

use crate::bus::source::{ASKED, BUS_BACK, BUS_LOST, Heard, Source};
use crate::bus::stamps::Meaning;
use crate::dialect::{Dialect, Dialects};
use crate::disk::{Disk, SET_ASIDE};
use crate::pipeline::{Pipeline, Totals, event};
use crate::raw::{RawFrames, RawOptions};
use crate::system_clock::SystemClock;
use crate::threads::Threads;
use crate::watch::{BusFigures, Figures, Watch};
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Keep, StoreError, Writer};
use serde_json::json;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Frames on their way: eight seconds of a full 250 kbit/s bus while the disk is busy.
const QUEUE: usize = 16_384;
/// How often it is looked whether a bus has fallen silent.
pub(crate) const LOOK_EVERY: Duration = Duration::from_secs(5);

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

/// What is another from some moment on, while the recording goes on.
#[derive(Debug)]
pub struct Change {
    /// How to record from now on.
    pub(crate) options: RecordOptions,
    /// Buses that are new, under the numbers that follow the known ones.
    pub(crate) added: Vec<String>,
    /// Numbers of buses that are recorded no more.
    pub(crate) removed: Vec<usize>,
    /// Buses that are to be decoded in another way.
    pub(crate) speak: Vec<(String, Vec<Dialect>)>,
    /// In plain words, for the log and the database.
    pub(crate) text: String,
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
    let (mut threads, recorder) = start(sources, store, options, None);
    threads.complete();
    let mut recorder = tokio::task::spawn_blocking(recorder);
    let result = tokio::select! {
        ended = &mut recorder => ended,
        () = shutdown => {
            drop(threads);
            recorder.await
        }
    };
    result.unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic()))
}

/// Lets the sources read, under their places in the list; the recorder is to be run on a thread that may block.
pub(crate) fn start(
    sources: Vec<Box<dyn Source>>,
    store: Writer,
    options: RecordOptions,
    watch: Option<(Arc<Watch>, Duration)>,
) -> (Threads, impl FnOnce() -> Result<RunReport, StoreError> + Send + 'static) {
    let (channel, heard) = sync_channel(QUEUE);
    let names: Vec<String> = sources.iter().map(|s| s.name().to_owned()).collect();
    let mut threads = Threads::new(channel);
    for (bus, source) in sources.into_iter().enumerate() {
        threads.start(bus, source, i64::MIN);
    }
    (threads, move || Recorder::new(store, names, options, watch).run(&heard))
}

struct Recorder {
    store: Writer,
    pipeline: Pipeline,
    /// The pipeline's number of each bus.
    buses: Vec<usize>,
    names: Vec<String>,
    /// What each bus brought.
    heard: Vec<BusFigures>,
    options: RecordOptions,
    clock: SystemClock,
    commits: u64,
    started: Timestamp,
    last_commit: Option<Timestamp>,
    disk: Disk,
    raw: Option<RawFrames>,
    watch: Option<Arc<Watch>>,
    look_every: Duration,
    /// The supervisor's tick of the last sign of life.
    ticks: u64,
}

impl Recorder {
    fn new(store: Writer, names: Vec<String>, options: RecordOptions, watch: Option<(Arc<Watch>, Duration)>) -> Self {
        let pipeline = Pipeline::new(options.bus_protocols.clone());
        let disk = Disk::new(options.commit_every, options.keep);
        let look_every = watch.as_ref().map_or(LOOK_EVERY, |(_, every)| LOOK_EVERY.min(*every));
        let mut recorder = Self {
            store,
            pipeline,
            buses: Vec::new(),
            names: Vec::new(),
            heard: Vec::new(),
            options,
            clock: SystemClock::start(),
            commits: 0,
            started: now(),
            last_commit: None,
            disk,
            raw: None,
            watch: watch.map(|(watch, _)| watch),
            look_every,
            ticks: 0,
        };
        names.into_iter().for_each(|name| recorder.add(name));
        recorder.keep_raw();
        recorder
    }

    /// One more bus.
    fn add(&mut self, name: String) {
        self.buses.push(self.pipeline.bus(&name));
        self.heard.push(BusFigures { name: name.clone(), ..BusFigures::default() });
        self.names.push(name);
    }

    fn keep_raw(&mut self) {
        self.raw = self.options.raw.clone().map(|raw| RawFrames::start(raw, self.names.clone()));
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
        self.show();
        loop {
            let wake = due.min(looked + self.look_every);
            match heard.recv_timeout(wake.saturating_duration_since(Instant::now())) {
                Ok(Heard::Frame(bus, frame)) => {
                    self.notice_step();
                    if let Some(raw) = &mut self.raw {
                        raw.frame(bus, &frame);
                    }
                    self.heard[bus].frames += 1;
                    self.heard[bus].heard = Some(frame.time);
                    self.pipeline.frame(self.buses[bus], frame, &mut self.store);
                }
                Ok(Heard::Readings(bus, readings)) => {
                    self.notice_step();
                    self.heard[bus].frames += 1;
                    self.heard[bus].heard = Some(readings.time);
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
                        self.heard[bus].gone = kind == BUS_LOST;
                        self.pipeline.set_gone(self.buses[bus], kind == BUS_LOST, &mut self.store);
                    }
                    self.store.event(event(now(), kind, self.names.get(bus).map(String::as_str), text, &json!({})));
                }
                Ok(Heard::Lost(bus, frames)) => {
                    self.heard[bus].lost += u64::from(frames);
                    self.pipeline.lost(self.buses[bus], now(), frames);
                }
                Ok(Heard::BitRate(bus, bit_rate)) => self.pipeline.set_bit_rate(self.buses[bus], bit_rate),
                Ok(Heard::Change(change)) => {
                    self.change(*change);
                    due = due.min(Instant::now() + self.options.commit_every);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return self.end(),
            }
            let now = Instant::now();
            let look = now >= looked + self.look_every;
            if look {
                // A disk that made us wait is no silence of a bus: what was said meanwhile is still in the queue.
                self.pipeline.pass((now - looked).min(2 * LOOK_EVERY), &mut self.store);
                looked = now;
            }
            if now >= due {
                let wait = self.keep();
                due = Instant::now() + wait;
            }
            if look {
                self.show();
            }
        }
    }

    /// A sign of life: all that was due is done, the pipeline was passed through, and the supervisor is there too.
    fn show(&mut self) {
        let Some(watch) = &self.watch else { return };
        let ticks = watch.ticks();
        if ticks == self.ticks {
            return;
        }
        self.ticks = ticks;
        let totals = self.pipeline.totals();
        watch.alive(Figures {
            started: self.started,
            frames: totals.frames,
            messages: totals.messages,
            samples: totals.samples,
            clock_steps: totals.clock_steps,
            commits: self.commits,
            last_commit: self.last_commit,
            refused_since: self.disk.refused_since(),
            waiting: self.store.pending() as u64,
            given_up: self.disk.given_up(),
            database_bytes: self.store.bytes().unwrap_or_default(),
            buses: self.heard.clone(),
        });
    }

    /// Goes on in another way; what is not named in the change is not touched.
    fn change(&mut self, change: Change) {
        tracing::info!("{}", change.text);
        let details = json!({ "configuration": change.options.configuration });
        self.store.event(event(now(), "configuration_changed", None, change.text, &details));
        for bus in change.removed {
            self.heard[bus].removed = true;
            self.pipeline.set_gone(self.buses[bus], true, &mut self.store);
        }
        for (name, dialects) in change.speak {
            self.pipeline.speak(&name, dialects, &mut self.store);
        }
        let news = !change.added.is_empty();
        for name in change.added {
            self.add(name);
            if let Some(bus) = self.buses.last() {
                self.pipeline.set_gone(*bus, false, &mut self.store);
            }
        }
        let options = std::mem::replace(&mut self.options, change.options);
        self.disk.set(self.options.commit_every, self.options.keep);
        if self.options.raw != options.raw || news && self.raw.is_some() {
            if let Some(raw) = self.raw.take() {
                raw.end(&mut self.store, now());
            }
            self.keep_raw();
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
        self.last_commit = Some(now());
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
