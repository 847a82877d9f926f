//! Reading for one query: channel by channel in the order of the addresses, each in the order of time.
//!
//! What there is to read is found from the heads of blocks; of the blocks themselves one is unpacked at a time. What is
//! damaged is told where it stands, as a row that says so, and the rest is read.

use super::database::{check, says};
use super::plan::Narrowed;
use ampwake_blocks::{BlockError, BlockView, Coding, Merge, Piece, chunk_parts};
use ampwake_schemas::message::Scale;
use ampwake_schemas::sample::Reading;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Error, OptionalExtension, Result, Row, params_from_iter};
use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

/// Samples of one channel that may lie in chunks; a recorder seals earlier, a hostile file would fill the memory.
const MOST_UNSEALED: usize = 4_000_000;
/// Damaged pieces that are told apart.
const MOST_DAMAGED: usize = 100_000;

/// What the queries of a connection have read so far.
#[derive(Debug, Default)]
pub struct Counts {
    blocks: AtomicU64,
    damaged: Mutex<BTreeSet<(&'static str, i64)>>,
}

impl Counts {
    /// Blocks that were unpacked.
    pub fn blocks(&self) -> u64 {
        self.blocks.load(Ordering::Relaxed)
    }

    /// Blocks and chunks that could not be read, each counted once (and a hundred thousand at most).
    pub fn damaged(&self) -> usize {
        self.damaged.lock().map_or(0, |set| set.len())
    }

    fn block(&self) {
        self.blocks.fetch_add(1, Ordering::Relaxed);
    }

    fn damage(&self, table: &'static str, id: i64) {
        if let Ok(mut set) = self.damaged.lock()
            && set.len() < MOST_DAMAGED
        {
            set.insert((table, id));
        }
    }
}

/// What a row says beside its time.
#[derive(Debug, Clone, Copy)]
pub(super) enum Said {
    /// What the sender said.
    Sample(Reading),
    /// Nothing is known: a block that cannot be read begins here.
    Damaged,
}

/// A sample, but for its time and channel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    pub(super) said: Said,
    pub(super) segment: i64,
    pub(super) offset_ms: i64,
    /// The same in every query, and no other sample's: SQLite tells rows apart by it.
    pub(super) id: i64,
}

#[derive(Debug)]
struct Channel {
    id: i64,
    address: String,
    unit: String,
}

/// Where a channel is within a stream.
#[derive(Debug, Clone, Copy)]
struct Place {
    stream: i64,
    place: usize,
    coding: Coding,
}

#[derive(Debug)]
enum Body {
    Block(i64, Origin),
    Points(Vec<(i64, Point)>),
}

/// A query under way.
#[derive(Debug)]
pub(super) struct Scan {
    channels: VecDeque<Channel>,
    now: Option<(Channel, Merge<Body, Point>)>,
    offsets: HashMap<i64, i64>,
    from_ms: i64,
    to_ms: i64,
}

impl Scan {
    /// Finds the channels that a query leaves.
    ///
    /// # Errors
    /// No database of ours, or one that cannot be read.
    pub(super) fn new(c: &Connection, narrowed: &Narrowed) -> Result<Self> {
        check(c)?;
        let (mut channels, mut offsets) = (VecDeque::new(), HashMap::new());
        if !narrowed.nothing && narrowed.from_ms <= narrowed.to_ms {
            let sql =
                format!("SELECT id, address, unit FROM main.channel WHERE {} ORDER BY address, id", narrowed.addresses);
            let mut statement = c.prepare_cached(&sql)?;
            let found = statement.query_map(params_from_iter(&narrowed.values), |row| {
                Ok(Channel { id: row.get(0)?, address: row.get(1)?, unit: row.get(2)? })
            })?;
            channels = found.collect::<Result<_>>()?;
            // As view `segment_clock`: the newest row holds.
            let mut statement = c.prepare_cached("SELECT segment, offset_ms FROM main.clock ORDER BY id")?;
            let found = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
            offsets = found.collect::<Result<_>>()?;
        }
        Ok(Self { channels, now: None, offsets, from_ms: narrowed.from_ms, to_ms: narrowed.to_ms })
    }

