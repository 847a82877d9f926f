//! What is kept for how long: old blocks lose their rows and keep their summaries, old minutes go, hours stay for ever.
//!
//! Owes its reader: nothing goes that is not summarised; every step is one short transaction; a clock that is wrong for
//! an hour costs no more than a day of the oldest; pages that become free are used again. The file does not shrink: with
//! `auto_vacuum` every commit would write a page of pointers more, for years, to give back once what the next day needs.
//!
//! A block's age counts from its own time or from the latest time recorded before its segment began, whichever is later:
//! a recorder that woke up in 1970 has not recorded for fifty years.

use crate::error::StoreError;
use crate::{Store, Writer};
use ampwake_schemas::time::Timestamp;
use rusqlite::OptionalExtension;
use std::collections::VecDeque;
use std::time::{Duration, Instant};

/// In `meta`: before this time (UTC, ms) blocks may hold summaries only.
pub(crate) const FULL_FROM: &str = "full_resolution_from_ms";
/// In `meta`: up to this time (UTC, ms) all blocks have been dealt with.
const RETAINED_TO: &str = "retained_to_ms";
/// In `meta`: before this time (UTC, ms) there are no minutes.
const MINUTES_FROM: &str = "minutes_from_ms";

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Days for which minutes are kept: a season beside the one before.
pub const MINUTE_DAYS: i64 = 400;
/// Of full resolution and of minutes so much is left while anything else can go for room.
const SPARED_MS: i64 = 30 * DAY_MS;
/// Clocks that show less have never been set (2020-01-01T00:00:00Z).
const SANE_MS: i64 = 1_577_836_800_000;
/// Blocks of one step: some megabytes of log at most.
const STEP_BLOCKS: usize = 128;
/// Minutes of one step.
const STEP_MINUTES: i64 = 1000;
/// How often it is looked what has grown old.
const LOOK_EVERY: Duration = Duration::from_secs(3600);

/// What is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Keep {
    /// Days in full resolution.
    pub full_days: u32,
    /// The most that the database and its log, and what `beside` says, may take, in bytes.
    pub max_bytes: u64,
    /// Bytes of other files that count as well.
    pub beside: u64,
}

/// What one step did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Retained {
    /// Blocks that keep their summaries alone from now on.
    pub blocks: usize,
    /// Rows of minutes that are gone.
    pub minutes: usize,
    /// There is more to do.
    pub more: bool,
    /// The recording takes more than it may, and all that may go is gone.
    pub too_large: bool,
}

/// A round over all streams and channels.
#[derive(Debug)]
pub(crate) struct Round {
    work: VecDeque<Work>,
    /// Blocks that ended in this stretch of UTC lose their rows, ms.
    from_ms: i64,
    to_ms: i64,
    /// Segments up to this one are old enough.
    last_segment: i64,
    /// Those after this one were not, the last time.
    fresh_segment: i64,
    minutes_to_ms: i64,
    /// For want of room: it is looked again when this is done.
    for_room: bool,
}

#[derive(Debug, Clone, Copy)]
enum Work {
    Blocks(i64),
    Minutes,
    /// How far it is, in `meta`.
    Note(&'static str),
}

/// What the writer remembers between two steps.
#[derive(Debug, Default)]
pub(crate) struct Retention {
    round: Option<Round>,
    looked: Option<Instant>,
}

impl Store {
    /// From this time on samples are there in full; before it blocks may hold summaries only. `None`: all are.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn full_from(&self) -> Result<Option<Timestamp>, StoreError> {
        Ok(self.meta_ms(FULL_FROM)?.map(Timestamp::from_millis))
    }

    /// What the database takes on the disk less the pages that are free to be used again, with its log, in bytes.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn bytes(&self) -> Result<u64, StoreError> {
        let pragma = |sql| -> Result<u64, StoreError> {
            let rows = self.rows("cannot read the size", sql, [], |row| row.get::<_, i64>(0))?;
            Ok(rows.first().map_or(0, |n| (*n).max(0) as u64))
        };
        let pages = pragma("PRAGMA page_count")?.saturating_sub(pragma("PRAGMA freelist_count")?);
        let log = std::fs::metadata(crate::open::log_path(&self.path)).map_or(0, |m| m.len());
        Ok(pages * pragma("PRAGMA page_size")? + log)
    }

    fn meta_ms(&self, key: &str) -> Result<Option<i64>, StoreError> {
        let sql = "SELECT CAST(value AS INTEGER) FROM meta WHERE key = ?1";
        Ok(self.rows("cannot read", sql, [key], |row| row.get(0))?.pop())
    }

    /// Segments in their order, with the latest time (UTC, ms, none after `now`) recorded in any up to it.
    fn segment_ends(&self, now_ms: i64) -> Result<Vec<(i64, i64)>, StoreError> {
        let sql = "SELECT v.segment, max(v.last_ms) + s.offset_ms FROM coverage v
                   JOIN segment_clock s ON s.segment = v.segment GROUP BY v.segment ORDER BY v.segment";
        let mut ends = self.rows("cannot read the period", sql, [], |row| Ok((row.get(0)?, row.get::<_, i64>(1)?)))?;
        let mut latest = i64::MIN;
        for end in &mut ends {
            if end.1 <= now_ms {
                latest = latest.max(end.1);
            }
            end.1 = latest;
        }
        Ok(ends)
    }

    /// The earliest time that a set clock showed, UTC, ms.
    fn oldest(&self, sql: &str) -> Result<Option<i64>, StoreError> {
        Ok(self.rows("cannot read the period", sql, [SANE_MS], |row| row.get(0))?.pop().flatten())
    }
}

