//! Minutes and hours of UTC: what a stock SQLite client, a spreadsheet or a dashboard reads.

use crate::SegmentId;
use crate::gather::{FinishedColumn, cuts};
use crate::retain::FULL_FROM;
use crate::store::codings;
use ampwake_blocks::{BlockView, Carry, Summary};
use rusqlite::{Statement, Transaction, params};
use std::ops::Range;

const HOUR_MS: i64 = 3_600_000;

/// Adds what finished columns come to; those of one channel follow each other.
pub(crate) fn add<'a>(
    tx: &Transaction<'_>,
    columns: impl Iterator<Item = (SegmentId, &'a FinishedColumn)>,
) -> rusqlite::Result<()> {
    let mut rollup = Rollup::of(tx)?;
    for (segment, column) in columns {
        rollup.add(segment.0, column.channel.0, &column.minutes)?;
    }
    Ok(())
}

struct Rollup<'a> {
    minute: Statement<'a>,
    hour: Statement<'a>,
}

impl<'a> Rollup<'a> {
    fn of(tx: &'a Transaction<'_>) -> rusqlite::Result<Self> {
        let sql = |table: &str| {
            format!(
                "INSERT INTO {table} VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)
                 ON CONFLICT (channel, start_ms, segment) DO UPDATE SET
                   count = count + excluded.count, missing = missing + excluded.missing,
                   min = coalesce(min(min, excluded.min), min, excluded.min),
                   max = coalesce(max(max, excluded.max), max, excluded.max),
                   sum = sum + excluded.sum, integral = integral + excluded.integral,
                   covered_ms = covered_ms + excluded.covered_ms"
            )
        };
        Ok(Self { minute: tx.prepare(&sql("rollup_minute"))?, hour: tx.prepare(&sql("rollup_hour"))? })
    }

    /// `minutes` in the order of time.
    fn add(&mut self, segment: i64, channel: i64, minutes: &[(i64, Summary)]) -> rusqlite::Result<()> {
        for (start, summary) in minutes {
            put(&mut self.minute, channel, *start, segment, summary)?;
        }
        let hour = |start: i64| start.div_euclid(HOUR_MS) * HOUR_MS;
        for minutes in minutes.chunk_by(|a, b| hour(a.0) == hour(b.0)) {
            let mut whole = Summary::default();
            minutes.iter().for_each(|m| whole.merge(&m.1));
            put(&mut self.hour, channel, hour(minutes[0].0), segment, &whole)?;
        }
        Ok(())
    }
}

fn put(into: &mut Statement<'_>, channel: i64, start: i64, segment: i64, s: &Summary) -> rusqlite::Result<()> {
    let (min, max) = (s.first.map(|_| s.min), s.first.map(|_| s.max));
    let (count, missing) = (s.count as i64, s.missing as i64);
    into.execute(params![channel, start, segment, count, missing, min, max, s.sum, s.integral, s.covered_ms])?;
    Ok(())
}

/// A clock that was corrected by less than this leaves its rollups as they are, ms: what the minute begins and ends
/// with is not known better than that, and a slow drift must not cost a season's rollups every hour.
const WORTH_RENEWING_MS: i64 = 1000;

/// Makes the rollups of segments anew whose clock was corrected since they were made; returns those, with their new
/// offset.
pub(crate) fn renew_moved(tx: &Transaction<'_>) -> rusqlite::Result<Vec<(SegmentId, i64)>> {
    let moved: Vec<(i64, i64)> = tx
        .prepare_cached(
            "SELECT s.id, c.offset_ms FROM segment s JOIN segment_clock c ON c.segment = s.id
             WHERE abs(c.offset_ms - s.rollup_offset_ms) >= ?1
               AND NOT EXISTS (SELECT 1 FROM meta m JOIN coverage v ON v.segment = s.id
                               WHERE m.key = ?2 AND v.first_ms + c.offset_ms < CAST(m.value AS INTEGER))",
        )?
        // What was cut from blocks whose rows are gone cannot be cut anew.
        .query_map((WORTH_RENEWING_MS, FULL_FROM), |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<Result<_, _>>()?;
    for (segment, offset_ms) in &moved {
        tx.execute("DELETE FROM rollup_minute WHERE segment = ?1", [segment])?;
        tx.execute("DELETE FROM rollup_hour WHERE segment = ?1", [segment])?;
        tx.execute("UPDATE segment SET rollup_offset_ms = ?2 WHERE id = ?1", (segment, offset_ms))?;
        renew(tx, *segment, *offset_ms)?;
    }
    Ok(moved.into_iter().map(|(segment, offset_ms)| (SegmentId(segment), offset_ms)).collect())
}

fn renew(tx: &Transaction<'_>, segment: i64, offset_ms: i64) -> rusqlite::Result<()> {
    let mut rollup = Rollup::of(tx)?;
    let mut carries: Vec<Carry> = Vec::new();
    let mut present = None;
    let mut blocks = tx.prepare("SELECT stream, data FROM block WHERE segment = ?1 ORDER BY stream, first_ms, id")?;
    let mut rows = blocks.query([segment])?;
    while let Some(row) = rows.next()? {
        let stream: i64 = row.get(0)?;
        if present != Some(stream) {
            present = Some(stream);
            carries.clear();
        }
        let columns = codings(tx, stream)?;
        carries.resize_with(columns.len(), Carry::default);
        // A block that is damaged now is no reason not to record on.
        let Ok(unpacked) = BlockView::rows_of(row.get_ref(1)?.as_blob().unwrap_or_default()) else { continue };
        let cuts = cuts(&unpacked.times, offset_ms);
        let ranges: Vec<Range<usize>> = cuts.iter().map(|cut| cut.1.clone()).collect();
        for ((column, (channel, coding)), carry) in unpacked.columns.iter().zip(&columns).zip(&mut carries) {
            let summaries = column.summaries(&unpacked.times, &ranges, *coding, carry);
            let minutes: Vec<(i64, Summary)> = cuts.iter().map(|c| c.0).zip(summaries).collect();
            rollup.add(segment, channel.0, &minutes)?;
        }
    }
    Ok(())
}
