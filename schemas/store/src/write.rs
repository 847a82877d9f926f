//! One transaction: what was gathered since the last commit, all of it or nothing.

use crate::gather::{Finished, FinishedColumn};
use crate::store::Store;
use crate::streams::Stream;
use crate::writer::{Pending, Seen};
use crate::{ChannelId, Event, SegmentId, rollup};
use ampwake_blocks::{Coding, join_chunk};
use rusqlite::{OptionalExtension, Transaction, params};
use std::collections::{BTreeSet, HashMap};

/// Everything that a commit writes.
pub(crate) struct Batch<'a> {
    pub(crate) pending: &'a Pending,
    /// The offsets with which the finished blocks are rolled up.
    pub(crate) rollup_offsets: &'a HashMap<SegmentId, i64>,
    /// New ones.
    pub(crate) streams: &'a [Stream],
    pub(crate) finished: &'a [Finished],
    /// Everything that was in chunks is in blocks now.
    pub(crate) sealing: bool,
    /// An import is under way: counts and devices wait for its end.
    pub(crate) bulk: bool,
    pub(crate) segment: Option<SegmentId>,
    pub(crate) chunk: Vec<(u64, Vec<u8>)>,
    pub(crate) latest: Vec<(ChannelId, i64, Option<f64>, u8)>,
}

/// The latest is the latest in UTC: a recording of long ago may be imported today.
const LATEST: &str = "INSERT INTO latest VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT (channel) DO UPDATE SET
       segment = excluded.segment, t_ms = excluded.t_ms, value = excluded.value, code = excluded.code
     WHERE excluded.t_ms + (SELECT offset_ms FROM segment_clock c WHERE c.segment = excluded.segment)
        >= latest.t_ms + (SELECT offset_ms FROM segment_clock c WHERE c.segment = latest.segment)";

