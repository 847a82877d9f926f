//! What the CAN buses carried, untouched, in a SQLite file of its own beside the database: `voyage.db` has
//! `voyage.raw.db`. For whoever wants to decode it anew, with a better description of a device or another program.
//!
//! Owes its reader: a frame comes back as it was, to the microsecond and in the order of arrival; a chunk that is damaged
//! is noticed and costs itself alone; memory is bounded by one chunk, whatever the file holds. It knows no buses and no
//! protocols: [`RawFrame`] is a record, and `RAW.md` beside the package describes every byte.

mod batch;
mod chunk;
mod reader;
mod room;
mod writer;

pub use batch::{Batch, Packed};
pub use chunk::{Chunk, RawDamage, unpack};
pub use reader::{RawReader, is_raw};
pub use room::Freed;
pub use writer::RawWriter;

use ampwake_schemas::time::Timestamp;
use std::path::{Path, PathBuf};

/// Frames of one chunk.
pub const MOST_FRAMES: usize = 32_768;
/// Bytes of one frame (CAN FD).
pub const MOST_DATA: usize = 64;
/// Buses of one chunk.
pub const MOST_BUSES: usize = 256;
/// Bit of [`RawFrame::flags`]: the identifier has 29 bits.
pub const EXTENDED: u8 = 1;
/// Bit of [`RawFrame::flags`]: the driver reports a state of the bus.
pub const ERROR: u8 = 2;
/// Bit of [`RawFrame::flags`]: asks for data and carries none.
pub const REMOTE: u8 = 4;
/// Bit of [`RawFrame::flags`]: CAN FD.
pub const FD: u8 = 8;

/// "AMPR": how SQLite files say whose they are.
pub(crate) const APPLICATION_ID: i64 = 0x414D_5052;
/// Version of `schema.sql`.
pub(crate) const VERSION: i64 = 1;
/// The newest format of a chunk.
pub(crate) const FORMAT: u8 = 1;

/// A frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RawFrame {
    /// Index into the names of its chunk.
    pub bus: u16,
    /// When it was received, by the recorder's own clock.
    pub time: Timestamp,
    /// The identifier without flag bits.
    pub id: u32,
    /// [`EXTENDED`], [`ERROR`], [`REMOTE`], [`FD`].
    pub flags: u8,
    len: u8,
    data: [u8; MOST_DATA],
}

impl RawFrame {
    /// Its data, at most [`MOST_DATA`] bytes.
    pub fn data(&self) -> &[u8] {
        &self.data[..usize::from(self.len)]
    }
}

/// The file of raw frames of a database: `.raw` stands before what its name ends in.
pub fn beside(database: &Path) -> PathBuf {
    let mut name = database.file_stem().unwrap_or_default().to_owned();
    name.push(".raw");
    if let Some(end) = database.extension() {
        name.push(".");
        name.push(end);
    }
    database.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_database_has_a_file_of_its_own() {
        for (database, raw) in [
            ("/var/lib/ampwake/voyage.db", "/var/lib/ampwake/voyage.raw.db"),
            ("trip.2026.db", "trip.2026.raw.db"),
            ("voyage", "voyage.raw"),
            ("a/voyage.sqlite", "a/voyage.raw.sqlite"),
        ] {
            assert_eq!(beside(Path::new(database)), Path::new(raw));
        }
    }
}
