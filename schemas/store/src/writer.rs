//! Writing: everything is gathered in memory and goes to the disk in one transaction per commit.
//!
//! A recorder commits a *chunk* every few seconds: one row with everything since the last, so that a commit touches
//! few pages whatever the number of channels. When enough has come together all chunks are *sealed*: blocks, summaries
//! and rollups go in and the chunks go out, in one transaction. An import seals as it goes and writes no chunks.
//!
//! A commit that fails keeps what was gathered, so that the next one can try again; a program that dies
//! between two commits loses what came since the last.

use crate::error::StoreError;
use crate::gather::Gatherer;
use crate::lock::WriterLock;
use crate::retain::Retention;
use crate::store::Store;
use crate::streams::{StreamColumn, Streams};
use crate::trouble::FileId;
use crate::{ChannelId, Device, Event, SegmentId, StreamId, open, recover, rollup, trouble, write};
use ampwake_blocks::{Coding, MOST_COLUMNS};
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use std::collections::{BTreeMap, HashMap};
use std::ops::Deref;
use std::path::Path;
use std::time::{Duration, Instant};

/// Samples of the recorder that wait in memory and in chunks for their block: an hour at 100 per second.
const SEAL_SAMPLES: usize = 400_000;
/// How long they wait at most, where no hour of their own clock ends.
const SEAL_AFTER: Duration = Duration::from_secs(4200);
/// An hour that ends seals what came in it, so that its minutes are written together; but not more often than this.
const SEAL_LEAST: Duration = Duration::from_secs(300);
/// Samples of an import that wait for their block, over all streams: some 50 MB.
const BULK_SAMPLES: usize = 3_000_000;
/// The latest values are written at most this often.
const LATEST_EVERY: Duration = Duration::from_secs(60);

/// The one writer of a database. Reads as [`Store`] does (what is committed).
#[derive(Debug)]
pub struct Writer {
    // Before the lock: closing the connection clears the write-ahead log, and that is still writing.
    store: Store,
    channels: HashMap<ChannelAddress, (ChannelId, Unit)>,
    next_channel: i64,
    next_segment: i64,
    segment: Option<SegmentId>,
    /// The offset of every segment of this writer, ms, where one is known.
    offsets: HashMap<SegmentId, i64>,
    /// The offsets with which rollups are made: what was known when a segment's first block was.
    rollup_offsets: HashMap<SegmentId, i64>,
    streams: Streams,
    /// The stream of a channel that is written by itself.
    alone: HashMap<ChannelId, StreamId>,
    gatherer: Gatherer,
    /// An import: blocks as soon as they are full, no chunks.
    bulk: bool,
    /// Everything is to be sealed with the next commit.
    seal_due: bool,
    sealed: Instant,
    latest_written: Option<Instant>,
    pending: Pending,
    retention: Retention,
    /// Which file it is.
    file: Option<FileId>,
    _lock: WriterLock,
}

/// What waits for the next commit beside samples.
#[derive(Debug, Default)]
pub(crate) struct Pending {
    pub(crate) segments: Vec<(SegmentId, String)>,
    pub(crate) offsets: BTreeMap<SegmentId, (i64, String)>,
    /// New channels and renamed ones in the order in which it happened; the unit of new ones.
    pub(crate) channels: Vec<(ChannelId, ChannelAddress, Option<Unit>)>,
    pub(crate) events: Vec<(Option<SegmentId>, Event)>,
    /// By bus, address and NAME.
    pub(crate) devices: BTreeMap<(String, u8, Option<u64>), Seen>,
    pub(crate) problems: BTreeMap<String, u64>,
    /// What could not be read: segment, what was wrong, the bytes.
    pub(crate) damaged: Vec<(SegmentId, String, Vec<u8>)>,
    /// Facts about the file; `None` removes one.
    pub(crate) meta: Vec<(&'static str, Option<String>)>,
}

/// A device and the segments of its first and last times.
#[derive(Debug)]
pub(crate) struct Seen {
    pub(crate) device: Device,
    pub(crate) first_segment: Option<SegmentId>,
    pub(crate) last_segment: Option<SegmentId>,
}

impl Deref for Writer {
    type Target = Store;
    fn deref(&self) -> &Store {
        &self.store
    }
}

impl Store {
    /// Opens a database for writing, and makes it if there is none. What a power cut left unsealed is sealed, an
    /// import that was broken off is taken out again.
    ///
    /// # Errors
    /// Another writer has it, the file is no Ampwake database, or it cannot be written.
    pub fn create(path: impl AsRef<Path>) -> Result<Writer, StoreError> {
        let path = path.as_ref();
        let lock = WriterLock::take(path)?;
        let store = Store { connection: open::create_or_append(path)?, path: path.to_owned() };
        let channels = store.channels()?.into_iter().map(|c| (c.address, (c.id, c.unit))).collect();
        let next = |table| -> Result<i64, StoreError> {
            let sql = format!("SELECT coalesce(max(id), 0) + 1 FROM {table}");
            Ok(store.rows("cannot read", &sql, [], |row| row.get(0))?[0])
        };
        let (next_channel, next_segment) = (next("channel")?, next("segment")?);
        let streams = Streams::stored(store.stream_columns()?);
        let mut writer = Writer {
            store,
            channels,
            next_channel,
            next_segment,
            segment: None,
            offsets: HashMap::new(),
            rollup_offsets: HashMap::new(),
            streams,
            alone: HashMap::new(),
            gatherer: Gatherer::default(),
            bulk: false,
            seal_due: false,
            sealed: Instant::now(),
            latest_written: None,
            pending: Pending::default(),
            retention: Retention::default(),
            file: FileId::of(path),
            _lock: lock,
        };
        recover::recover(&mut writer)?;
        Ok(writer)
    }
}

impl Writer {
    /// Begins a segment; what is appended from here on belongs to it.
    pub fn begin_segment(&mut self, source: &str) -> SegmentId {
        self.finish_all();
        self.gatherer.forget_carries();
        let id = SegmentId(self.next_segment);
        self.next_segment += 1;
        self.segment = Some(id);
        self.pending.segments.push((id, source.to_owned()));
        id
    }

