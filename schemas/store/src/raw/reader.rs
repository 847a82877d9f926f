//! Reading a file of raw frames chunk by chunk, while it is being written or years later.

use super::chunk::{Chunk, MOST_BYTES, RawDamage, unpack};
use super::{APPLICATION_ID, VERSION};
use crate::error::StoreError;
use crate::open;
use rusqlite::{Connection, OptionalExtension};
use std::path::{Path, PathBuf};

/// Places that the disk cannot read in a row; then it is the end.
const MOST_UNREADABLE: u32 = 100;

/// True where these first bytes of a file (100 suffice) are those of a file of raw frames.
pub fn is_raw(start: &[u8]) -> bool {
    start.starts_with(b"SQLite format 3\0") && start.get(68..72) == Some(&(APPLICATION_ID as u32).to_be_bytes())
}

/// Reads chunks in the order of arrival: those that are there when it is opened.
#[derive(Debug)]
pub struct RawReader {
    connection: Connection,
    path: PathBuf,
    /// Chunks up to this one were read.
    read: i64,
    first: i64,
    last: i64,
    last_us: i64,
}

impl RawReader {
    /// Opens the file for reading.
    ///
    /// # Errors
    /// It is missing, something else, or of a newer version, or cannot be read.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let (connection, (application, version)) = open::connect(path)?;
        if application != APPLICATION_ID {
            return Err(StoreError::Foreign { path: path.to_owned() });
        }
        if version > VERSION {
            return Err(StoreError::Newer { path: path.to_owned(), found: version, known: VERSION });
        }
        let ends = || -> rusqlite::Result<Option<(i64, i64, i64)>> {
            // A file from elsewhere may call things by our names.
            connection.pragma_update(None, "trusted_schema", false)?;
            let table = "SELECT 1 FROM sqlite_schema WHERE name = 'raw_chunk' AND type = 'table'";
            if connection.query_row(table, [], |_| Ok(())).optional()?.is_none() {
                return Ok(None);
            }
            let first = "SELECT id FROM raw_chunk ORDER BY id LIMIT 1";
            let first: Option<i64> = connection.query_row(first, [], |row| row.get(0)).optional()?;
            let last = "SELECT id, last_us FROM raw_chunk ORDER BY id DESC LIMIT 1";
            let last = connection.query_row(last, [], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
            Ok(first.zip(last).map(|(first, (last, last_us))| (first, last, last_us)))
        };
        let ends = ends().map_err(StoreError::sqlite(path, "cannot read raw frames"))?;
        let (first, last, last_us) = ends.unwrap_or((0, -1, 0));
        Ok(Self { connection, path: path.to_owned(), read: first.saturating_sub(1), first, last, last_us })
    }

    /// The next chunk; one that cannot be read is told, and passed over. `None` at the end.
    ///
    /// # Errors
    /// The disk fails.
    pub fn next_chunk(&mut self) -> Result<Option<Result<Chunk, RawDamage>>, StoreError> {
        let mut unreadable = 0;
        loop {
            if self.read >= self.last {
                return Ok(None);
            }
            match self.next_row() {
                Ok(Some(data)) => return Ok(Some(data.and_then(|data| unpack(&data)))),
                Ok(None) => self.read = self.last,
                // The tree may be broken here and sound behind it.
                Err(e) if e.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseCorrupt) => {
                    unreadable += 1;
                    self.read = if unreadable < MOST_UNREADABLE { self.read + 1 } else { self.last };
                    return Ok(Some(Err(RawDamage::Damaged("the file is damaged there"))));
                }
                Err(e) => return Err(StoreError::sqlite(&self.path, "cannot read raw frames")(e)),
            }
        }
    }

    fn next_row(&mut self) -> rusqlite::Result<Option<Result<Vec<u8>, RawDamage>>> {
        let sql = "SELECT id, CASE WHEN length(data) <= ?3 AND typeof(data) = 'blob' THEN data END FROM raw_chunk
                   WHERE id > ?1 AND id <= ?2 ORDER BY id LIMIT 1";
        let mut select = self.connection.prepare_cached(sql)?;
        let mut rows = select.query((self.read, self.last, MOST_BYTES as i64))?;
        let Some(row) = rows.next()? else { return Ok(None) };
        self.read = row.get(0)?;
        let data: Option<Vec<u8>> = row.get(1)?;
        Ok(Some(data.ok_or(RawDamage::Damaged("it is larger than any"))))
    }

    /// How much was read, 0..1.
    pub fn progress(&self) -> f64 {
        let (done, all) =
            (self.read.saturating_sub(self.first) as f64 + 1.0, self.last.saturating_sub(self.first) as f64 + 1.0);
        if all > 0.0 { (done / all).clamp(0.0, 1.0) } else { 1.0 }
    }

    /// Tells this content from others: what it begins and what it ends with.
    pub fn ends(&self) -> [i64; 3] {
        [self.first, self.last, self.last_us]
    }
}
