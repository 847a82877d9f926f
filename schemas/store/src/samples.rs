//! Reading one channel in the order of corrected time, in small steps.
//!
//! Segments may overlap after correction (two recordings of the same hours), so they are merged. Each step is
//! a short query of its own: a long read must not keep the recorder's write-ahead log from being cleared.

use crate::error::StoreError;
use crate::store::Store;
use crate::{ChannelId, Timestamp};
use ampwake_schemas::sample::Reading;
use std::collections::VecDeque;

/// Rows per query: some 100 kB of memory per segment that is open at the time.
const STEP: i64 = 4096;

const NEXT: &str = "SELECT t_ms, seq, value, code FROM sample
    WHERE channel = ?1 AND segment = ?2 AND (t_ms, seq) > (?3, ?4) AND t_ms <= ?5
    ORDER BY t_ms, seq LIMIT ?6";

/// What a channel holds in one segment, in the recorder's own time.
#[derive(Debug)]
pub(crate) struct Stretch {
    pub(crate) segment: i64,
    pub(crate) first_ms: i64,
    pub(crate) last_ms: i64,
    pub(crate) offset_ms: i64,
}

/// The samples of one channel, an iterator; see [`Store::read`].
#[derive(Debug)]
pub struct Samples<'a> {
    store: &'a Store,
    channel: ChannelId,
    /// Not reached yet, the earliest last.
    waiting: Vec<Stretch>,
    /// Being read; nearly always one.
    open: Vec<Cursor>,
    /// Corrected bounds, both included.
    from_ms: i64,
    to_ms: i64,
    failed: bool,
}

#[derive(Debug)]
struct Cursor {
    stretch: Stretch,
    ahead: VecDeque<(i64, Reading)>,
    /// Where the next query goes on; the recorder's own time.
    after: (i64, i64),
    last_ms: i64,
    exhausted: bool,
}

impl<'a> Samples<'a> {
    pub(crate) fn new(
        store: &'a Store,
        channel: ChannelId,
        mut stretches: Vec<Stretch>,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Result<Self, StoreError> {
        // Stored times are whole milliseconds: the first one that is not before `from`.
        let from_ms =
            from.map_or(i64::MIN, |t| t.micros().div_euclid(1000) + i64::from(t.micros().rem_euclid(1000) > 0));
        let to_ms = to.map_or(i64::MAX, Timestamp::millis);
        stretches.retain(|s| {
            s.first_ms.saturating_add(s.offset_ms) <= to_ms && s.last_ms.saturating_add(s.offset_ms) >= from_ms
        });
        stretches.sort_by_key(|s| std::cmp::Reverse((s.first_ms.saturating_add(s.offset_ms), s.segment)));
        Ok(Self { store, channel, waiting: stretches, open: Vec::new(), from_ms, to_ms, failed: false })
    }

    fn next_sample(&mut self) -> Result<Option<(Timestamp, Reading)>, StoreError> {
        loop {
            for cursor in &mut self.open {
                cursor.fill(self.store, self.channel)?;
            }
            self.open.retain(|c| !c.ahead.is_empty());
            // The next sample is the earliest head, unless a waiting segment could begin before it.
            let earliest =
                self.open.iter().enumerate().filter_map(|(i, c)| Some((c.head()?, c.stretch.segment, i))).min();
            if let Some(stretch) = self.waiting.last()
                && earliest.is_none_or(|(head, ..)| stretch.first_ms.saturating_add(stretch.offset_ms) <= head)
                && let Some(stretch) = self.waiting.pop()
            {
                self.open.push(Cursor::new(stretch, self.from_ms, self.to_ms));
                continue;
            }
            let Some((head, _, index)) = earliest else { return Ok(None) };
            let reading = self.open[index].ahead.pop_front().map(|(_, reading)| reading);
            return Ok(reading.map(|reading| (Timestamp::from_millis(head), reading)));
        }
    }
}

impl Cursor {
    fn new(stretch: Stretch, from_ms: i64, to_ms: i64) -> Self {
        let own = |corrected: i64| corrected.saturating_sub(stretch.offset_ms);
        // What the recorder adds meanwhile is left out, so that a read of a live database ends.
        let last_ms = stretch.last_ms.min(own(to_ms));
        let after = (own(from_ms).max(stretch.first_ms), -1);
        Self { stretch, ahead: VecDeque::new(), after, last_ms, exhausted: false }
    }

    fn head(&self) -> Option<i64> {
        self.ahead.front().map(|(t, _)| t.saturating_add(self.stretch.offset_ms))
    }

    fn fill(&mut self, store: &Store, channel: ChannelId) -> Result<(), StoreError> {
        if !self.ahead.is_empty() || self.exhausted {
            return Ok(());
        }
        let params = (channel.0, self.stretch.segment, self.after.0, self.after.1, self.last_ms, STEP);
        let rows = store.rows("cannot read the samples", NEXT, params, |row| {
            let value = row.get::<_, Option<f64>>(2)?.unwrap_or(f64::NAN);
            Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, Reading::from_code(row.get(3)?, value)))
        })?;
        self.exhausted = rows.len() < STEP as usize;
        if let Some(&(t, seq, _)) = rows.last() {
            self.after = (t, seq);
        }
        self.ahead.extend(rows.into_iter().map(|(t, _, reading)| (t, reading)));
        Ok(())
    }
}

impl Iterator for Samples<'_> {
    type Item = Result<(Timestamp, Reading), StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        let next = self.next_sample().transpose();
        self.failed = matches!(next, Some(Err(_)));
        next
    }
}