    /// What readers add to the recorder's time in that segment, ms, and how it is known.
    pub fn set_segment_offset(&mut self, segment: SegmentId, offset_ms: i64, note: &str) {
        self.offsets.insert(segment, offset_ms);
        self.pending.offsets.insert(segment, (offset_ms, note.to_owned()));
    }

    /// An import begins: blocks are written as soon as they are full, and until [`Writer::end_bulk`] has been
    /// committed everything from here on is taken out again by the next writer.
    pub fn begin_bulk(&mut self) {
        self.finish_all();
        self.bulk = true;
        // Without it the import is a little slower, and no less right.
        let _ = self.store.connection.pragma_update(None, "cache_size", open::BULK_CACHE_KB);
        self.pending.meta.push((open::UNFINISHED, Some(self.next_segment.to_string())));
    }

    /// The import is complete; takes effect with the next commit.
    pub fn end_bulk(&mut self) {
        self.finish_all();
        self.bulk = false;
        self.pending.meta.push((open::UNFINISHED, None));
    }

    /// The channel's number; the channel is made if it is new.
    ///
    /// # Errors
    /// [`StoreError::UnitChanged`] when it was recorded in another unit.
    pub fn channel(&mut self, address: &ChannelAddress, unit: Unit) -> Result<ChannelId, StoreError> {
        if let Some(&(id, recorded)) = self.channels.get(address) {
            if recorded == unit {
                return Ok(id);
            }
            return Err(StoreError::UnitChanged {
                address: address.to_string(),
                recorded: recorded.text().to_owned(),
                wanted: unit.text().to_owned(),
            });
        }
        let id = ChannelId(self.next_channel);
        self.next_channel += 1;
        self.channels.insert(address.clone(), (id, unit));
        self.pending.channels.push((id, address.clone(), Some(unit)));
        Ok(id)
    }

    /// The number of a channel, committed or not; `None` when there is none with this address.
    pub fn known_channel(&self, address: &ChannelAddress) -> Option<ChannelId> {
        self.channels.get(address).map(|(id, _)| *id)
    }

    /// Number of channels, committed or not.
    pub fn channel_count(&self) -> usize {
        self.channels.len()
    }

    /// Gives a channel another address; its samples stay with it. Nothing happens (`false`) when the channel is
    /// not there under `from`, or when `to` is taken.
    pub fn rename_channel(&mut self, from: &ChannelAddress, to: &ChannelAddress) -> bool {
        if self.channels.contains_key(to) {
            return false;
        }
        let Some(entry) = self.channels.remove(from) else { return false };
        self.pending.channels.push((entry.0, to.clone(), None));
        self.channels.insert(to.clone(), entry);
        true
    }

    /// The stream of channels that arrive together, with what their raw numbers mean; made if it is new.
    ///
    /// # Errors
    /// [`StoreError::TooWide`] for more than [`MOST_COLUMNS`] columns.
    pub fn stream(&mut self, columns: &[StreamColumn]) -> Result<StreamId, StoreError> {
        if columns.is_empty() || columns.len() > MOST_COLUMNS {
            return Err(StoreError::TooWide { path: self.store.path.clone(), columns: columns.len() });
        }
        Ok(self.streams.of(columns.to_vec()))
    }

