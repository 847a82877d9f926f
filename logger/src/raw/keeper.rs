//! The thread that packs and writes raw frames, and lets go what is old or in the way.
//!
//! Owes its reader: whatever the disk does, it goes on with the next batch; a damaged file is set aside; the oldest
//! frames go before a sample has to.

use super::{RawOptions, Remark, SAID_EVERY};
use crate::record::now;
use ampwake_store::StoreError;
use ampwake_store::raw::{Batch, Packed, RawWriter};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender};
use std::time::{Duration, Instant};

/// What is let go at once where the disk is full: hours of a database.
const ROOM: u64 = 32_000_000;
/// After a full disk the file keeps below the size that it had then, for so long.
const MODEST_FOR: Duration = Duration::from_secs(3600);
/// A file that is called damaged so often in a row is set aside.
const DAMAGED: u32 = 3;
/// Between two looks at what has grown old.
const LOOK_EVERY: Duration = Duration::from_secs(3600);
/// Steps towards a size at once; the next batch goes on.
const STEPS: usize = 16;

/// What there is to do.
pub(super) enum Job {
    /// Keep these frames.
    Frames(Batch),
    /// The database found no room.
    MakeRoom,
}

/// What both ends know.
#[derive(Debug, Default)]
pub(super) struct Shared {
    /// What the database takes.
    pub(super) database_bytes: AtomicU64,
    /// Frames that were not kept, since it was last told.
    pub(super) given_up: AtomicU64,
    /// Frames that had been kept and made room on a full disk, since it was last told.
    pub(super) let_go: AtomicU64,
}

pub(super) struct Keeper {
    options: RawOptions,
    buses: Vec<String>,
    shared: Arc<Shared>,
    remarks: SyncSender<Remark>,
    writer: Option<RawWriter>,
    /// The file may not grow beyond this, since then: the disk was full.
    modest: Option<(u64, Instant)>,
    /// So many failures in a row called the file damaged.
    damaged: u32,
    looked: Option<Instant>,
    said: Option<Instant>,
    /// It was said that `max_gb` leaves less than `raw_days`.
    short: bool,
}

impl Keeper {
    pub(super) fn new(
        options: RawOptions,
        buses: Vec<String>,
        shared: Arc<Shared>,
        remarks: SyncSender<Remark>,
    ) -> Self {
        Self {
            options,
            buses,
            shared,
            remarks,
            writer: None,
            modest: None,
            damaged: 0,
            looked: None,
            said: None,
            short: false,
        }
    }

    pub(super) fn run(mut self, todo: &Receiver<Job>) {
        while let Ok(job) = todo.recv() {
            match job {
                Job::Frames(batch) => self.keep(&batch),
                Job::MakeRoom => self.make_room(),
            }
        }
    }

    /// Writes a batch or gives it up.
    fn keep(&mut self, batch: &Batch) {
        let packed = match batch.pack(&self.buses) {
            Ok(packed) => packed,
            Err(e) => return self.give_up(batch.len(), &e.to_string()),
        };
        let mut result = self.write(&packed);
        if result.as_ref().is_err_and(StoreError::is_full) {
            self.make_room();
            result = self.write(&packed);
        }
        match result {
            Ok(true) => self.damaged = 0,
            Ok(false) => self.give_up(batch.len(), "`max_gb` leaves no room for them beside the samples"),
            Err(e) => {
                // After an error of the disk SQLite calls a sound file malformed until it is opened again.
                self.writer = None;
                self.damaged = if e.is_damage() { self.damaged + 1 } else { 0 };
                if self.damaged >= DAMAGED && self.set_aside(&e) && self.write(&packed).is_ok_and(|written| written) {
                    return;
                }
                self.give_up(batch.len(), &e.to_string());
            }
        }
    }

