//! When the disk is full or the file is damaged: what is given up first, and how recording goes on beside what is broken.
//!
//! Owes its reader: nothing that was committed is given up, nothing is deleted, and memory keeps its bound.

use crate::error::StoreError;
use crate::lock::WriterLock;
use crate::open;
use crate::{SegmentId, Store, Writer};
use rusqlite::Connection;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

/// Events that wait for a disk; the oldest go first.
const MOST_EVENTS: usize = 10_000;

/// What stands where the database was opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// The file that is recorded into.
    Here,
    /// Nothing: it was removed or renamed.
    Gone,
    /// Another file, which was put in its place.
    Replaced,
}

/// Tells a file from another under the same name, where the system can.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct FileId(Option<(u64, u64)>);

impl FileId {
    /// `None` where there is no file.
    pub(crate) fn of(path: &Path) -> Option<Self> {
        let metadata = std::fs::metadata(path).ok()?;
        #[cfg(unix)]
        let number =
            Some((std::os::unix::fs::MetadataExt::dev(&metadata), std::os::unix::fs::MetadataExt::ino(&metadata)));
        #[cfg(not(unix))]
        let number = metadata.is_file().then_some((0, 0));
        Some(Self(number))
    }
}

impl Store {
    /// [`Store::create`]; a database of ours that turns out to be damaged is set aside under another name, and recording
    /// begins in a new one. Returns that name too.
    ///
    /// # Errors
    /// As [`Store::create`]; what was never an Ampwake database is refused and left as it is.
    pub fn create_or_set_aside(path: impl AsRef<Path>) -> Result<(Writer, Option<PathBuf>), StoreError> {
        let path = path.as_ref();
        match Self::create(path) {
            Err(e) if e.is_damage() && open::was_ours(path) => {
                let lock = WriterLock::take(path)?;
                let aside = set_aside(path, DAMAGED)?;
                drop(lock);
                Ok((Self::create(path)?, Some(aside)))
            }
            opened => Ok((opened?, None)),
        }
    }
}

impl Writer {
    /// Gives up the older half of what no commit has brought to the disk yet; returns the number of samples. What is
    /// committed, or already packed into blocks, is kept.
    pub fn shed(&mut self) -> usize {
        let (_, streams, gatherer, _) = self.parts();
        gatherer.shed(streams)
    }

    /// Gives up the oldest events that wait for the disk, beyond ten thousand; returns their number.
    pub fn shed_events(&mut self) -> usize {
        let (_, _, _, pending) = self.parts();
        let surplus = pending.events.len().saturating_sub(MOST_EVENTS);
        pending.events.drain(..surplus);
        surplus
    }

    /// Opens the file anew, as a commit that failed calls for: after an error of the disk SQLite calls a sound file
    /// malformed until it is opened again.
    ///
    /// # Errors
    /// It cannot be opened; what was open stays in use.
    pub fn reopen(&mut self) -> Result<(), StoreError> {
        let path = self.path().to_owned();
        if self.place() != Place::Here {
            return Err(StoreError::NotFound { path });
        }
        let connection = open::create_or_append(&path)?;
        self.parts().0.connection = connection;
        Ok(())
    }

    /// Whether what was opened is still what others find under its name.
    pub fn place(&self) -> Place {
        match FileId::of(self.path()) {
            None => Place::Gone,
            present if present == self.file() => Place::Here,
            Some(_) => Place::Replaced,
        }
    }

    /// Sets the damaged file aside under the name that is returned (the file's own, where it was removed or renamed), or
    /// another one that was put in its place, and goes on in a new one, with everything that is in memory: what was not
    /// committed, and what came since the last sealing (so that the latter may stand in both).
    ///
    /// # Errors
    /// The file cannot be renamed, or no new one be made; [`Writer::reopen`] may help before the next attempt.
    pub fn start_afresh(&mut self) -> Result<PathBuf, StoreError> {
        let path = self.path().to_owned();
        let place = self.place();
        let away = Connection::open_in_memory().map_err(StoreError::sqlite(&path, "cannot close"))?;
        // Closing it may fail to clear its log: both are set aside together.
        drop(std::mem::replace(&mut self.parts().0.connection, away));
        let aside = match place {
            Place::Here => set_aside(&path, DAMAGED)?,
            Place::Gone => without_file(&path)?,
            Place::Replaced => {
                // The log is not of the file that stands there, and must never meet it.
                without_file(&path)?;
                set_aside(&path, "replaced")?
            }
        };
        self.parts().0.connection = open::create_or_append(&path)?;
        self.write_all_anew();
        Ok(aside)
    }
}

impl StoreError {
    /// There is no room on the disk.
    pub fn is_full(&self) -> bool {
        let code = match self {
            Self::Sqlite { source, .. } => source.sqlite_error_code(),
            _ => None,
        };
        code == Some(rusqlite::ErrorCode::DiskFull)
    }

    /// The file itself is broken, rather than the disk full or the right to write missing.
    pub fn is_damage(&self) -> bool {
        match self {
            Self::Sqlite { source, .. } => matches!(
                source.sqlite_error_code(),
                Some(rusqlite::ErrorCode::DatabaseCorrupt | rusqlite::ErrorCode::NotADatabase)
            ),
            Self::NotSqlite { .. } | Self::Foreign { .. } => true,
            _ => false,
        }
    }
}

/// Removes the log of a file that is gone, which a reader may have kept: a new database must never meet it.
fn without_file(path: &Path) -> Result<PathBuf, StoreError> {
    for left in [open::log_path(path), open::with_suffix(path, "-shm")] {
        match std::fs::remove_file(&left) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                return Err(StoreError::io(&left, "cannot remove what a removed database left")(e));
            }
            _ => {}
        }
    }
    Ok(path.to_owned())
}

/// In the name of a file that is set aside.
pub(crate) const DAMAGED: &str = "damaged";

/// Renames the database, and its log with it; `why` stands in its new name. The caller holds the lock.
pub(crate) fn set_aside(path: &Path, why: &str) -> Result<PathBuf, StoreError> {
    let seconds = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_secs());
    let mut aside = open::with_suffix(path, &format!(".{why}-{seconds}"));
    for more in 1.. {
        if !aside.exists() {
            break;
        }
        aside = open::with_suffix(path, &format!(".{why}-{seconds}-{more}"));
    }
    let (log, index) = (open::log_path(path), open::with_suffix(path, "-shm"));
    // The log first: a new database must never meet the log of another.
    if log.exists() {
        std::fs::rename(&log, open::log_path(&aside)).map_err(StoreError::io(&log, "cannot set aside"))?;
    }
    std::fs::rename(path, &aside).map_err(StoreError::io(path, "cannot set aside"))?;
    // An index of the log is made anew by whoever opens it.
    let _ = std::fs::remove_file(index);
    Ok(aside)
}

/// Segments that what is in memory belongs to.
pub(crate) fn segments(of: &crate::gather::Gatherer, present: Option<SegmentId>) -> BTreeSet<SegmentId> {
    of.finished.iter().map(|block| block.segment).chain(present).collect()
}
