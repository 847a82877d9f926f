//! Samples of one channel from many pieces, in the order of time; pieces are unpacked only when their time comes.
//!
//! Segments may overlap after correction (two recordings of the same hours), so pieces may too. One piece is held at a
//! time, and as many more as overlap it.

use crate::{BlockError, MOST_ROWS};
use std::collections::VecDeque;

/// So many may be of one time; an honest file never has as many, and a hostile one would fill the memory.
const MOST_AHEAD: usize = 512 * MOST_ROWS;

/// Something that unpacks to samples of one channel.
#[derive(Debug)]
pub struct Piece<B> {
    /// Corrected time of its first row, ms.
    pub first_ms: i64,
    /// The segment that it belongs to.
    pub segment: i64,
    /// What is needed to unpack it.
    pub body: B,
}

/// The pieces of one channel, an iterator that is told how to unpack.
#[derive(Debug)]
pub struct Merge<B, T> {
    /// Not unpacked yet, the earliest last.
    waiting: Vec<Piece<B>>,
    /// Unpacked, in the order of time.
    ahead: VecDeque<(i64, T)>,
    /// So many of those come before anything that waits.
    settled: usize,
    /// Corrected bounds, both included.
    from_ms: i64,
    to_ms: i64,
}

impl<B, T> Merge<B, T> {
    /// Of pieces in the order of arrival; samples outside the bounds (corrected ms, both included) are left out.
    pub fn new(mut pieces: Vec<Piece<B>>, from_ms: i64, to_ms: i64) -> Self {
        // The sort is stable, and so keeps the order of arrival.
        pieces.sort_by_key(|piece| (piece.first_ms, piece.segment));
        pieces.reverse();
        Self { waiting: pieces, ahead: VecDeque::new(), settled: 0, from_ms, to_ms }
    }

    /// The next sample; `unpack` gives a piece's samples, times corrected and in order.
    ///
    /// # Errors
    /// What `unpack` says, or more samples of one time than there can honestly be.
    pub fn next<E: From<BlockError>>(
        &mut self,
        unpack: impl FnMut(Piece<B>) -> Result<Vec<(i64, T)>, E>,
    ) -> Result<Option<(i64, T)>, E> {
        if self.settled == 0 && !self.more(unpack)? {
            return Ok(None);
        }
        self.settled -= 1;
        Ok(self.ahead.pop_front())
    }

    /// All samples whose turn is certain, as many as there are; `None` at the end.
    ///
    /// # Errors
    /// As [`Merge::next`].
    pub fn next_many<E: From<BlockError>>(
        &mut self,
        unpack: impl FnMut(Piece<B>) -> Result<Vec<(i64, T)>, E>,
    ) -> Result<Option<impl Iterator<Item = (i64, T)> + '_>, E> {
        if self.settled == 0 && !self.more(unpack)? {
            return Ok(None);
        }
        let settled = std::mem::take(&mut self.settled);
        Ok(Some(self.ahead.drain(..settled)))
    }

    /// Unpacks until something is certain to come next; false at the end.
    fn more<E: From<BlockError>>(
        &mut self,
        mut unpack: impl FnMut(Piece<B>) -> Result<Vec<(i64, T)>, E>,
    ) -> Result<bool, E> {
        loop {
            self.settled = self.certain();
            if self.settled > 0 {
                return Ok(true);
            }
            let Some(piece) = self.waiting.pop() else { return Ok(false) };
            let mut points = unpack(piece)?;
            points.retain(|p| (self.from_ms..=self.to_ms).contains(&p.0));
            if self.ahead.len() + points.len() > MOST_AHEAD {
                return Err(BlockError::Malformed("too many of them are of one time").into());
            }
            let disorder = self.ahead.back().zip(points.first()).is_some_and(|(last, first)| first.0 < last.0);
            self.ahead.extend(points);
            if disorder {
                self.ahead.make_contiguous().sort_by_key(|p| p.0);
            }
        }
    }

    fn certain(&self) -> usize {
        match self.waiting.last() {
            None => self.ahead.len(),
            Some(next) if self.ahead.back().is_some_and(|last| last.0 < next.first_ms) => self.ahead.len(),
            Some(next) => self.ahead.partition_point(|p| p.0 < next.first_ms),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(first_ms: i64, segment: i64, body: &[i64]) -> Piece<Vec<i64>> {
        Piece { first_ms, segment, body: body.to_vec() }
    }

    fn unpack(piece: Piece<Vec<i64>>) -> Result<Vec<(i64, i64)>, BlockError> {
        Ok(piece.body.into_iter().map(|t| (t, piece.segment)).collect())
    }

    #[test]
    fn overlapping_pieces_come_in_the_order_of_time_and_of_arrival() {
        let pieces = vec![piece(5, 2, &[5, 6, 6, 9]), piece(1, 1, &[1, 6, 7]), piece(20, 1, &[20])];
        let mut merge = Merge::new(pieces, 5, 100);
        let mut opened = Vec::new();
        let mut all = Vec::new();
        while let Some(point) = merge
            .next(|p| {
                opened.push(p.first_ms);
                unpack(p)
            })
            .unwrap()
        {
            all.push(point);
        }
        assert_eq!(all, [(5, 2), (6, 1), (6, 2), (6, 2), (7, 1), (9, 2), (20, 1)]);
        assert_eq!(opened, [1, 5, 20]);
    }

    #[test]
    fn a_hostile_file_cannot_make_it_hold_everything() {
        let pieces = (0..1000).map(|i| Piece { first_ms: 0, segment: i, body: () }).collect();
        let mut merge = Merge::new(pieces, 0, 10);
        let mut opened = 0;
        let said = merge.next(|_| {
            opened += 1;
            Ok::<_, BlockError>(vec![(0, ()); MOST_ROWS])
        });
        assert!(said.is_err() && opened < 600);
    }
}