    /// Address and unit of the channel that is being read.
    pub(super) fn channel(&self) -> Option<(&str, &str)> {
        self.now.as_ref().map(|(channel, _)| (channel.address.as_str(), channel.unit.as_str()))
    }

    /// The next sample.
    ///
    /// # Errors
    /// The file cannot be read.
    pub(super) fn next(&mut self, c: &Connection, counts: &Counts) -> Result<Option<(i64, Point)>> {
        loop {
            if let Some((_, merge)) = &mut self.now
                && let Some(point) =
                    merge.next(|piece| unpack(c, counts, piece, self.from_ms)).map_err(Failed::into_error)?
            {
                return Ok(Some(point));
            }
            self.now = None;
            let Some(channel) = self.channels.pop_front() else { return Ok(None) };
            let pieces = self.pieces(c, counts, channel.id)?;
            self.now = Some((channel, Merge::new(pieces, self.from_ms, self.to_ms)));
        }
    }

    fn offset(&self, segment: i64) -> i64 {
        self.offsets.get(&segment).copied().unwrap_or(0)
    }

    /// Everything of a channel that overlaps the bounds, in the order of arrival.
    fn pieces(&self, c: &Connection, counts: &Counts, channel: i64) -> Result<Vec<Piece<Body>>> {
        let places = places(c, channel)?;
        let mut pieces = Vec::new();
        // Sealed ones by index alone; the bounds are tried here because every segment has its own offset.
        // Of one without bytes only the summary was kept.
        let sql = "SELECT id, segment, first_ms, last_ms FROM main.block WHERE stream = ?1 AND length(data) > 0";
        let mut heads = c.prepare_cached(sql)?;
        for place in &places {
            let mut rows = heads.query([place.stream])?;
            while let Some(row) = rows.next()? {
                let segment = row.get(1)?;
                let offset_ms = self.offset(segment);
                let at = |column| Ok::<_, Error>(row.get::<_, i64>(column)?.saturating_add(offset_ms));
                let (first_ms, last_ms) = (at(2)?, at(3)?);
                if first_ms <= self.to_ms && last_ms >= self.from_ms {
                    let id = row.get(0)?;
                    let from = Origin { place: *place, segment, offset_ms, ids: Ids::Block(id) };
                    pieces.push(Piece { first_ms, segment, body: Body::Block(id, from) });
                }
            }
        }
        self.unsealed(c, counts, &places, &mut pieces)?;
        Ok(pieces)
    }

    /// What is in chunks, one piece per segment.
    fn unsealed(&self, c: &Connection, counts: &Counts, places: &[Place], pieces: &mut Vec<Piece<Body>>) -> Result<()> {
        let mut found: BTreeMap<i64, Vec<(i64, Point)>> = BTreeMap::new();
        let mut held = 0;
        let mut chunks = c.prepare_cached("SELECT id, segment, data FROM main.chunk ORDER BY id")?;
        let mut rows = chunks.query([])?;
        while let Some(row) = rows.next()? {
            let (id, segment) = (row.get(0)?, row.get(1)?);
            let points = found.entry(segment).or_default();
            let before = points.len();
            for (part, said) in chunk_parts(blob(row, 2)).enumerate() {
                let Ok((stream, block)) = said else {
                    counts.damage("chunk", id);
                    continue;
                };
                for place in places.iter().filter(|p| p.stream == stream as i64) {
                    let from =
                        Origin { place: *place, segment, offset_ms: self.offset(segment), ids: Ids::Chunk(id, part) };
                    match from.read(block) {
                        Ok(more) => {
                            points.extend(more.into_iter().filter(|p| (self.from_ms..=self.to_ms).contains(&p.0)));
                        }
                        Err(newer @ BlockError::Newer(_)) => return Err(says(&format!("sample: {newer}"))),
                        Err(_) => {
                            counts.damage("chunk", id);
                            // Its time is lost with it; it came after the sample before it.
                            let before = points.last().map(|p| p.0);
                            points.extend(before.map(|t| (t, from.damaged())));
                        }
                    }
                }
            }
            held += points.len() - before;
            if held > MOST_UNSEALED {
                return Err(says("sample: more is unsealed than a recorder leaves; this database was altered"));
            }
        }
        for (segment, mut points) in found {
            points.sort_by_key(|p| p.0);
            if let Some(first) = points.first() {
                pieces.push(Piece { first_ms: first.0, segment, body: Body::Points(points) });
            }
        }
        Ok(())
    }
}

