//! What a channel comes to over a time, from the summary columns of whole blocks; only blocks that the bounds cut are
//! unpacked.

use crate::error::StoreError;
use crate::samples::{Place, block, bounds, places};
use crate::store::Store;
use crate::{ChannelId, SegmentId, Timestamp, tails};
use ampwake_blocks::{BlockError, BlockView, Carry, Summary};

impl Store {
    /// Count, extremes, sum and time integral of a channel between `from` and `to`, both included. The steps between
    /// blocks that are unpacked and their neighbours are not in the integral; a block that was reduced to its summary
    /// counts where it lies wholly between them.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn summary(
        &self,
        channel: ChannelId,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Result<Summary, StoreError> {
        let (from_ms, to_ms) = bounds(from, to);
        let _held = self.hold()?;
        let offsets = self.offsets()?;
        let offset = |segment: SegmentId| offsets.get(&segment).copied().unwrap_or(0);
        let places = places(self, channel)?;
        let mut parts: Vec<(i64, Summary)> = Vec::new();
        for (id, stream, segment, ends, stored) in self.summaries(channel)? {
            let offset_ms = offset(SegmentId(segment));
            let (first, last) = (ends.0.saturating_add(offset_ms), ends.1.saturating_add(offset_ms));
            if first >= from_ms && last <= to_ms {
                parts.push((first, moved(stored, offset_ms)));
            } else if first <= to_ms
                && last >= from_ms
                && let Some(place) = places.iter().find(|p| p.stream.0 == stream)
                && let Some(data) = block(self, id)?
            {
                let part = cut(&data, place, from_ms.saturating_sub(offset_ms), to_ms.saturating_sub(offset_ms))
                    .map_err(|source| StoreError::Block { path: self.path.clone(), source })?;
                parts.push((first, moved(part, offset_ms)));
            }
        }
        tails::each(self, |segment, stream, data| {
            for place in places.iter().filter(|p| p.stream == stream) {
                let offset_ms = offset(segment);
                let bounds = (from_ms.saturating_sub(offset_ms), to_ms.saturating_sub(offset_ms));
                if let Ok(part) = cut(data, place, bounds.0, bounds.1) {
                    let part = moved(part, offset_ms);
                    parts.push((part.first.map_or(i64::MAX, |f| f.0), part));
                }
            }
        })?;
        parts.sort_by_key(|part| part.0);
        let mut whole = Summary::default();
        parts.iter().for_each(|part| whole.merge(&part.1));
        Ok(whole)
    }

    /// Block, stream, segment, first and last row (the recorder's time) and stored summary.
    #[allow(clippy::type_complexity)] // a row as it is read, used in one place
    fn summaries(&self, channel: ChannelId) -> Result<Vec<(i64, i64, i64, (i64, i64), Summary)>, StoreError> {
        let sql = "SELECT b.id, b.stream, b.segment, b.first_ms, b.last_ms, s.count, s.missing, s.first_ms, s.first,
                          s.last_ms, s.last, s.min, s.max, s.sum, s.integral, s.covered_ms
                   FROM stream_column c CROSS JOIN block b ON b.stream = c.stream
                   CROSS JOIN summary s ON s.block = b.id AND s.channel = c.channel WHERE c.channel = ?1";
        self.rows("cannot read the summaries", sql, [channel.0], |row| {
            let end = |at: usize| -> rusqlite::Result<Option<(i64, f64)>> {
                Ok(row.get::<_, Option<i64>>(at)?.zip(row.get::<_, Option<f64>>(at + 1)?))
            };
            let summary = Summary {
                count: row.get::<_, i64>(5)?.max(0) as u64,
                missing: row.get::<_, i64>(6)?.max(0) as u64,
                first: end(7)?,
                last: end(9)?,
                min: row.get::<_, Option<f64>>(11)?.unwrap_or(f64::INFINITY),
                max: row.get::<_, Option<f64>>(12)?.unwrap_or(f64::NEG_INFINITY),
                sum: row.get(13)?,
                integral: row.get(14)?,
                covered_ms: row.get(15)?,
            };
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, (row.get(3)?, row.get(4)?), summary))
        })
    }
}

/// Of the rows of a block between two times of the recorder.
fn cut(block: &[u8], place: &Place, from_ms: i64, to_ms: i64) -> Result<Summary, BlockError> {
    let rows = BlockView::rows_of(block)?;
    let column = rows.columns.get(place.place).ok_or(BlockError::Malformed("a column is not there"))?;
    let range = rows.times.partition_point(|t| *t < from_ms)..rows.times.partition_point(|t| *t <= to_ms);
    let range = range.start.min(range.end)..range.end;
    let mut carry = Carry::default();
    Ok(column.summaries(&rows.times, &[range], place.coding, &mut carry).next().unwrap_or_default())
}

fn moved(mut summary: Summary, offset_ms: i64) -> Summary {
    for end in [&mut summary.first, &mut summary.last].into_iter().flatten() {
        end.0 = end.0.saturating_add(offset_ms);
    }
    summary
}
