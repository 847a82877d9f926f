//! Several channels in one go, for whoever looks again and again: what has come since the last look, and what a picture of a
//! time can show. Every block and every chunk is unpacked once, whatever the number of channels in it.

use crate::error::StoreError;
use crate::store::Store;
use crate::{ChannelId, SegmentId, StreamId, Timestamp};
use ampwake_blocks::{BlockView, Coding, chunk_parts};
use ampwake_schemas::sample::Reading;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Follows some channels of a database that is being recorded: reads what has come since the last look, and nothing twice.
///
/// A sample that arrives with a time at or before one that was read already is left out.
#[derive(Debug, Clone)]
pub struct Follower {
    from: Timestamp,
    /// The last time that was read, ms; `None`: nothing was looked for yet.
    last: BTreeMap<ChannelId, Option<i64>>,
    block: i64,
    chunk: i64,
    /// Segments and their offsets: where these change, times that were read before have moved.
    clocks: Vec<(SegmentId, i64)>,
}

/// What has come since the last look.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct News {
    /// Samples by channel, each in the order of time and later than all before.
    pub samples: BTreeMap<ChannelId, Vec<(Timestamp, Reading)>>,
    /// A clock was corrected, or a recording begun or taken out: these samples are all that there are, and what was read
    /// before is void.
    pub afresh: bool,
}

impl Follower {
    /// Begins with nothing; samples before `from` are never read.
    pub fn new(from: Timestamp) -> Self {
        Self { from, last: BTreeMap::new(), block: 0, chunk: 0, clocks: Vec::new() }
    }

    /// This channel is wanted too.
    pub fn add(&mut self, channel: ChannelId) {
        self.last.entry(channel).or_default();
    }

    /// It is followed.
    pub fn follows(&self, channel: ChannelId) -> bool {
        self.last.contains_key(&channel)
    }
}

/// Lowest and highest value of equal parts of a time; `None` where nothing is known.
pub type Columns = Vec<Option<(f64, f64)>>;

/// Which columns of which streams are wanted.
type Wanted = HashMap<StreamId, Vec<(usize, Coding, ChannelId)>>;

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 3_600_000;

