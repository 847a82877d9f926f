//! Bringing a database of an earlier version up to date: all of it in one transaction, or nothing.

use crate::error::StoreError;
use crate::gather::Gatherer;
use crate::streams::{StreamColumn, Streams};
use crate::{ChannelId, SegmentId, write};
use ampwake_blocks::Coding;
use rusqlite::{Connection, Transaction};
use std::path::Path;

/// Samples that are packed at once.
const STEP: usize = 1_000_000;

/// From version 1 (a row per sample) to version 2 (blocks). `schema` is that of version 2.
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
             INSERT INTO channel SELECT * FROM old_channel;
             INSERT INTO event SELECT * FROM old_event;
             INSERT INTO device SELECT * FROM old_device;
             INSERT INTO problem SELECT * FROM old_problem;",
        )?;
        pack(&tx)?;
        for table in ["sample", "coverage", "event", "device", "problem", "channel", "segment", "meta"] {
            tx.execute_batch(&format!("DROP TABLE old_{table}"))?;
        }
        tx.pragma_update(None, "user_version", 2)?;
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
