//! The one writer of a file of raw frames. It is held by whoever holds the database's own lock.

use super::{APPLICATION_ID, Packed, VERSION};
use crate::error::StoreError;
use crate::{open, trouble};
use rusqlite::{Connection, OpenFlags};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

const SCHEMA: &str = include_str!("schema.sql");
/// For another program that is in the middle of a short transaction.
const PATIENCE: Duration = Duration::from_secs(5);

/// Appends chunks.
#[derive(Debug)]
pub struct RawWriter {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
}

impl RawWriter {
    /// Opens the file, and makes it if there is none.
    ///
    /// # Errors
    /// It is something else, was written by a newer version, is damaged or cannot be written.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let open = || -> rusqlite::Result<(Connection, open::Identity)> {
            let c = Connection::open_with_flags(path, flags)?;
            c.busy_timeout(PATIENCE)?;
            let empty = c.query_row("SELECT count(*) = 0 FROM sqlite_schema", [], |row| row.get(0))?;
            let mut identity = open::identity(&c)?;
            if empty && identity == (0, 0) {
                // The file has to give back what it does not need: samples may want the room.
                c.pragma_update(None, "auto_vacuum", "INCREMENTAL")?;
                identity = (APPLICATION_ID, VERSION);
                c.execute_batch(&format!(
                    "BEGIN; PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {VERSION}; {SCHEMA} COMMIT;"
                ))?;
            }
            Ok((c, identity))
        };
        let (c, (application, version)) = open().map_err(StoreError::sqlite(path, "cannot open"))?;
        if application != APPLICATION_ID {
            return Err(StoreError::Foreign { path: path.to_owned() });
        }
        if version > VERSION {
            return Err(StoreError::Newer { path: path.to_owned(), found: version, known: VERSION });
        }
        let prepare = || -> rusqlite::Result<()> {
            c.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
            // As in the database: what a power cut costs is the last interval.
            c.pragma_update(None, "synchronous", "FULL")?;
            c.pragma_update(None, "cache_size", -1000)
        };
        prepare().map_err(StoreError::sqlite(path, "cannot open for writing"))?;
        Ok(Self { connection: c, path: path.to_owned() })
    }

    /// Renames a file of ours that is damaged, never deletes it; returns its new name. Nobody may have it open.
    ///
    /// # Errors
    /// It cannot be renamed, or was never a file of raw frames ([`StoreError::Foreign`]).
    pub fn set_aside(path: &Path) -> Result<PathBuf, StoreError> {
        match was_ours(path) {
            true => trouble::set_aside(path, trouble::DAMAGED),
            false => Err(StoreError::Foreign { path: path.to_owned() }),
        }
    }

    /// Puts a chunk on the disk, whole or not at all.
    ///
    /// # Errors
    /// The disk is full or failing, or the file is damaged; after that it has to be opened anew.
    pub fn append(&mut self, chunk: &Packed) -> Result<(), StoreError> {
        let sql = "INSERT INTO raw_chunk (first_us, last_us, frames, data) VALUES (?1, ?2, ?3, ?4)";
        let values = (chunk.first_us, chunk.last_us, chunk.frames as i64, &chunk.data);
        let written = self.connection.prepare_cached(sql).and_then(|mut insert| insert.execute(values));
        written.map(drop).map_err(StoreError::sqlite(&self.path, "cannot write raw frames"))
    }
}

/// Whether a file that SQLite refuses was one of ours: by its head, or by the name of our table in its first pages.
fn was_ours(path: &Path) -> bool {
    let mut start = Vec::new();
    let read = std::fs::File::open(path).and_then(|file| file.take(1 << 16).read_to_end(&mut start));
    let name = b"TABLE raw_chunk";
    read.is_ok() && (super::is_raw(&start) || start.windows(name.len()).any(|part| part == name))
}