impl Writer {
    /// One short step of letting go what is older than `keep` says at the time `now`, or what there is no room for. To
    /// be called after a commit, again while there is more.
    ///
    /// # Errors
    /// The file cannot be read or written; what was not done is done the next time.
    pub fn retain(&mut self, keep: Keep, now: Timestamp) -> Result<Retained, StoreError> {
        let mut done = Retained::default();
        if self.retention().round.is_none() {
            let too_large = self.bytes()?.saturating_add(keep.beside) > keep.max_bytes - keep.max_bytes / 20;
            if !too_large && self.retention().looked.is_some_and(|at| at.elapsed() < LOOK_EVERY) {
                return Ok(done);
            }
            self.retention().looked = Some(Instant::now());
            let Some(round) = self.round(keep, now.millis(), too_large)? else {
                return Ok(Retained { too_large, ..done });
            };
            self.retention().round = Some(round);
        }
        let Some(mut round) = self.retention().round.take() else { return Ok(done) };
        let result = self.step(&mut round, &mut done);
        let open = !round.work.is_empty();
        done.more = open || round.for_room;
        if result.is_err() || open {
            self.retention().round = Some(round);
        }
        result.map(|()| done)
    }

    /// What is to go now; `None` when nothing is.
    fn round(&self, keep: Keep, now_ms: i64, too_large: bool) -> Result<Option<Round>, StoreError> {
        let ends = self.segment_ends(now_ms)?;
        let Some(newest) = ends.last().map(|end| end.1).filter(|ms| *ms > SANE_MS) else { return Ok(None) };
        let from_ms = self.meta_ms(RETAINED_TO)?.unwrap_or(i64::MIN);
        let full_from = self.meta_ms(FULL_FROM)?;
        let blocks_from = match full_from {
            Some(ms) => ms,
            None => self.oldest(OLDEST_BLOCK)?.unwrap_or(newest),
        };
        let minutes_from = match self.meta_ms(MINUTES_FROM)? {
            Some(ms) => ms,
            None => self.oldest(OLDEST_MINUTE)?.unwrap_or(newest),
        };
        // By age a whole day at a time, which spares the card, and one per look: see above.
        let by_age = |from: i64, days: i64| {
            let next = from.saturating_add(DAY_MS);
            if next <= now_ms - days * DAY_MS { next } else { from }
        };
        let mut to_ms = by_age(blocks_from, i64::from(keep.full_days));
        let mut minutes_to_ms = by_age(minutes_from, MINUTE_DAYS);
        if too_large {
            let slice = |from: i64| from.saturating_add(((newest - from) / 50).max(HOUR_MS));
            let (spared, last_day) = (newest - SPARED_MS, newest - DAY_MS);
            if blocks_from < spared {
                to_ms = to_ms.max(slice(blocks_from));
            } else if minutes_from < spared {
                minutes_to_ms = minutes_to_ms.max(slice(minutes_from));
            } else if blocks_from < last_day {
                to_ms = to_ms.max(slice(blocks_from));
            } else if minutes_from < last_day {
                minutes_to_ms = minutes_to_ms.max(slice(minutes_from));
            }
        }
        // A round that was broken off is not noted as done, and is gone over again.
        let thins = to_ms > if full_from.is_some() { from_ms } else { blocks_from };
        if !thins && minutes_to_ms <= minutes_from {
            return Ok(None);
        }
        // Where a segment begins is where the one before it ended.
        let begins = |limit: i64| {
            let before = std::iter::once(i64::MIN).chain(ends.iter().map(|end| end.1));
            let old = ends.iter().zip(before).filter(|(_, began)| *began < limit);
            old.map(|(end, _)| end.0).last().unwrap_or(i64::MIN)
        };
        let (last_segment, fresh_segment) = (begins(to_ms), begins(from_ms));
        let ids = |sql| self.rows("cannot read", sql, [], |row| row.get::<_, i64>(0));
        let blocks = ids("SELECT DISTINCT stream FROM stream_column")?.into_iter().map(Work::Blocks);
        let mut work: VecDeque<Work> = VecDeque::new();
        if thins {
            // First of all: a reader must not take what is gone for a silence.
            work.push_back(Work::Note(FULL_FROM));
            work.extend(blocks);
            work.push_back(Work::Note(RETAINED_TO));
        }
        if minutes_to_ms > minutes_from {
            work.push_back(Work::Minutes);
            work.push_back(Work::Note(MINUTES_FROM));
        }
        Ok(Some(Round { work, from_ms, to_ms, last_segment, fresh_segment, minutes_to_ms, for_room: too_large }))
    }