    /// Adds one row of a stream; `time` is the recorder's own. `raws` holds a raw number per column (a float's bits),
    /// `codes` a [`Reading::code`]; a number has a meaning where its code is 0.
    #[inline]
    pub fn append_row(&mut self, stream: StreamId, time: Timestamp, raws: &[i64], codes: &[u8]) {
        if self.segment.is_none() {
            self.begin_segment("");
        }
        let Some(stream) = self.streams.get(stream) else { return };
        debug_assert!(raws.len() == stream.columns.len() && codes.len() == stream.columns.len());
        let full = self.gatherer.push(stream, time.millis(), raws, codes);
        if self.bulk && (full || self.gatherer.samples() > BULK_SAMPLES) {
            self.finish(full.then_some(stream.index));
        }
    }

    /// Adds one sample; `time` is the recorder's own. A value that is not finite is kept as "out of range".
    pub fn append(&mut self, channel: ChannelId, time: Timestamp, reading: Reading) {
        let stream = match self.alone.get(&channel) {
            Some(stream) => *stream,
            None => {
                let stream = self.streams.of(vec![StreamColumn { channel, coding: Coding::Float }]);
                self.alone.insert(channel, stream);
                stream
            }
        };
        let (value, code) = match reading {
            Reading::Value(v) if !v.is_finite() => (0.0, Reading::OutOfRange.code()),
            Reading::Value(v) => (v, 0),
            other => (0.0, other.code()),
        };
        self.append_row(stream, time, &[value.to_bits() as i64], &[code]);
    }

    /// Where the present rows belong, and the offset with which they are rolled up.
    fn rows_belong(&mut self) -> (SegmentId, i64) {
        let segment = self.segment.unwrap_or(SegmentId(0));
        let known = self.offsets.get(&segment).copied().unwrap_or(0);
        (segment, *self.rollup_offsets.entry(segment).or_insert(known))
    }

    /// What one stream has gathered, or all have, becomes blocks.
    fn finish(&mut self, index: Option<usize>) {
        let (segment, offset_ms) = self.rows_belong();
        match index.and_then(|index| self.streams.at(index)) {
            Some(stream) => self.gatherer.finish(stream, segment, offset_ms),
            None => self.gatherer.finish_all(&self.streams, segment, offset_ms),
        }
    }

    /// Everything gathered becomes blocks, which the next commit writes.
    fn finish_all(&mut self) {
        self.finish(None);
        self.seal_due = true;
    }

    /// Keeps an event; its time is the recorder's own.
    pub fn event(&mut self, event: Event) {
        self.pending.events.push((self.segment, event));
    }

    /// Keeps what is known of a device: new ones are added, known ones get their address, last time and, where
    /// given, product information.
    pub fn device(&mut self, device: Device) {
        let key = (device.bus.clone(), device.address, device.name);
        match self.pending.devices.get_mut(&key) {
            Some(seen) => {
                seen.last_segment = self.segment;
                seen.device.last = device.last;
                if !matches!(device.product.as_str(), "" | "{}") {
                    seen.device.product = device.product;
                }
            }
            None => {
                let seen = Seen { device, first_segment: self.segment, last_segment: self.segment };
                self.pending.devices.insert(key, seen);
            }
        }
    }

    /// Counts `n` more of a problem.
    pub fn problem(&mut self, name: &str, n: u64) {
        if n == 0 {
            return;
        }
        match self.pending.problems.get_mut(name) {
            Some(count) => *count += n,
            None => {
                self.pending.problems.insert(name.to_owned(), n);
            }
        }
    }

    /// Number of samples that wait for the next commit; of an import those that have their block.
    pub fn pending(&self) -> usize {
        match self.bulk {
            true => self.gatherer.finished_samples,
            false => self.gatherer.finished_samples + self.gatherer.uncommitted,
        }
    }

    /// Puts everything since the last commit on the disk, all of it or nothing. (An import keeps what has no full
    /// block yet for later.) Now and then this seals.
    ///
    /// # Errors
    /// The disk is full or failing; what was gathered is kept for the next attempt.
    pub fn commit(&mut self) -> Result<(), StoreError> {
        self.commit_at(Instant::now())
    }

