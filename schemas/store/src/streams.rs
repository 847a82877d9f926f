//! Streams: which channels arrive together, and what their raw numbers mean.

use crate::{ChannelId, StreamId};
use ampwake_blocks::{Coding, Rows};
use std::collections::HashMap;

/// One column of a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct StreamColumn {
    /// The channel that it belongs to.
    pub channel: ChannelId,
    /// What its numbers mean.
    pub coding: Coding,
}

/// A stream as it stands in the database.
#[derive(Debug, Clone)]
pub(crate) struct Stream {
    pub(crate) id: StreamId,
    /// Its place in [`Streams`].
    pub(crate) index: usize,
    pub(crate) columns: Vec<StreamColumn>,
}

impl Stream {
    pub(crate) fn empty_rows(&self) -> Rows {
        Rows::new(self.columns.iter().map(|column| column.coding == Coding::Float))
    }
}

/// All streams of a writer.
#[derive(Debug, Default)]
pub(crate) struct Streams {
    list: Vec<Stream>,
    known: HashMap<Vec<StreamColumn>, usize>,
    by_id: HashMap<StreamId, usize>,
    /// From here on they are not on the disk yet.
    stored: usize,
}

impl Streams {
    /// From the rows of the database, in their order.
    pub(crate) fn stored(list: Vec<(StreamId, Vec<StreamColumn>)>) -> Self {
        let mut streams = Self::default();
        list.into_iter().for_each(|(id, columns)| streams.add(id, columns));
        streams.stored = streams.list.len();
        streams
    }

    fn add(&mut self, id: StreamId, columns: Vec<StreamColumn>) {
        let index = self.list.len();
        self.known.insert(columns.clone(), index);
        self.by_id.insert(id, index);
        self.list.push(Stream { id, index, columns });
    }

    /// The stream with these columns; made if it is new.
    pub(crate) fn of(&mut self, columns: Vec<StreamColumn>) -> StreamId {
        if let Some(index) = self.known.get(&columns) {
            return self.list[*index].id;
        }
        let id = StreamId(self.list.iter().map(|s| s.id.0).max().unwrap_or(0) + 1);
        self.add(id, columns);
        id
    }

    /// By number.
    #[inline]
    pub(crate) fn get(&self, id: StreamId) -> Option<&Stream> {
        // Numbers are given in a row, so that the place is nearly always the number less one.
        match self.list.get((id.0 as usize).wrapping_sub(1)) {
            Some(stream) if stream.id == id => Some(stream),
            _ => self.by_id.get(&id).map(|index| &self.list[*index]),
        }
    }

    /// By place.
    pub(crate) fn at(&self, index: usize) -> Option<&Stream> {
        self.list.get(index)
    }

    /// Those that are not on the disk yet.
    pub(crate) fn fresh(&self) -> &[Stream] {
        &self.list[self.stored..]
    }

    /// None is on the disk.
    pub(crate) fn uncommit(&mut self) {
        self.stored = 0;
    }

    /// All are on the disk now.
    pub(crate) fn committed(&mut self) {
        self.stored = self.list.len();
    }
}
