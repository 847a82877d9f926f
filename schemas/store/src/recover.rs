//! What the writer before this one left: chunks that were not sealed, an import that was not finished.

use crate::error::StoreError;
use crate::{SegmentId, StreamId, Writer, open};
use ampwake_blocks::{BlockView, chunk_parts};

/// Seals what is left in chunks and takes out an unfinished import. What cannot be read is set aside in the table
/// `damaged` as it is, never deleted.
///
/// # Errors
/// The database cannot be read or written.
pub(crate) fn recover(writer: &mut Writer) -> Result<(), StoreError> {
    remove_unfinished(writer)?;
    let chunks = writer.rows(
        "cannot read what was not sealed",
        "SELECT id, segment, data FROM chunk ORDER BY id",
        [],
        |row| Ok((row.get::<_, i64>(0)?, SegmentId(row.get(1)?), row.get::<_, Vec<u8>>(2)?)),
    )?;
    if chunks.is_empty() {
        return Ok(());
    }
    let offsets = writer.offsets()?;
    let mut damaged = Vec::new();
    for same in chunks.chunk_by(|a, b| a.1 == b.1) {
        let segment = same[0].1;
        let (_, streams, gatherer, _) = writer.parts();
        for (_, _, data) in same {
            for part in chunk_parts(data) {
                let rows = part.map_err(|rest| ("it ends early".to_owned(), rest.to_vec())).and_then(|(id, block)| {
                    let stream = streams
                        .get(StreamId(id as i64))
                        .ok_or_else(|| ("its stream is unknown".to_owned(), block.to_vec()))?;
                    let rows = BlockView::rows_of(block).map_err(|e| (e.to_string(), block.to_vec()))?;
                    match rows.columns.len() == stream.columns.len() {
                        true => Ok((stream, rows)),
                        false => Err(("it has other columns than its stream".to_owned(), block.to_vec())),
                    }
                });
                match rows {
                    Ok((stream, rows)) => gatherer.push_rows(stream, &rows),
                    Err((why, data)) => damaged.push((segment, why, data)),
                }
            }
        }
        let offset_ms = offsets.get(&segment).copied().unwrap_or(0);
        gatherer.finish_all(streams, segment, offset_ms);
        gatherer.forget_carries();
    }
    let (_, _, _, pending) = writer.parts();
    if !damaged.is_empty() {
        pending.problems.insert("damaged_block".to_owned(), damaged.len() as u64);
        pending.damaged = damaged;
    }
    writer.seal()
}

/// An import that was broken off leaves nothing: importing again must not double what it had brought.
fn remove_unfinished(writer: &mut Writer) -> Result<(), StoreError> {
    let sql = "SELECT CAST(value AS INTEGER) FROM meta WHERE key = ?1";
    let Some(first) = writer.rows("cannot read", sql, [open::UNFINISHED], |row| row.get::<_, i64>(0))?.pop() else {
        return Ok(());
    };
    let (store, ..) = writer.parts();
    let mut remove = || -> rusqlite::Result<()> {
        let tx = store.connection.transaction()?;
        for sql in [
            "DELETE FROM summary WHERE block IN (SELECT id FROM block WHERE segment >= ?1)",
            "DELETE FROM block WHERE segment >= ?1",
            "DELETE FROM rollup_minute WHERE segment >= ?1",
            "DELETE FROM rollup_hour WHERE segment >= ?1",
            "DELETE FROM coverage WHERE segment >= ?1",
            "DELETE FROM latest WHERE segment >= ?1",
            "DELETE FROM event WHERE segment >= ?1",
            "DELETE FROM clock WHERE segment >= ?1",
            "DELETE FROM device WHERE first_segment >= ?1",
            "UPDATE device SET last_segment = first_segment, last_ms = first_ms WHERE last_segment >= ?1",
            "DELETE FROM segment WHERE id >= ?1",
        ] {
            tx.execute(sql, [first])?;
        }
        tx.execute("DELETE FROM meta WHERE key = ?1", [open::UNFINISHED])?;
        tx.commit()
    };
    let path = store.path.clone();
    let removed = remove();
    removed.map_err(StoreError::sqlite(&path, "cannot take out an unfinished import"))?;
    writer.forget_segments_from(first);
    Ok(())
}