fn places(c: &Connection, channel: i64) -> Result<Vec<Place>> {
    let sql =
        "SELECT stream, place, step, shift, decimals FROM main.stream_column WHERE channel = ?1 ORDER BY stream, place";
    let mut statement = c.prepare_cached(sql)?;
    let places = statement.query_map([channel], |row| {
        let coding = match row.get::<_, Option<i64>>(2)? {
            None => Coding::Float,
            Some(step) => Coding::Scaled(Scale { step, offset: row.get(3)?, decimals: row.get(4)? }),
        };
        Ok(Place { stream: row.get(0)?, place: row.get::<_, i64>(1)?.max(0) as usize, coding })
    })?;
    places.collect()
}

/// A block's bytes; what is no blob is as good as an empty one.
fn blob<'a>(row: &'a Row<'_>, at: usize) -> &'a [u8] {
    match row.get_ref(at) {
        Ok(ValueRef::Blob(data)) => data,
        _ => &[],
    }
}

/// Why reading stops.
enum Failed {
    Block(BlockError),
    Sqlite(Error),
}

impl From<BlockError> for Failed {
    fn from(e: BlockError) -> Self {
        Self::Block(e)
    }
}

impl From<Error> for Failed {
    fn from(e: Error) -> Self {
        Self::Sqlite(e)
    }
}

impl Failed {
    fn into_error(self) -> Error {
        match self {
            Self::Block(e) => says(&format!("sample: {e}")),
            Self::Sqlite(e) => e,
        }
    }
}

fn unpack(c: &Connection, counts: &Counts, piece: Piece<Body>, from_ms: i64) -> Result<Vec<(i64, Point)>, Failed> {
    let (id, from) = match piece.body {
        Body::Points(points) => return Ok(points),
        Body::Block(id, from) => (id, from),
    };
    counts.block();
    let mut statement = c.prepare_cached("SELECT data FROM main.block WHERE id = ?1")?;
    match statement.query_row([id], |row| Ok(from.read(blob(row, 0)))).optional()? {
        None => Ok(Vec::new()),
        Some(Ok(points)) => Ok(points),
        Some(Err(newer @ BlockError::Newer(_))) => Err(newer.into()),
        Some(Err(_)) => {
            counts.damage("block", id);
            Ok(vec![(piece.first_ms.max(from_ms), from.damaged())])
        }
    }
}

/// Where samples come from.
#[derive(Debug, Clone, Copy)]
struct Origin {
    place: Place,
    segment: i64,
    offset_ms: i64,
    ids: Ids,
}

/// A block, or a part of a chunk.
#[derive(Debug, Clone, Copy)]
enum Ids {
    Block(i64),
    Chunk(i64, usize),
}

impl Origin {
    /// One column of a block, times corrected.
    fn read(&self, block: &[u8]) -> Result<Vec<(i64, Point)>, BlockError> {
        let (view, columns) = BlockView::read(block, |at| at == self.place.place)?;
        let column = columns.first().ok_or(BlockError::Malformed("a column is not there"))?;
        let points = column.readings(self.place.coding).enumerate().map(|(row, said)| {
            let reading = said.map_or_else(|code| Reading::from_code(code, f64::NAN), Reading::Value);
            (view.time(row).saturating_add(self.offset_ms), self.point(Said::Sample(reading), row))
        });
        Ok(points.collect())
    }

    fn damaged(&self) -> Point {
        self.point(Said::Damaged, 0)
    }

    fn point(&self, said: Said, row: usize) -> Point {
        // Columns of a block are told apart by 8 bits, rows by 13, parts of a chunk by 16.
        let within = ((row as i64) << 8) | self.place.place as i64;
        let id = match self.ids {
            Ids::Block(id) => (id << 21) | within,
            // Negative, and so no block's.
            Ids::Chunk(id, part) => !((id << 37) | ((part as i64 & 0xFFFF) << 21) | within),
        };
        Point { said, segment: self.segment, offset_ms: self.offset_ms, id }
    }
}