impl Store {
    /// A number that changes when somebody commits to the database. Costs next to nothing.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn revision(&self) -> Result<i64, StoreError> {
        let found = self.rows("cannot read", "PRAGMA data_version", [], |row| row.get(0))?;
        Ok(found.first().copied().unwrap_or_default())
    }

    /// How many channels there are: when it grows, [`Store::channels`] has something new.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn channel_count(&self) -> Result<u64, StoreError> {
        let found = self.rows("cannot read", "SELECT count(*) FROM channel", [], |row| row.get::<_, i64>(0))?;
        Ok(found.first().copied().unwrap_or_default().max(0) as u64)
    }

    /// What has come since the last look. In one short transaction, but for the blocks that are new.
    ///
    /// # Errors
    /// The file cannot be read, or a block is damaged.
    pub fn news(&self, follower: &mut Follower) -> Result<News, StoreError> {
        let held = self.hold()?;
        let offsets = self.offsets()?;
        let mut clocks: Vec<(SegmentId, i64)> = offsets.iter().map(|(s, o)| (*s, *o)).collect();
        clocks.sort_unstable();
        let afresh = clocks != follower.clocks;
        if afresh {
            follower.last.values_mut().for_each(|last| *last = None);
        }
        let newest = "SELECT coalesce(max(id), 0) FROM block";
        let block = self.rows("cannot read", newest, [], |row| row.get(0))?.first().copied().unwrap_or_default();
        // Chunks are numbered anew after a sealing.
        let known_chunk = if block == follower.block { follower.chunk } else { 0 };
        let (old, fresh): (BTreeSet<ChannelId>, BTreeSet<ChannelId>) =
            follower.last.keys().partition(|c| follower.last[c].is_some());
        let before = follower.from.millis().saturating_sub(1);
        let last: BTreeMap<ChannelId, i64> = follower.last.iter().map(|(c, t)| (*c, t.unwrap_or(before))).collect();
        let mut samples: BTreeMap<ChannelId, Vec<(Timestamp, Reading)>> = BTreeMap::new();
        let mut take = |channel: ChannelId, t: i64, reading: Reading| {
            if last.get(&channel).is_some_and(|last| t > *last) {
                samples.entry(channel).or_default().push((Timestamp::from_millis(t), reading));
            }
        };
        let mut chunk = known_chunk;
        let mut sealed = Vec::new();
        for (channels, after_block, after_chunk) in [(old, follower.block, known_chunk), (fresh, 0, 0)] {
            if channels.is_empty() {
                continue;
            }
            let from = channels.iter().filter_map(|c| last.get(c)).min().copied().unwrap_or(before);
            let wanted = self.wanted(&channels)?;
            chunk = chunk.max(self.unsealed(&wanted, &offsets, after_chunk, &mut take)?);
            if after_block < block {
                sealed.push((self.blocks(&wanted, &offsets, after_block, (from, i64::MAX))?, wanted));
            }
        }
        // Blocks never change and are not taken away: a long read does not hold the recorder's log.
        drop(held);
        for (blocks, wanted) in sealed {
            self.unpacked(&wanted, &blocks, &mut take)?;
        }
        // Segments may overlap after correction, and chunks were read before blocks.
        samples.values_mut().for_each(|samples| samples.sort_by_key(|s| s.0));
        for (channel, read) in &mut follower.last {
            let newest = samples.get(channel).and_then(|s| s.last()).map(|s| s.0.millis());
            *read = Some(newest.unwrap_or(i64::MIN).max(last[channel]));
        }
        (follower.block, follower.chunk, follower.clocks) = (block, chunk, clocks);
        Ok(News { samples, afresh })
    }

    /// What a picture of `count` columns of `step_ms` from `from` on can show of each channel. Whole minutes and hours come from
    /// the rollups, and so does a time of which no samples are left.
    ///
    /// # Errors
    /// The file cannot be read, or a block is damaged.
    pub fn columns(
        &self,
        channels: &BTreeSet<ChannelId>,
        from: Timestamp,
        step_ms: i64,
        count: usize,
    ) -> Result<BTreeMap<ChannelId, Columns>, StoreError> {
        let (from, step_ms) = (from.millis(), step_ms.max(1));
        let to = from.saturating_add(step_ms.saturating_mul(count as i64)).saturating_sub(1);
        let mut out: BTreeMap<ChannelId, Columns> = channels.iter().map(|c| (*c, vec![None; count])).collect();
        let mut add = |channel: ChannelId, t: i64, low: f64, high: f64| {
            if t < from || t > to || !low.is_finite() || !high.is_finite() {
                return;
            }
            let Some(columns) = out.get_mut(&channel) else { return };
            if let Some(cell) = columns.get_mut(((t - from) / step_ms) as usize) {
                *cell = Some(cell.map_or((low, high), |(a, b)| (a.min(low), b.max(high))));
            }
        };
        let held = self.hold()?;
        let offsets = self.offsets()?;
        let wanted = self.wanted(channels)?;
        let mut take = |channel: ChannelId, t: i64, reading: Reading| {
            if let Some(value) = reading.value() {
                add(channel, t, value, value);
            }
        };
        self.unsealed(&wanted, &offsets, 0, &mut take)?;
        let whole = |unit: i64| step_ms % unit == 0 && from.rem_euclid(unit) == 0;
        if !whole(MINUTE_MS) {
            let blocks = self.blocks(&wanted, &offsets, 0, (from, to))?;
            drop(held);
            self.unpacked(&wanted, &blocks, &mut take)?;
            return Ok(out);
        }
        let (table, start, least) = if whole(HOUR_MS) {
            ("rollup_hour", "r.hour * 3600000", HOUR_MS)
        } else {
            ("rollup_minute", "(r.hour * 60 + r.minute) * 60000", MINUTE_MS)
        };
        // From hour to hour: rows of one channel are a short stretch in each.
        let sql = format!(
            "WITH RECURSIVE h (x) AS (
                 SELECT max((?2 + 1) / 3600000 - 1, (SELECT min(hour) FROM {table}))
                 UNION ALL SELECT x + 1 FROM h WHERE x < min(?3 / 3600000, (SELECT max(hour) FROM {table})))
             SELECT {start} AS start, r.min / CAST('1e' || c.decimals AS REAL), r.max / CAST('1e' || c.decimals AS REAL)
             FROM h CROSS JOIN {table} r ON r.hour = h.x AND r.channel = ?1 JOIN channel c ON c.id = r.channel
             WHERE start > ?2 AND start <= ?3 AND r.min IS NOT NULL"
        );
        for channel in channels {
            let bounds = (channel.0, from.saturating_sub(least), to);
            let rows = self.rows("cannot read the rollups", &sql, bounds, |row| {
                Ok((row.get::<_, i64>(0)?, row.get::<_, f64>(1)?, row.get::<_, f64>(2)?))
            })?;
            rows.into_iter().for_each(|(t, low, high)| add(*channel, t, low, high));
        }
        Ok(out)
    }

    fn wanted(&self, channels: &BTreeSet<ChannelId>) -> Result<Wanted, StoreError> {
        let mut wanted = Wanted::new();
        for (stream, columns) in self.stream_columns()? {
            let places: Vec<(usize, Coding, ChannelId)> = columns
                .iter()
                .enumerate()
                .filter(|(_, c)| channels.contains(&c.channel))
                .map(|(place, c)| (place, c.coding, c.channel))
                .collect();
            if !places.is_empty() {
                wanted.insert(stream, places);
            }
        }
        Ok(wanted)
    }

    /// Everything in chunks with a number above `after`; returns the last number.
    fn unsealed(
        &self,
        wanted: &Wanted,
        offsets: &HashMap<SegmentId, i64>,
        after: i64,
        take: &mut impl FnMut(ChannelId, i64, Reading),
    ) -> Result<i64, StoreError> {
        let sql = "SELECT id, segment, data FROM chunk WHERE id > ?1 ORDER BY id";
        let ids = self.rows("cannot read what is not sealed yet", sql, [after], |row| {
            let offset = offsets.get(&SegmentId(row.get(1)?)).copied().unwrap_or(0);
            let data = row.get_ref(2)?.as_blob().unwrap_or_default();
            // What cannot be told apart is set aside by the next writer.
            for (stream, block) in chunk_parts(data).flatten() {
                if let Some(places) = wanted.get(&StreamId(stream as i64)) {
                    let _ = each_reading(block, places, offset, take);
                }
            }
            row.get::<_, i64>(0)
        })?;
        Ok(ids.last().copied().unwrap_or(after))
    }

    /// Sealed blocks with a number above `after` that reach into `bounds` (corrected ms): number, stream, offset.
    fn blocks(
        &self,
        wanted: &Wanted,
        offsets: &HashMap<SegmentId, i64>,
        after: i64,
        bounds: (i64, i64),
    ) -> Result<Vec<(i64, StreamId, i64)>, StoreError> {
        let mut found = Vec::new();
        let mut keep = |stream: StreamId, (id, segment, first, last): (i64, i64, i64, i64)| {
            let offset = offsets.get(&SegmentId(segment)).copied().unwrap_or(0);
            if first.saturating_add(offset) <= bounds.1 && last.saturating_add(offset) >= bounds.0 {
                found.push((id, stream, offset));
            }
        };
        let doing = "cannot read the samples";
        if after > 0 {
            let sql = "SELECT id, segment, first_ms, last_ms, stream FROM block WHERE id > ?1";
            let rows = self.rows(doing, sql, [after], |r| Ok((StreamId(r.get(4)?), ends(r)?)))?;
            rows.into_iter().filter(|(s, _)| wanted.contains_key(s)).for_each(|(s, ends)| keep(s, ends));
        } else {
            let sql = "SELECT id, segment, first_ms, last_ms FROM block WHERE stream = ?1";
            for stream in wanted.keys() {
                self.rows(doing, sql, [stream.0], ends)?.into_iter().for_each(|ends| keep(*stream, ends));
            }
        }
        found.sort_unstable_by_key(|b| b.0);
        Ok(found)
    }

    fn unpacked(
        &self,
        wanted: &Wanted,
        blocks: &[(i64, StreamId, i64)],
        take: &mut impl FnMut(ChannelId, i64, Reading),
    ) -> Result<(), StoreError> {
        for (id, stream, offset) in blocks {
            let (Some(places), Some(block)) = (wanted.get(stream), crate::samples::block(self, *id)?) else { continue };
            each_reading(&block, places, *offset, take)
                .map_err(|source| StoreError::Block { path: self.path.clone(), source })?;
        }
        Ok(())
    }
}

fn ends(row: &rusqlite::Row<'_>) -> rusqlite::Result<(i64, i64, i64, i64)> {
    Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
}

fn each_reading(
    block: &[u8],
    places: &[(usize, Coding, ChannelId)],
    offset: i64,
    take: &mut impl FnMut(ChannelId, i64, Reading),
) -> Result<(), ampwake_blocks::BlockError> {
    let (view, columns) = BlockView::read(block, |at| places.iter().any(|p| p.0 == at))?;
    // Unpacked in the order of their places, as `places` is.
    for (column, (_, coding, channel)) in columns.iter().zip(places) {
        for (row, said) in column.readings(*coding).enumerate() {
            take(*channel, view.time(row).saturating_add(offset), crate::samples::reading(said));
        }
    }
    Ok(())
}
