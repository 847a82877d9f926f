//! The recorder's own file of raw frames as a recording, frame by frame.
//!
//! Owes its reader: memory bounded by one chunk; a chunk that is damaged is counted and passed over.

use super::{Flags, Frame};
use ampwake_store::StoreError;
use ampwake_store::raw::{Chunk, ERROR, EXTENDED, FD, REMOTE, RawDamage, RawFrame, RawReader};
use std::path::Path;

/// A frame with the name of its bus, or the name under which damage is counted.
pub type Next<'a> = Result<(&'a str, Frame), &'static str>;

/// An open file of raw frames.
#[derive(Debug)]
pub struct RawFrames {
    reader: RawReader,
    chunk: Chunk,
    /// The next frame of the chunk.
    next: usize,
}

impl RawFrames {
    /// Opens the file.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        Ok(Self { reader: RawReader::open(path)?, chunk: Chunk::default(), next: 0 })
    }

    /// What comes next; `None` at the end.
    ///
    /// # Errors
    /// The disk fails.
    pub fn advance(&mut self) -> Result<Option<Next<'_>>, StoreError> {
        while self.next >= self.chunk.frames.len() {
            match self.reader.next_chunk()? {
                Some(Ok(chunk)) => (self.chunk, self.next) = (chunk, 0),
                Some(Err(RawDamage::Damaged(_))) => return Ok(Some(Err("damaged_chunk"))),
                Some(Err(RawDamage::Newer(_))) => return Ok(Some(Err("chunk_of_a_newer_version"))),
                None => return Ok(None),
            }
        }
        let raw = &self.chunk.frames[self.next];
        self.next += 1;
        let bus = self.chunk.buses.get(usize::from(raw.bus)).map_or("_", String::as_str);
        Ok(Some(frame(raw).map(|frame| (bus, frame)).ok_or("damaged_packet")))
    }

    /// How much was read, 0..1.
    pub fn progress(&self) -> f64 {
        self.reader.progress()
    }

    /// Tells this file's present content from others.
    pub fn ends(&self) -> [i64; 3] {
        self.reader.ends()
    }
}

/// As a bus hands it on; `None` where no bus does.
fn frame(raw: &RawFrame) -> Option<Frame> {
    let has = |bit| raw.flags & bit != 0;
    let flags = Flags { extended: has(EXTENDED), error: has(ERROR), remote: has(REMOTE), fd: has(FD) };
    let short = flags.extended || flags.error || raw.id <= 0x7FF;
    let data = if flags.remote { &[] } else { raw.data() };
    if !short || flags.extended && flags.error || !flags.fd && data.len() > 8 {
        return None;
    }
    Frame::new(raw.time, raw.id, flags, data)
}
