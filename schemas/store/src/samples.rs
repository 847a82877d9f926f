//! Reading one channel in the order of corrected time, block by block.
//!
//! What there is to read is found out in one short transaction, together with what is not sealed yet; after that
//! every block is a query of its own: a long read must not keep the recorder's write-ahead log from being cleared.
//! Blocks never change, so that a sealing in between makes no seam. Segments may overlap after correction (two
//! recordings of the same hours), so their blocks are merged.

use crate::error::StoreError;
use crate::store::{Store, coding};
use crate::{ChannelId, SegmentId, StreamId, Timestamp, tails};
use ampwake_blocks::{BlockError, BlockView, Coding, Merge, Piece};
use ampwake_schemas::sample::Reading;
use rusqlite::OptionalExtension;
use std::collections::{BTreeMap, HashMap};

/// A time and what was said, in corrected ms.
type Point = (i64, Reading);

/// The samples of one channel, an iterator; see [`Store::read`].
#[derive(Debug)]
pub struct Samples<'a> {
    store: &'a Store,
    merge: Merge<Body, Reading>,
    failed: bool,
}

#[derive(Debug)]
enum Body {
    Block {
        id: i64,
        place: usize,
        coding: Coding,
        offset_ms: i64,
    },
    /// From chunks.
    Points(Vec<Point>),
}

/// An error that has no path yet.
enum Failed {
    Block(BlockError),
    Store(StoreError),
}

impl From<BlockError> for Failed {
    fn from(e: BlockError) -> Self {
        Self::Block(e)
    }
}

impl Failed {
    fn of(self, store: &Store) -> StoreError {
        match self {
            Self::Block(source) => StoreError::Block { path: store.path.clone(), source },
            Self::Store(e) => e,
        }
    }
}

/// Where a channel is within a stream.
pub(crate) struct Place {
    pub(crate) stream: StreamId,
    pub(crate) place: usize,
    pub(crate) coding: Coding,
}

pub(crate) fn places(store: &Store, channel: ChannelId) -> Result<Vec<Place>, StoreError> {
    let sql =
        "SELECT stream, place, step, shift, decimals FROM stream_column WHERE channel = ?1 ORDER BY stream, place";
    store.rows("cannot read the channel", sql, [channel.0], |row| {
        let place = row.get::<_, i64>(1)?.max(0) as usize;
        Ok(Place { stream: StreamId(row.get(0)?), place, coding: coding(row, 2)? })
    })
}

/// The first stored millisecond that is not before `from`, and the last that is not after `to`.
pub(crate) fn bounds(from: Option<Timestamp>, to: Option<Timestamp>) -> (i64, i64) {
    let from_ms = from.map_or(i64::MIN, |t| t.micros().div_euclid(1000) + i64::from(t.micros().rem_euclid(1000) > 0));
    (from_ms, to.map_or(i64::MAX, Timestamp::millis))
}

impl<'a> Samples<'a> {
    pub(crate) fn new(
        store: &'a Store,
        channel: ChannelId,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Result<Self, StoreError> {
        let (from_ms, to_ms) = bounds(from, to);
        let _held = store.hold()?;
        let offsets = store.offsets()?;
        let places = places(store, channel)?;
        let mut waiting = Vec::new();
        for Place { stream, place, coding } in &places {
            let sql = "SELECT id, segment, first_ms, last_ms FROM block WHERE stream = ?1";
            let blocks = store.rows("cannot read the channel", sql, [stream.0], |row| {
                Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, i64>(2)?, row.get::<_, i64>(3)?))
            })?;
            for (id, segment, first_ms, last_ms) in blocks {
                let offset_ms = offsets.get(&SegmentId(segment)).copied().unwrap_or(0);
                let (first_ms, last_ms) = (first_ms.saturating_add(offset_ms), last_ms.saturating_add(offset_ms));
                if first_ms <= to_ms && last_ms >= from_ms {
                    let body = Body::Block { id, place: *place, coding: *coding, offset_ms };
                    waiting.push(Piece { first_ms, segment, body });
                }
            }
        }
        waiting.extend(unsealed(store, &places, &offsets)?);
        Ok(Self { store, merge: Merge::new(waiting, from_ms, to_ms), failed: false })
    }

    /// Everything at once.
    pub(crate) fn all(mut self) -> Result<Vec<(Timestamp, Reading)>, StoreError> {
        let mut all = Vec::new();
        while let Some(points) =
            self.merge.next_many(|piece| unpack(self.store, piece)).map_err(|e| e.of(self.store))?
        {
            all.extend(points.map(|(t, reading)| (Timestamp::from_millis(t), reading)));
        }
        Ok(all)
    }
}

fn unpack(store: &Store, piece: Piece<Body>) -> Result<Vec<Point>, Failed> {
    let (id, place, coding, offset_ms) = match piece.body {
        Body::Points(points) => return Ok(points),
        Body::Block { id, place, coding, offset_ms } => (id, place, coding, offset_ms),
    };
    // Only its summary was kept.
    let Some(block) = block(store, id).map_err(Failed::Store)? else { return Ok(Vec::new()) };
    let (view, columns) = BlockView::read(&block, |at| at == place)?;
    let column = columns.first().ok_or(BlockError::Malformed("a column is not there"))?;
    let readings = column.readings(coding).enumerate();
    Ok(readings.map(|(row, said)| (view.time(row).saturating_add(offset_ms), reading(said))).collect())
}

/// A block's bytes; `None` where only its summary was kept.
pub(crate) fn block(store: &Store, id: i64) -> Result<Option<Vec<u8>>, StoreError> {
    let query = || {
        store
            .connection
            .prepare_cached("SELECT data FROM block WHERE id = ?1 AND length(data) > 0")?
            .query_row([id], |row| row.get(0))
            .optional()
    };
    query().map_err(StoreError::sqlite(&store.path, "cannot read the samples"))
}

pub(crate) fn reading(said: Result<f64, u8>) -> Reading {
    match said {
        Ok(value) => Reading::Value(value),
        Err(code) => Reading::from_code(code, f64::NAN),
    }
}

/// What is not sealed yet, one piece per segment.
fn unsealed(
    store: &Store,
    places: &[Place],
    offsets: &HashMap<SegmentId, i64>,
) -> Result<Vec<Piece<Body>>, StoreError> {
    let mut found: BTreeMap<SegmentId, Vec<Point>> = BTreeMap::new();
    tails::each(store, |segment, stream, block| {
        for Place { place, coding, .. } in places.iter().filter(|p| p.stream == stream) {
            let Ok((view, columns)) = BlockView::read(block, |at| at == *place) else { continue };
            let Some(column) = columns.first() else { continue };
            let offset = offsets.get(&segment).copied().unwrap_or(0);
            let readings = column.readings(*coding).enumerate();
            let points = readings.map(|(row, said)| (view.time(row).saturating_add(offset), reading(said)));
            found.entry(segment).or_default().extend(points);
        }
    })?;
    let pieces = found.into_iter().filter_map(|(segment, mut points)| {
        points.sort_by_key(|p| p.0);
        let first_ms = points.first()?.0;
        Some(Piece { first_ms, segment: segment.0, body: Body::Points(points) })
    });
    Ok(pieces.collect())
}

impl Iterator for Samples<'_> {
    type Item = Result<(Timestamp, Reading), StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        match self.merge.next(|piece| unpack(self.store, piece)) {
            Ok(point) => point.map(|(t, reading)| Ok((Timestamp::from_millis(t), reading))),
            Err(e) => {
                self.failed = true;
                Some(Err(e.of(self.store)))
            }
        }
    }
}