    fn step(&mut self, round: &mut Round, done: &mut Retained) -> Result<(), StoreError> {
        let finished = match round.work.front().copied() {
            Some(Work::Blocks(stream)) => {
                done.blocks = self.thin(stream, round)?;
                done.blocks < STEP_BLOCKS
            }
            Some(Work::Minutes) => {
                let minutes = self.drop_minutes(round)?;
                done.minutes = minutes.unwrap_or(0);
                minutes.is_none()
            }
            Some(Work::Note(key)) => {
                self.note(key, if key == MINUTES_FROM { round.minutes_to_ms } else { round.to_ms })?;
                true
            }
            None => false,
        };
        if finished {
            round.work.pop_front();
        }
        Ok(())
    }

    /// Takes the rows out of old blocks of a stream, as many as a step may; they keep their place, times and summaries.
    fn thin(&mut self, stream: i64, round: &Round) -> Result<usize, StoreError> {
        self.in_transaction(|tx| {
            let blocks: Vec<i64> = tx
                .prepare_cached(THINNED)?
                .query_map(
                    (stream, round.last_segment, round.to_ms, round.fresh_segment, round.from_ms, STEP_BLOCKS as i64),
                    |row| row.get(0),
                )?
                .collect::<rusqlite::Result<_>>()?;
            let mut empty = tx.prepare_cached("UPDATE block SET data = x'' WHERE id = ?1")?;
            for id in &blocks {
                empty.execute([id])?;
            }
            Ok(blocks.len())
        })
    }

    /// Takes old minutes out, as many as a step may; `None` when there are none left.
    fn drop_minutes(&mut self, round: &Round) -> Result<Option<usize>, StoreError> {
        self.in_transaction(|tx| {
            let end = round.minutes_to_ms.div_euclid(HOUR_MS);
            let hour: Option<i64> = tx
                .prepare_cached(
                    "SELECT hour FROM rollup_minute WHERE hour < ?1 AND segment <= ?2 ORDER BY hour LIMIT 1",
                )?
                .query_row((end, round.last_segment), |row| row.get(0))
                .optional()?;
            let Some(hour) = hour else { return Ok(None) };
            // Whole channels of it.
            let last = "SELECT channel FROM rollup_minute WHERE hour = ?1 AND segment <= ?2 ORDER BY channel LIMIT 1 OFFSET ?3";
            let mut delete = tx.prepare_cached(&format!(
                "DELETE FROM rollup_minute WHERE hour = ?1 AND segment <= ?2 AND channel <= coalesce(({last}), channel)"
            ))?;
            delete.execute((hour, round.last_segment, STEP_MINUTES)).map(Some)
        })
    }

    fn note(&mut self, key: &str, ms: i64) -> Result<(), StoreError> {
        self.in_transaction(|tx| {
            let sql = "INSERT OR REPLACE INTO meta VALUES (?1, ?2)";
            tx.prepare_cached(sql)?.execute((key, ms.to_string())).map(drop)
        })
    }

    fn in_transaction<T>(
        &mut self,
        work: impl FnOnce(&rusqlite::Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        let (store, ..) = self.parts();
        let write = |connection: &mut rusqlite::Connection| {
            let tx = connection.transaction()?;
            let result = work(&tx)?;
            tx.commit().map(|()| result)
        };
        let result = write(&mut store.connection);
        result.map_err(StoreError::sqlite(&store.path, "cannot let go what is old"))
    }
}

const OLDEST_BLOCK: &str = "SELECT min(v.first_ms + s.offset_ms) FROM coverage v
    JOIN segment_clock s ON s.segment = v.segment WHERE v.first_ms + s.offset_ms >= ?1";
const OLDEST_MINUTE: &str = "SELECT min(hour) * 3600000 FROM rollup_minute WHERE hour >= ?1 / 3600000";
/// Old blocks of a stream that still have their rows, all of them summarised: found through the index alone, but for
/// those that are taken.
const THINNED: &str = "SELECT b.id FROM segment_clock s
    CROSS JOIN block b INDEXED BY block_of_stream ON b.stream = ?1 AND b.segment = s.segment
    WHERE s.segment <= ?2 AND b.first_ms < ?3 - s.offset_ms AND b.last_ms < ?3 - s.offset_ms
      AND (s.segment > ?4 OR b.last_ms >= ?5 - s.offset_ms) AND length(b.data) > 0
      AND EXISTS (SELECT 1 FROM stream_column c JOIN summary m ON m.channel = c.channel AND m.block = b.id
                  WHERE c.stream = b.stream)
    LIMIT ?6";
