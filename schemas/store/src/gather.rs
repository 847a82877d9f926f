//! Samples on their way to the disk: gathered in memory by stream, handed on as a chunk with every commit and as
//! sealed blocks when there are enough.

use crate::streams::{Stream, Streams};
use crate::{ChannelId, SegmentId, StreamId};
use ampwake_blocks::{Carry, MOST_ROWS, Rows, Summary, encode};
use std::ops::Range;

/// A minute, ms.
pub(crate) const MINUTE_MS: i64 = 60_000;

/// The rows of one stream since the last sealing.
#[derive(Debug)]
struct Gathered {
    rows: Rows,
    /// So many are in chunks already.
    committed: usize,
    /// The last row of each column in the block before, whose step belongs to this one.
    carry: Vec<Carry>,
}

/// A block that waits for the next commit.
#[derive(Debug)]
pub(crate) struct Finished {
    pub(crate) stream: StreamId,
    pub(crate) segment: SegmentId,
    pub(crate) first_ms: i64,
    pub(crate) last_ms: i64,
    pub(crate) rows: usize,
    pub(crate) data: Vec<u8>,
    pub(crate) columns: Vec<FinishedColumn>,
}

/// What a column of it comes to.
#[derive(Debug)]
pub(crate) struct FinishedColumn {
    pub(crate) channel: ChannelId,
    pub(crate) whole: Summary,
    /// By the minute of the recorder's own time plus the offset with which it was cut.
    pub(crate) minutes: Vec<(i64, Summary)>,
    /// The last row's value, if it has one, and its code.
    pub(crate) latest: (Option<f64>, u8),
}

/// All streams of a writer.
#[derive(Debug, Default)]
pub(crate) struct Gatherer {
    /// By the stream's place in [`Streams`].
    gathered: Vec<Option<Gathered>>,
    pub(crate) finished: Vec<Finished>,
    /// Samples in `gathered`.
    samples: usize,
    /// Of those, not in chunks yet.
    pub(crate) uncommitted: usize,
    /// Samples in `finished`.
    pub(crate) finished_samples: usize,
}

impl Gatherer {
    /// Adds one row; `raws` and `codes` have one entry per column. True where the stream now has a block's worth.
    #[inline]
    pub(crate) fn push(&mut self, stream: &Stream, t_ms: i64, raws: &[i64], codes: &[u8]) -> bool {
        let rows = &mut self.of(stream).rows;
        rows.times.push(t_ms);
        for ((column, raw), code) in rows.columns.iter_mut().zip(raws).zip(codes) {
            column.push(*raw, *code);
        }
        let full = rows.len() >= MOST_ROWS;
        self.samples += stream.columns.len();
        self.uncommitted += stream.columns.len();
        full
    }

    /// Adds rows that were read back from a chunk.
    pub(crate) fn push_rows(&mut self, stream: &Stream, rows: &Rows) {
        self.of(stream).rows.extend(rows);
        self.samples += rows.len() * stream.columns.len();
        self.uncommitted += rows.len() * stream.columns.len();
    }

    #[inline]
    fn of(&mut self, stream: &Stream) -> &mut Gathered {
        let at = stream.index;
        if at >= self.gathered.len() {
            self.gathered.resize_with(at + 1, || None);
        }
        self.gathered[at].get_or_insert_with(|| Gathered::of(stream))
    }

    /// Samples that are not in blocks yet.
    pub(crate) fn samples(&self) -> usize {
        self.samples
    }

    /// The earliest and the latest time of what is not in blocks yet, where each stream came in order.
    pub(crate) fn ends(&self) -> Option<(i64, i64)> {
        let of = |gathered: &Gathered| Some((*gathered.rows.times.first()?, *gathered.rows.times.last()?));
        self.gathered.iter().flatten().filter_map(of).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }

    /// Makes blocks of what one stream has.
    pub(crate) fn finish(&mut self, stream: &Stream, segment: SegmentId, offset_ms: i64) {
        let Some(Some(gathered)) = self.gathered.get_mut(stream.index) else { return };
        let mut rows = std::mem::replace(&mut gathered.rows, stream.empty_rows());
        let samples = rows.len() * rows.columns.len();
        self.uncommitted -= samples - gathered.committed * rows.columns.len();
        gathered.committed = 0;
        self.samples -= samples;
        self.finished_samples += samples;
        rows.sort();
        if rows.len() <= MOST_ROWS {
            self.finished.extend(gathered.block(stream, segment, &rows, offset_ms));
            return;
        }
        for from in (0..rows.len()).step_by(MOST_ROWS) {
            let part = rows.slice(from..rows.len().min(from + MOST_ROWS));
            self.finished.extend(gathered.block(stream, segment, &part, offset_ms));
        }
    }

    /// Makes blocks of everything.
    pub(crate) fn finish_all(&mut self, streams: &Streams, segment: SegmentId, offset_ms: i64) {
        for index in 0..self.gathered.len() {
            if let (Some(Some(gathered)), Some(stream)) = (self.gathered.get(index), streams.at(index))
                && !gathered.rows.is_empty()
            {
                self.finish(stream, segment, offset_ms);
            }
        }
    }

