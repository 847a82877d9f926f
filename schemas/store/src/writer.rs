//! Writing: everything is gathered in memory and goes to the disk in one transaction per commit.
//!
//! A commit that fails keeps what was gathered, so that the next one can try again; a program that dies
//! between two commits loses what came since the last.

use crate::error::StoreError;
use crate::lock::WriterLock;
use crate::store::Store;
use crate::{ChannelId, Device, Event, SegmentId, open};
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use rusqlite::{Transaction, params};
use std::collections::{BTreeMap, HashMap};
use std::ops::Deref;
use std::path::Path;

/// The one writer of a database. Reads as [`Store`] does (what is committed).
#[derive(Debug)]
pub struct Writer {
    // Before the lock: closing the connection clears the write-ahead log, and that is still writing.
    store: Store,
    channels: HashMap<ChannelAddress, (ChannelId, Unit)>,
    next_channel: i64,
    next_segment: i64,
    segment: Option<SegmentId>,
    /// Order of arrival within the segment.
    seq: i64,
    pending: Pending,
    _lock: WriterLock,
}

#[derive(Debug, Default)]
struct Pending {
    segments: Vec<(SegmentId, String)>,
    offsets: BTreeMap<SegmentId, (i64, String)>,
    /// New channels and renamed ones in the order in which it happened; the unit of new ones.
    channels: Vec<(ChannelId, ChannelAddress, Option<Unit>)>,
    samples: Vec<Sample>,
    events: Vec<(Option<SegmentId>, Event)>,
    devices: Vec<(Option<SegmentId>, Device)>,
    problems: BTreeMap<String, u64>,
}

#[derive(Debug, Clone, Copy)]
struct Sample {
    channel: ChannelId,
    segment: SegmentId,
    t_ms: i64,
    seq: i64,
    reading: Reading,
}

impl Deref for Writer {
    type Target = Store;
    fn deref(&self) -> &Store {
        &self.store
    }
}

impl Store {
    /// Opens a database for writing, and makes it if there is none.
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
        Ok(Writer {
            store,
            channels,
            next_channel,
            next_segment,
            segment: None,
            seq: 0,
            pending: Pending::default(),
            _lock: lock,
        })
    }
}

impl Writer {
    /// Begins a segment; what is appended from here on belongs to it.
    pub fn begin_segment(&mut self, source: &str) -> SegmentId {
        let id = SegmentId(self.next_segment);
        self.next_segment += 1;
        self.segment = Some(id);
        self.seq = 0;
        self.pending.segments.push((id, source.to_owned()));
        id
    }