    /// [`Writer::commit`] at a moment of another clock, always the same one: for whoever records faster than time passes.
    ///
    /// # Errors
    /// As [`Writer::commit`].
    pub fn commit_at(&mut self, now: Instant) -> Result<(), StoreError> {
        // Not on top of blocks that a commit could not write: they are the memory's bound.
        if !self.bulk && self.gatherer.finished.is_empty() && self.is_time_to_seal(now) {
            self.finish_all();
        }
        let since = |then: Instant| now.saturating_duration_since(then);
        let latest_due = !self.bulk && self.latest_written.is_none_or(|then| since(then) >= LATEST_EVERY);
        let batch = write::Batch {
            pending: &self.pending,
            rollup_offsets: &self.rollup_offsets,
            streams: self.streams.fresh(),
            finished: &self.gatherer.finished,
            sealing: self.seal_due,
            bulk: self.bulk,
            segment: self.segment,
            chunk: if self.bulk { Vec::new() } else { self.gatherer.uncommitted(&self.streams) },
            latest: if latest_due { self.gatherer.latest(&self.streams) } else { Vec::new() },
        };
        let written = write::write(&mut self.store, &batch);
        let moved = written.map_err(StoreError::sqlite(&self.store.path, "cannot write"))?;
        self.rollup_offsets.extend(moved);
        self.gatherer.committed(!self.bulk);
        self.streams.committed();
        let done = std::mem::take(&mut self.pending);
        if self.bulk {
            // Counts and devices cannot be taken out again, so they wait for the end of the import.
            self.pending.problems = done.problems;
            self.pending.devices = done.devices;
        }
        if latest_due {
            self.latest_written = Some(now);
        }
        if std::mem::take(&mut self.seal_due) {
            self.sealed = now;
        }
        Ok(())
    }

    fn is_time_to_seal(&mut self, now: Instant) -> bool {
        let waited = now.saturating_duration_since(self.sealed);
        let (_, offset_ms) = self.rows_belong();
        let hour_ended = || {
            let ends = self.gatherer.ends();
            ends.is_some_and(|(first, last)| {
                rollup::hour(first.saturating_add(offset_ms)) < rollup::hour(last.saturating_add(offset_ms))
            })
        };
        self.gatherer.samples() >= SEAL_SAMPLES || waited >= SEAL_AFTER || waited >= SEAL_LEAST && hour_ended()
    }

    /// Commits, with everything sealed: what a recording leaves when it ends.
    ///
    /// # Errors
    /// As [`Writer::commit`].
    pub fn seal(&mut self) -> Result<(), StoreError> {
        self.finish_all();
        self.latest_written = None;
        self.commit()
    }

    /// Everything that is in memory goes into another file, which is empty.
    pub(crate) fn write_all_anew(&mut self) {
        let pending = &mut self.pending;
        pending.channels =
            self.channels.iter().map(|(address, (id, unit))| (*id, address.clone(), Some(*unit))).collect();
        pending.segments = trouble::segments(&self.gatherer, self.segment)
            .into_iter()
            .map(|id| (id, "goes on from a damaged file".to_owned()))
            .collect();
        pending.events.retain(|(segment, _)| segment.is_none_or(|id| pending.segments.iter().any(|s| s.0 == id)));
        pending.offsets =
            self.offsets.iter().map(|(id, ms)| (*id, (*ms, "as in the damaged file".to_owned()))).collect();
        pending.offsets.retain(|id, _| pending.segments.iter().any(|s| s.0 == *id));
        self.streams.uncommit();
        self.gatherer.uncommit();
        self.latest_written = None;
        self.retention = Retention::default();
        self.file = FileId::of(&self.store.path);
    }

    pub(crate) fn file(&self) -> Option<FileId> {
        self.file
    }

    /// These numbers are free again.
    pub(crate) fn forget_segments_from(&mut self, first: i64) {
        self.next_segment = first;
    }

    pub(crate) fn retention(&mut self) -> &mut Retention {
        &mut self.retention
    }

    pub(crate) fn parts(&mut self) -> (&mut Store, &mut Streams, &mut Gatherer, &mut Pending) {
        (&mut self.store, &mut self.streams, &mut self.gatherer, &mut self.pending)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_disk_costs_nothing_once_there_is_room_again() {
        let dir = tempfile::tempdir().unwrap();
        let mut w = Store::create(dir.path().join("voyage.db")).unwrap();
        w.begin_segment("test");
        let channel = w.channel(&"can0/n2k/127508/0/battery_voltage".parse().unwrap(), Unit::Volt).unwrap();
        w.problem("damaged_line", 3);
        for t in 0..20_000_i64 {
            let noise = (t * 2_654_435_761).rem_euclid(1 << 32) as f64 / 7.0;
            w.append(channel, Timestamp::from_millis(t), Reading::Value(noise));
        }
        let limit = |w: &Writer, pages: i64| {
            let sql = format!("PRAGMA max_page_count = {pages}");
            w.store.connection.query_row(&sql, [], |row| row.get::<_, i64>(0)).unwrap()
        };
        limit(&w, 40);
        let error = w.commit().unwrap_err().to_string();
        assert!(error.contains("voyage.db") && error.contains("make room on the disk"), "{error}");
        assert_eq!((w.pending(), w.channels().unwrap().len()), (20_000, 0), "all or nothing");
        limit(&w, 1_000_000);
        w.append(channel, Timestamp::from_millis(20_000), Reading::Value(20_000.0));
        w.commit().unwrap();
        assert_eq!((w.pending(), w.channels().unwrap()[0].samples), (0, 20_001));
        assert_eq!(w.problems().unwrap()["damaged_line"], 3);
    }
}