    /// Nothing of the segment that ends goes on in the next: its steps are not bridged.
    pub(crate) fn forget_carries(&mut self) {
        for gathered in self.gathered.iter_mut().flatten() {
            gathered.carry.iter_mut().for_each(|carry| *carry = Carry::default());
        }
    }

    /// What came since the last commit, as a block per stream, named by its number.
    pub(crate) fn uncommitted(&self, streams: &Streams) -> Vec<(u64, Vec<u8>)> {
        let mut out = Vec::new();
        for (index, gathered) in self.gathered.iter().enumerate() {
            let (Some(gathered), Some(stream)) = (gathered, streams.at(index)) else { continue };
            let mut from = gathered.committed;
            while from < gathered.rows.len() {
                let to = gathered.rows.len().min(from + MOST_ROWS);
                let mut rows = gathered.rows.slice(from..to);
                rows.sort();
                out.push((stream.id.0 as u64, encode(&rows)));
                from = to;
            }
        }
        out
    }

    /// The last row of every channel that has one here: channel, time, value, code.
    pub(crate) fn latest(&self, streams: &Streams) -> Vec<(ChannelId, i64, Option<f64>, u8)> {
        let mut out = Vec::new();
        for (index, gathered) in self.gathered.iter().enumerate() {
            let (Some(gathered), Some(stream)) = (gathered, streams.at(index)) else { continue };
            let Some(row) = gathered.rows.len().checked_sub(1) else { continue };
            for (column, spec) in gathered.rows.columns.iter().zip(&stream.columns) {
                let code = column.said.code(row);
                let value = (code == 0).then(|| spec.coding.value(column.raw(row)));
                out.push((spec.channel, gathered.rows.times[row], value, code));
            }
        }
        out
    }

    /// Gives up the older half of what is neither in chunks nor in blocks; the number of samples.
    pub(crate) fn shed(&mut self, streams: &Streams) -> usize {
        let mut shed = 0;
        for (index, gathered) in self.gathered.iter_mut().enumerate() {
            let (Some(gathered), Some(stream)) = (gathered, streams.at(index)) else { continue };
            let (kept, rows) = (gathered.committed, gathered.rows.len());
            let from = kept + (rows - kept).div_ceil(2);
            let mut left = gathered.rows.slice(0..kept);
            left.extend(&gathered.rows.slice(from..rows));
            gathered.rows = left;
            shed += (from - kept) * stream.columns.len();
        }
        self.samples -= shed;
        self.uncommitted -= shed;
        shed
    }

    /// Nothing gathered is on the disk.
    pub(crate) fn uncommit(&mut self) {
        self.gathered.iter_mut().flatten().for_each(|g| g.committed = 0);
        self.uncommitted = self.samples;
    }

    /// Everything gathered is on the disk now.
    pub(crate) fn committed(&mut self, chunks: bool) {
        self.finished.clear();
        self.finished_samples = 0;
        if chunks {
            self.uncommitted = 0;
            self.gathered.iter_mut().flatten().for_each(|g| g.committed = g.rows.len());
        }
    }
}

impl Gathered {
    fn of(stream: &Stream) -> Self {
        Self { rows: stream.empty_rows(), committed: 0, carry: vec![Carry::default(); stream.columns.len()] }
    }

    fn block(&mut self, stream: &Stream, segment: SegmentId, rows: &Rows, offset_ms: i64) -> Option<Finished> {
        let (first_ms, last_ms) = (*rows.times.first()?, *rows.times.last()?);
        let cuts = cuts(&rows.times, offset_ms);
        let ranges: Vec<Range<usize>> = cuts.iter().map(|cut| cut.1.clone()).collect();
        let last = rows.len() - 1;
        let columns = rows.columns.iter().zip(&stream.columns).zip(&mut self.carry).map(|((column, spec), carry)| {
            let mut whole = Summary::default();
            let minutes: Vec<(i64, Summary)> = column
                .summaries(&rows.times, &ranges, spec.coding, carry)
                .zip(&cuts)
                .map(|(summary, cut)| {
                    whole.merge(&summary);
                    (cut.0, summary)
                })
                .collect();
            let code = column.said.code(last);
            let value = (code == 0).then(|| spec.coding.value(column.raw(last)));
            FinishedColumn { channel: spec.channel, whole, minutes, latest: (value, code) }
        });
        let columns = columns.collect();
        Some(Finished { stream: stream.id, segment, first_ms, last_ms, rows: rows.len(), data: encode(rows), columns })
    }
}

/// The minutes of UTC that times in order fall into, and their rows.
pub(crate) fn cuts(times: &[i64], offset_ms: i64) -> Vec<(i64, Range<usize>)> {
    let mut cuts = Vec::new();
    let mut from = 0;
    while let Some(t) = times.get(from) {
        let minute = t.saturating_add(offset_ms).div_euclid(MINUTE_MS) * MINUTE_MS;
        let end = minute.saturating_add(MINUTE_MS - offset_ms);
        let rows = times[from..].partition_point(|t| *t < end).max(1);
        cuts.push((minute, from..from + rows));
        from += rows;
    }
    cuts
}