/// Returns the segments whose rollups were made anew, with their new offset.
pub(crate) fn write(store: &mut Store, batch: &Batch<'_>) -> rusqlite::Result<Vec<(SegmentId, i64)>> {
    let mut moved = Vec::new();
    let tx = store.connection.transaction()?;
    let pending = batch.pending;
    for (key, value) in &pending.meta {
        match value {
            Some(value) => tx.prepare_cached("INSERT OR REPLACE INTO meta VALUES (?1, ?2)")?.execute((key, value))?,
            None => tx.prepare_cached("DELETE FROM meta WHERE key = ?1")?.execute([key])?,
        };
    }
    for (id, source) in &pending.segments {
        tx.prepare_cached("INSERT INTO segment (id, source) VALUES (?1, ?2)")?.execute((id.0, source))?;
    }
    for (id, (offset, note)) in &pending.offsets {
        tx.prepare_cached("INSERT INTO clock (segment, offset_ms, note) VALUES (?1, ?2, ?3)")?
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
    for stream in batch.streams {
        write_stream(&tx, stream)?;
    }
    write_blocks(&tx, batch.finished)?;
    let rolled_up: BTreeSet<SegmentId> = batch.finished.iter().map(|block| block.segment).collect();
    for segment in rolled_up {
        tx.prepare_cached("UPDATE segment SET rollup_offset_ms = ?2 WHERE id = ?1")?
            .execute((segment.0, batch.rollup_offsets.get(&segment).copied().unwrap_or(0)))?;
    }
    if batch.sealing {
        tx.prepare_cached("DELETE FROM chunk")?.execute([])?;
        moved = rollup::renew_moved(&tx)?;
    }
    if let (Some(segment), false) = (batch.segment, batch.chunk.is_empty()) {
        tx.prepare_cached("INSERT INTO chunk (segment, data) VALUES (?1, ?2)")?
            .execute((segment.0, join_chunk(&batch.chunk)))?;
    }
    if let Some(segment) = batch.segment {
        for (channel, t_ms, value, code) in &batch.latest {
            tx.prepare_cached(LATEST)?.execute((channel.0, segment.0, t_ms, value, code))?;
        }
    }
    for (segment, e) in &pending.events {
        write_event(&tx, segment.map(|s| s.0), e)?;
    }
    for (segment, found, data) in &pending.damaged {
        tx.execute("INSERT INTO damaged (segment, found, data) VALUES (?1, ?2, ?3)", (segment.0, found, data))?;
    }
    if !batch.bulk {
        pending.devices.values().try_for_each(|seen| write_device(&tx, seen))?;
        for (name, n) in &pending.problems {
            tx.prepare_cached(
                "INSERT INTO problem VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET count = count + excluded.count",
            )?
            .execute((name, i64::try_from(*n).unwrap_or(i64::MAX)))?;
        }
    }
    tx.commit()?;
    Ok(moved)
}

pub(crate) fn write_stream(tx: &Transaction<'_>, stream: &Stream) -> rusqlite::Result<()> {
    let mut insert = tx.prepare_cached("INSERT INTO stream_column VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
    // For good: what its minutes and hours say must not change its meaning.
    let mut first = tx.prepare_cached(
        "UPDATE channel SET decimals = ?2 WHERE id = ?1 AND NOT EXISTS (SELECT 1 FROM stream_column WHERE channel = ?1)",
    )?;
    for (place, column) in stream.columns.iter().enumerate() {
        let (step, shift, decimals) = match column.coding {
            Coding::Scaled(scale) => (Some(scale.step), Some(scale.offset), Some(scale.decimals)),
            Coding::Float => (None, None, None),
        };
        first.execute((column.channel.0, decimals.unwrap_or(0)))?;
        insert.execute((stream.id.0, place as i64, column.channel.0, step, shift, decimals))?;
    }
    Ok(())
}

/// Blocks, what their columns come to, and what that adds to coverage, rollups and latest values.
pub(crate) fn write_blocks(tx: &Transaction<'_>, finished: &[Finished]) -> rusqlite::Result<()> {
    if finished.is_empty() {
        return Ok(());
    }
    let last: Option<i64> = tx.query_row("SELECT max(id) FROM block", [], |row| row.get(0)).optional()?.flatten();
    let first_id = last.unwrap_or(0) + 1;
    let mut insert = tx.prepare_cached("INSERT INTO block VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?;
    for (id, block) in (first_id..).zip(finished) {
        let (stream, segment) = (block.stream.0, block.segment.0);
        insert.execute((id, stream, segment, block.first_ms, block.last_ms, block.rows as i64, &block.data))?;
    }
    let mut columns: Vec<(i64, &Finished, &FinishedColumn)> =
        (first_id..).zip(finished).flat_map(|(id, b)| b.columns.iter().map(move |c| (id, b, c))).collect();
    let mut summary =
        tx.prepare_cached("INSERT INTO summary VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)")?;
    let mut cover = tx.prepare_cached(
        "INSERT INTO coverage VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT (channel, segment) DO UPDATE SET
           samples = samples + excluded.samples, missing = missing + excluded.missing,
           latest = CASE WHEN excluded.last_ms >= last_ms THEN excluded.latest ELSE latest END,
           first_ms = min(first_ms, excluded.first_ms), last_ms = max(last_ms, excluded.last_ms)",
    )?;
    let mut latest = tx.prepare_cached(LATEST)?;
    for (id, _, column) in &columns {
        let s = &column.whole;
        summary.execute(params![
            id,
            column.channel.0,
            s.count as i64,
            s.missing as i64,
            s.first.map(|f| f.0),
            s.first.map(|f| f.1),
            s.last.map(|l| l.0),
            s.last.map(|l| l.1),
            s.first.map(|_| s.min),
            s.first.map(|_| s.max),
            s.sum,
            s.integral,
            s.covered_ms
        ])?;
    }
    // In the order of the keys: what is written together lies together.
    columns.sort_by_key(|(id, _, column)| (column.channel, *id));
    for (at, (_, block, column)) in columns.iter().enumerate() {
        let (s, channel) = (&column.whole, column.channel.0);
        let (value, code) = column.latest;
        let segment = block.segment.0;
        cover.execute((channel, segment, s.count as i64, s.missing as i64, block.first_ms, block.last_ms, value))?;
        if columns.get(at + 1).is_none_or(|next| next.2.channel != column.channel) {
            latest.execute((channel, segment, block.last_ms, value, code))?;
        }
    }
    rollup::add(tx, columns.iter().map(|(_, block, column)| (block.segment, *column)))
}

fn write_device(tx: &Transaction<'_>, seen: &Seen) -> rusqlite::Result<()> {
    let d = &seen.device;
    let name = d.name.map_or(String::new(), |n| format!("{n:016x}"));
    if !name.is_empty() {
        // Heard before it claimed its address: the same device, now with its name.
        tx.prepare_cached(
            "UPDATE device SET name = ?3 WHERE bus = ?1 AND address = ?2 AND name = ''
             AND NOT EXISTS (SELECT 1 FROM device WHERE bus = ?1 AND name = ?3)",
        )?
        .execute((&d.bus, d.address, &name))?;
    }
    let key = if name.is_empty() { "(bus, address) WHERE name = ''" } else { "(bus, name) WHERE name <> ''" };
    let (first, last) = (seen.first_segment.map(|s| s.0), seen.last_segment.map(|s| s.0));
    tx.prepare_cached(&format!(
        "INSERT INTO device VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT {key} DO UPDATE SET
           address = excluded.address, last_segment = excluded.last_segment, last_ms = excluded.last_ms,
           product = CASE WHEN excluded.product IN ('', '{{}}') THEN product ELSE excluded.product END"
    ))?
    .execute(params![d.bus, d.address, name, d.product, first, d.first.millis(), last, d.last.millis()])?;
    Ok(())
}

/// One event; its time is the recorder's own.
pub(crate) fn write_event(tx: &Transaction<'_>, segment: Option<i64>, e: &Event) -> rusqlite::Result<()> {
    let channel = e.channel.as_ref().map(ToString::to_string);
    tx.prepare_cached(
        "INSERT INTO event (segment, t_ms, kind, bus, channel, text, details) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?
    .execute(params![segment, e.time.millis(), e.kind, e.bus, channel, e.text, e.details])?;
    Ok(())
}
