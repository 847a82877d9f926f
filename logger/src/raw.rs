//! Raw frames beside the recording: what the CAN buses carried goes, as it came, into a file of its own.
//!
//! Owes its reader: it never delays a sample and never ends a recording. A thread of its own packs and writes; where that
//! is behind, or the disk refuses, frames are given up, counted and said, and memory keeps its bound of three batches.

mod keeper;

use crate::bus::Frame;
use crate::pipeline::event;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Writer;
use ampwake_store::raw::{Batch, ERROR, EXTENDED, FD, REMOTE};
use keeper::{Job, Keeper, Shared};
use serde_json::json;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Between two lines in the log that say the same.
const SAID_EVERY: Duration = Duration::from_secs(60);
/// Remarks of the thread that wait for the next commit; more are in the log alone.
const MOST_REMARKS: usize = 16;

/// How raw frames are kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawOptions {
    /// The file.
    pub path: PathBuf,
    /// For so many days.
    pub days: u32,
    /// The most that it and the database may take together, in bytes.
    pub max_bytes: u64,
}

/// Something that is to stand in the database: kind of event, plain words.
type Remark = (&'static str, String);

/// The recorder's end.
pub(crate) struct RawFrames {
    batch: Batch,
    /// `None` at the end.
    jobs: Option<SyncSender<Job>>,
    remarks: Receiver<Remark>,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
    /// The database found no room: it comes first.
    waiting: bool,
    /// Frames are being given up since then, so many.
    losing: Option<(Timestamp, u64)>,
    said: Option<Instant>,
}

impl RawFrames {
    /// Begins to keep the frames of the buses with these names.
    pub(crate) fn start(options: RawOptions, buses: Vec<String>) -> Self {
        let (jobs, todo) = sync_channel(1);
        let (remark, remarks) = sync_channel(MOST_REMARKS);
        let shared = Arc::<Shared>::default();
        let keeper = Keeper::new(options, buses, shared.clone(), remark);
        let thread = std::thread::spawn(move || keeper.run(&todo));
        let (jobs, thread) = (Some(jobs), Some(thread));
        Self { batch: Batch::default(), jobs, remarks, shared, thread, waiting: false, losing: None, said: None }
    }

    /// Takes a frame of the bus with this number.
    pub(crate) fn frame(&mut self, bus: usize, frame: &Frame) {
        if self.batch.is_full() {
            self.hand_over();
        }
        let bits = [
            (frame.flags.extended, EXTENDED),
            (frame.flags.error, ERROR),
            (frame.flags.remote, REMOTE),
            (frame.flags.fd, FD),
        ];
        let flags = bits.iter().filter(|(set, _)| *set).map(|(_, bit)| bit).sum();
        if self.waiting || !self.batch.push(bus, frame.time, frame.id, flags, frame.data()) {
            self.shared.given_up.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// To the thread, if it is not busy; else the batch goes on.
    fn hand_over(&mut self) {
        let Some(jobs) = self.jobs.as_ref().filter(|_| !self.batch.is_empty()) else { return };
        let sent = jobs.try_send(Job::Frames(std::mem::take(&mut self.batch)));
        if let Err(TrySendError::Full(Job::Frames(batch)) | TrySendError::Disconnected(Job::Frames(batch))) = sent {
            self.batch = batch;
        }
    }

    /// After a commit that reached the disk: samples come first.
    pub(crate) fn committed(&mut self, store: &mut Writer, now: Timestamp) {
        self.waiting = false;
        if let Ok(bytes) = store.bytes() {
            self.shared.database_bytes.store(bytes, Ordering::Relaxed);
        }
        self.hand_over();
        self.tell(store, now);
    }

    /// The database found no room: raw frames make some, and none are kept until it has written.
    pub(crate) fn make_room(&mut self) {
        self.waiting = true;
        self.shared.given_up.fetch_add(self.batch.len() as u64, Ordering::Relaxed);
        self.batch = Batch::default();
        // While it is busy its own writing will meet the same disk; the next refusal asks again.
        let _ = self.jobs.as_ref().map(|jobs| jobs.try_send(Job::MakeRoom));
    }

    /// Puts what happened into the database.
    fn tell(&mut self, store: &mut Writer, now: Timestamp) {
        while let Ok((kind, text)) = self.remarks.try_recv() {
            store.event(event(now, kind, None, text, &json!({})));
        }
        let let_go = self.shared.let_go.swap(0, Ordering::Relaxed);
        if let_go > 0 {
            store.problem("raw_frame_let_go", let_go);
            let text =
                format!("the disk was full: the oldest {let_go} raw frames were let go to make room for samples");
            store.event(event(now, "raw_frames_let_go", None, text, &json!({ "frames": let_go })));
        }
        let given_up = self.shared.given_up.swap(0, Ordering::Relaxed);
        store.problem("raw_frame_given_up", given_up);
        match &mut self.losing {
            None if given_up > 0 => {
                self.losing = Some((now, given_up));
                let text = "raw frames cannot be kept and are given up: the disk refuses them or is too slow; samples are recorded";
                store.event(event(now, "raw_frames_given_up", None, text.to_owned(), &json!({ "frames": given_up })));
            }
            Some((_, sum)) if given_up > 0 => *sum += given_up,
            Some((since, sum)) => {
                let text = format!("raw frames are kept again; {sum} were given up since {since}");
                tracing::warn!("{text}");
                store.event(event(now, "raw_frames_back", None, text, &json!({ "frames": sum })));
                self.losing = None;
            }
            None => {}
        }
        if given_up > 0 && self.said.is_none_or(|at| at.elapsed() >= SAID_EVERY) {
            self.said = Some(Instant::now());
            let sum = self.losing.map_or(given_up, |(_, sum)| sum);
            tracing::error!("raw frames cannot be kept: {sum} were given up so far; samples are recorded");
        }
    }

    /// Writes what is left; the samples are on the disk already.
    pub(crate) fn end(mut self, store: &mut Writer, now: Timestamp) {
        if let Some(jobs) = self.jobs.take()
            && !self.batch.is_empty()
            && jobs.send(Job::Frames(std::mem::take(&mut self.batch))).is_err()
        {
            tracing::error!("the last raw frames were not kept");
        }
        // Its end of the channel is dropped: it ends when it has written them.
        if self.thread.take().is_some_and(|thread| thread.join().is_err()) {
            tracing::error!("raw frames were not kept to the end");
        }
        self.tell(store, now);
    }
}