    /// What readers add to the recorder's time in that segment, ms, and how it is known.
    pub fn set_segment_offset(&mut self, segment: SegmentId, offset_ms: i64, note: &str) {
        self.pending.offsets.insert(segment, (offset_ms, note.to_owned()));
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

    /// Adds one sample; `time` is the recorder's own. A value that is not finite is kept as "out of range".
    pub fn append(&mut self, channel: ChannelId, time: Timestamp, reading: Reading) {
        let segment = match self.segment {
            Some(segment) => segment,
            None => self.begin_segment(""),
        };
        let reading = match reading {
            Reading::Value(v) if !v.is_finite() => Reading::OutOfRange,
            other => other,
        };
        self.pending.samples.push(Sample { channel, segment, t_ms: time.millis(), seq: self.seq, reading });
        self.seq += 1;
    }

    /// Keeps an event; its time is the recorder's own.
    pub fn event(&mut self, event: Event) {
        self.pending.events.push((self.segment, event));
    }

    /// Keeps what is known of a device: new ones are added, known ones get their address, last time and, where
    /// given, product information.
    pub fn device(&mut self, device: Device) {
        self.pending.devices.push((self.segment, device));
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

    /// Number of samples that wait for the next commit.
    pub fn pending(&self) -> usize {
        self.pending.samples.len()
    }

    /// Puts everything since the last commit on the disk, all of it or nothing.
    ///
    /// # Errors
    /// The disk is full or failing; what was gathered is kept for the next attempt.
    pub fn commit(&mut self) -> Result<(), StoreError> {
        // In the order of the key: each channel's samples go to one place. The sort is stable and arrival is
        // part of the key, so nothing changes its order.
        self.pending.samples.sort_unstable_by_key(|s| (s.channel, s.segment, s.t_ms, s.seq));
        let written = write(&mut self.store, &self.pending);
        written.map_err(StoreError::sqlite(&self.store.path, "cannot write"))?;
        let samples = std::mem::take(&mut self.pending.samples);
        self.pending = Pending { samples, ..Pending::default() };
        self.pending.samples.clear();
        Ok(())
    }
}

fn write(store: &mut Store, pending: &Pending) -> rusqlite::Result<()> {
    let tx = store.connection.transaction()?;
    for (id, source) in &pending.segments {
        tx.prepare_cached("INSERT INTO segment (id, source) VALUES (?1, ?2)")?.execute((id.0, source))?;
    }
    for (id, (offset, note)) in &pending.offsets {
        tx.prepare_cached("UPDATE segment SET offset_ms = ?2, note = ?3 WHERE id = ?1")?
            .execute((id.0, offset, note))?;
    }
    for (id, address, unit) in &pending.channels {
        let address = address.to_string();
        match unit {
            Some(unit) => tx
                .prepare_cached("INSERT INTO channel (id, address, unit) VALUES (?1, ?2, ?3)")?
                .execute((id.0, address, unit.text()))?,
            None => tx.prepare_cached("UPDATE channel SET address = ?2 WHERE id = ?1")?.execute((id.0, address))?,
        };
    }
    write_samples(&tx, &pending.samples)?;
    for (segment, e) in &pending.events {
        tx.prepare_cached(
            "INSERT INTO event (segment, t_ms, kind, bus, channel, text, details) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            segment.map(|s| s.0),
            e.time.millis(),
            e.kind,
            e.bus,
            e.channel.as_ref().map(ToString::to_string),
            e.text,
            e.details
        ])?;
    }
    for (segment, device) in &pending.devices {
        write_device(&tx, *segment, device)?;
    }
    for (name, n) in &pending.problems {
        tx.prepare_cached(
            "INSERT INTO problem VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET count = count + excluded.count",
        )?
        .execute((name, i64::try_from(*n).unwrap_or(i64::MAX)))?;
    }
    tx.commit()
}

/// The samples, sorted by their key, and what they add to the coverage of their channels.
fn write_samples(tx: &Transaction<'_>, samples: &[Sample]) -> rusqlite::Result<()> {
    let mut insert = tx.prepare_cached("INSERT INTO sample VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
    let mut cover = tx.prepare_cached(
        "INSERT INTO coverage VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT (channel, segment) DO UPDATE SET
           samples = samples + excluded.samples, missing = missing + excluded.missing,
           latest = CASE WHEN excluded.last_ms >= last_ms THEN excluded.latest ELSE latest END,
           first_ms = min(first_ms, excluded.first_ms), last_ms = max(last_ms, excluded.last_ms)",
    )?;
    for run in samples.chunk_by(|a, b| (a.channel, a.segment) == (b.channel, b.segment)) {
        for s in run {
            insert.execute((s.channel.0, s.segment.0, s.t_ms, s.seq, s.reading.value(), s.reading.code()))?;
        }
        let missing = run.iter().filter(|s| s.reading.value().is_none()).count();
        let (first, last) = (&run[0], &run[run.len() - 1]);
        let (channel, segment) = (first.channel.0, first.segment.0);
        cover.execute((
            channel,
            segment,
            run.len() as i64,
            missing as i64,
            first.t_ms,
            last.t_ms,
            last.reading.value(),
        ))?;
    }
    Ok(())
}

fn write_device(tx: &Transaction<'_>, segment: Option<SegmentId>, d: &Device) -> rusqlite::Result<()> {
    let name = d.name.map_or(String::new(), |n| format!("{n:016x}"));
    let segment = segment.map(|s| s.0);
    if !name.is_empty() {
        // Heard before it claimed its address: the same device, now with its name.
        tx.prepare_cached(
            "UPDATE device SET name = ?3 WHERE bus = ?1 AND address = ?2 AND name = ''
             AND NOT EXISTS (SELECT 1 FROM device WHERE bus = ?1 AND name = ?3)",
        )?
        .execute((&d.bus, d.address, &name))?;
    }
    let key = if name.is_empty() { "(bus, address) WHERE name = ''" } else { "(bus, name) WHERE name <> ''" };
    tx.prepare_cached(&format!(
        "INSERT INTO device VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?5, ?7) ON CONFLICT {key} DO UPDATE SET
           address = excluded.address, last_segment = excluded.last_segment, last_ms = excluded.last_ms,
           product = CASE WHEN excluded.product IN ('', '{{}}') THEN product ELSE excluded.product END"
    ))?
    .execute(params![d.bus, d.address, name, d.product, segment, d.first.millis(), d.last.millis()])?;
    Ok(())
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
        for t in 0..20_000 {
            w.append(channel, Timestamp::from_millis(t), Reading::Value(t as f64));
        }
        let limit = |w: &Writer, pages: i64| {
            let sql = format!("PRAGMA max_page_count = {pages}");
            w.store.connection.query_row(&sql, [], |row| row.get::<_, i64>(0)).unwrap()
        };
        limit(&w, 30);
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
