//! Bringing a database of an earlier version up to date: all of it in one transaction, or nothing.

use crate::error::StoreError;
use crate::gather::Gatherer;
use crate::rollup::{Key, Rollup};
use crate::streams::{StreamColumn, Streams};
use crate::{ChannelId, SegmentId, open, write};
use ampwake_blocks::{Coding, Summary};
use rusqlite::{Connection, Transaction};
use std::path::Path;

/// Samples that are packed at once.
const STEP: usize = 1_000_000;

/// From version 1 (a row per sample) to the present one (blocks), whose schema is `schema`.
///
/// # Errors
/// The disk is full, the file cannot be written or read; it is left as it was.
pub(crate) fn from_rows(connection: &mut Connection, path: &Path, schema: &str) -> Result<(), StoreError> {
    let mut migrate = || -> rusqlite::Result<()> {
        let tx = connection.transaction()?;
        for table in ["meta", "segment", "channel", "coverage", "sample", "event", "device", "problem"] {
            tx.execute_batch(&format!("ALTER TABLE {table} RENAME TO old_{table}"))?;
        }
        tx.execute_batch("DROP VIEW sample_utc; DROP INDEX device_named; DROP INDEX device_unnamed;")?;
        tx.execute_batch(schema)?;
        tx.execute_batch(
            "INSERT INTO meta SELECT * FROM old_meta;
             INSERT INTO segment (id, source) SELECT id, source FROM old_segment;
             INSERT INTO clock (segment, offset_ms, note)
                 SELECT id, offset_ms, note FROM old_segment WHERE offset_ms <> 0 OR note <> '';
             UPDATE segment SET rollup_offset_ms = (SELECT offset_ms FROM old_segment o WHERE o.id = segment.id);
             INSERT INTO channel (id, address, unit) SELECT id, address, unit FROM old_channel;
             INSERT INTO event SELECT * FROM old_event;
             INSERT INTO device SELECT * FROM old_device;
             INSERT INTO problem SELECT * FROM old_problem;",
        )?;
        pack(&tx)?;
        for table in ["sample", "coverage", "event", "device", "problem", "channel", "segment", "meta"] {
            tx.execute_batch(&format!("DROP TABLE old_{table}"))?;
        }
        tx.execute_batch(open::IDENTIFY)?;
        tx.pragma_update(None, "user_version", 3)?;
        tx.commit()
    };
    migrate().map_err(StoreError::sqlite(path, "cannot bring the database up to date"))
}

/// The rows become blocks, each channel in a stream of its own: which of them came together is not known any more.
fn pack(tx: &Transaction<'_>) -> rusqlite::Result<()> {
    let mut streams = Streams::default();
    let offsets: Vec<(i64, i64)> = tx
        .prepare("SELECT id, offset_ms FROM old_segment ORDER BY id")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<Result<_, _>>()?;
    let channels: Vec<i64> = tx
        .prepare("SELECT id FROM old_channel ORDER BY id")?
        .query_map([], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    let mut read =
        tx.prepare("SELECT t_ms, value, code FROM old_sample WHERE channel = ?1 AND segment = ?2 ORDER BY t_ms, seq")?;
    for (segment, offset_ms) in offsets {
        let mut gatherer = Gatherer::default();
        for channel in &channels {
            let mut rows = read.query((channel, segment))?;
            while let Some(row) = rows.next()? {
                let column = StreamColumn { channel: ChannelId(*channel), coding: Coding::Float };
                let id = streams.of(vec![column]);
                let Some(stream) = streams.get(id) else { continue };
                let value = row.get::<_, Option<f64>>(1)?.unwrap_or(0.0);
                let code: u8 = row.get(2)?;
                let full = gatherer.push(stream, row.get(0)?, &[value.to_bits() as i64], &[code.min(3)]);
                if full {
                    gatherer.finish(stream, SegmentId(segment), offset_ms);
                }
            }
            if gatherer.samples() + gatherer.finished_samples > STEP {
                gatherer.finish_all(&streams, SegmentId(segment), offset_ms);
                write::write_blocks(tx, &gatherer.finished)?;
                gatherer.committed(false);
            }
        }
        gatherer.finish_all(&streams, SegmentId(segment), offset_ms);
        write::write_blocks(tx, &gatherer.finished)?;
    }
    streams.fresh().iter().try_for_each(|stream| write::write_stream(tx, stream))
}

/// From version 2 (summaries, minutes and hours in the order of the channels, so that every sealing wrote a page for each of
/// them) to version 3. Blocks stay where they are.
///
/// # Errors
/// As [`from_rows`].
pub(crate) fn from_scattered_rollups(connection: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let mut migrate = || -> rusqlite::Result<()> {
        let tx = connection.transaction()?;
        tx.execute_batch(
            "DROP VIEW minute_utc; DROP VIEW hour_utc;
             ALTER TABLE rollup_minute RENAME TO old_minute; ALTER TABLE rollup_hour RENAME TO old_hour;
             ALTER TABLE channel ADD COLUMN decimals INTEGER NOT NULL DEFAULT 0;
             UPDATE channel SET decimals = coalesce((SELECT decimals FROM stream_column c WHERE c.channel = channel.id
                                                     ORDER BY stream LIMIT 1), 0);
             ALTER TABLE summary RENAME TO old_summary;
             CREATE TABLE summary (
                 block INTEGER NOT NULL REFERENCES block(id), channel INTEGER NOT NULL REFERENCES channel(id),
                 count INTEGER NOT NULL, missing INTEGER NOT NULL, first_ms INTEGER, first REAL, last_ms INTEGER, last REAL,
                 min REAL, max REAL, sum REAL NOT NULL, integral REAL NOT NULL, covered_ms INTEGER NOT NULL,
                 PRIMARY KEY (block, channel)
             ) WITHOUT ROWID;
             INSERT INTO summary SELECT block, channel, count, missing, first_ms, first, last_ms, last, min, max, sum, integral,
                 covered_ms FROM old_summary ORDER BY block, channel;
             DROP TABLE old_summary;",
        )?;
        tx.execute_batch(include_str!("rollups.sql"))?;
        for (table, key) in
            [("old_minute", Key::minute as fn(i64, i64) -> Key), ("old_hour", Key::hour as fn(i64, i64) -> Key)]
        {
            let mut rollup = Rollup::of(&tx)?;
            let mut select =
                tx.prepare(&format!("SELECT * FROM {table} ORDER BY start_ms / 3600000, channel, start_ms"))?;
            let mut rows = select.query([])?;
            while let Some(row) = rows.next()? {
                let (min, max): (Option<f64>, Option<f64>) = (row.get(5)?, row.get(6)?);
                let summary = Summary {
                    count: row.get::<_, i64>(3)?.max(0) as u64,
                    missing: row.get::<_, i64>(4)?.max(0) as u64,
                    // Only whether there is one: the time of it is not in a rollup.
                    first: min.map(|min| (0, min)),
                    last: None,
                    min: min.unwrap_or(f64::INFINITY),
                    max: max.unwrap_or(f64::NEG_INFINITY),
                    sum: row.get(7)?,
                    integral: row.get(8)?,
                    covered_ms: row.get(9)?,
                };
                rollup.put(key(row.get(1)?, row.get(0)?), row.get(2)?, &summary)?;
            }
        }
        tx.execute_batch("DROP TABLE old_minute; DROP TABLE old_hour;")?;
        tx.execute_batch(open::IDENTIFY)?;
        tx.pragma_update(None, "user_version", 3)?;
        tx.commit()
    };
    migrate().map_err(StoreError::sqlite(path, "cannot bring the database up to date"))
}