    /// False where there is no room for it within `max_gb`.
    fn write(&mut self, packed: &Packed) -> Result<bool, StoreError> {
        if self.writer.is_some() && !self.options.path.exists() {
            self.remark(
                "raw_file_removed",
                "the file of raw frames was removed while it was written; it is begun anew",
            );
            self.writer = None;
        }
        let most = self.most();
        let writer = match &mut self.writer {
            Some(writer) => writer,
            closed => closed.insert(RawWriter::open(&self.options.path)?),
        };
        let mut gone = 0;
        if self.looked.is_none_or(|at| at.elapsed() >= LOOK_EVERY) {
            writer.let_go(self.options.days, now())?;
            self.looked = Some(Instant::now());
        }
        let mut fits = false;
        for _ in 0..STEPS {
            let freed = writer.shrink(most, packed.data.len() as u64)?;
            gone += freed.frames;
            fits = freed.fits;
            if freed.fits || freed.frames == 0 {
                break;
            }
        }
        if fits {
            writer.append(packed)?;
        }
        if gone > 0 && !std::mem::replace(&mut self.short, true) {
            let days = self.options.days;
            self.remark(
                "raw_frames_short",
                &format!("there is no room for {days} days of raw frames: the oldest go earlier"),
            );
        }
        Ok(fits)
    }

    /// What the file may take: what `max_gb` leaves beside the samples, whose own limit begins a little higher
    /// (`ampwake_store::Keep`), so that raw frames are gone before a sample has to go.
    fn most(&mut self) -> u64 {
        let max = self.options.max_bytes;
        let beside = (max - max / 10).saturating_sub(self.shared.database_bytes.load(Ordering::Relaxed));
        self.modest.take_if(|(_, since)| since.elapsed() >= MODEST_FOR);
        self.modest.map_or(beside, |(most, _)| most.min(beside))
    }

    /// The disk is full: the oldest frames go, and where even that cannot be written, all of them.
    fn make_room(&mut self) {
        if self.writer.is_none() {
            self.writer = self.options.path.exists().then(|| RawWriter::open(&self.options.path).ok()).flatten();
        }
        let Some(writer) = &mut self.writer else { return };
        let mut let_go = 0;
        let mut free = || -> Result<u64, StoreError> {
            let most = writer.bytes()?.saturating_sub(ROOM);
            // Two megabytes or so each.
            for _ in 0..2 * STEPS {
                let freed = writer.shrink(most, 0)?;
                let_go += freed.frames;
                if writer.bytes()? <= most || freed.frames == 0 && most == 0 {
                    break;
                }
            }
            Ok(most)
        };
        match free() {
            Ok(most) => self.modest = Some((most, Instant::now())),
            Err(e) if !e.is_full() => {
                tracing::error!("{e}");
                self.writer = None;
            }
            Err(e) => {
                tracing::error!("{e}; to make room for samples all raw frames are let go");
                self.writer = None;
                let_go += self.remove();
                self.modest = Some((0, Instant::now()));
            }
        }
        if let_go > 0 {
            tracing::error!("the disk is full: the oldest {let_go} raw frames are let go to make room for samples");
            self.shared.let_go.fetch_add(let_go, Ordering::Relaxed);
        }
    }

    /// Deletes the file; the number of its frames, as far as it can be told.
    fn remove(&self) -> u64 {
        let count = RawWriter::open(&self.options.path).and_then(|w| w.frames()).unwrap_or(1);
        match RawWriter::remove(&self.options.path) {
            Ok(()) => count,
            Err(e) => {
                tracing::error!("{e}");
                0
            }
        }
    }

    fn set_aside(&mut self, why: &StoreError) -> bool {
        self.damaged = 0;
        match RawWriter::set_aside(&self.options.path) {
            Ok(aside) => {
                let text =
                    format!("the file of raw frames was damaged ({why}); it is set aside as {}", aside.display());
                self.remark("raw_file_set_aside", &text);
                true
            }
            Err(_) => false,
        }
    }

    fn give_up(&mut self, frames: usize, why: &str) {
        self.shared.given_up.fetch_add(frames as u64, Ordering::Relaxed);
        if self.said.is_none_or(|at| at.elapsed() >= SAID_EVERY) {
            self.said = Some(Instant::now());
            tracing::error!("raw frames are given up, samples are recorded: {why}");
        }
    }

    fn remark(&self, kind: &'static str, text: &str) {
        tracing::warn!("{text}");
        // Where too many wait, the log alone has it.
        let _ = self.remarks.try_send((kind, text.to_owned()));
    }
}
