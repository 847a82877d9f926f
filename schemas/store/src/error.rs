//! What can go wrong with a database, each with the file and the fix in its text.

use std::path::{Path, PathBuf};

/// Why a database could not be opened, read or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is no such file.
    #[error("{}: there is no such database; record or import into it first", path.display())]
    NotFound {
        /// The file asked for.
        path: PathBuf,
    },
    /// An empty file, a text, an archive, anything.
    #[error("{}: this is no SQLite database; name the database that was recorded or imported into", path.display())]
    NotSqlite {
        /// The file asked for.
        path: PathBuf,
    },
    /// A SQLite database of another program.
    #[error("{}: this is a SQLite database, but not one of Ampwake; nothing was changed, choose another file", path.display())]
    Foreign {
        /// The file asked for.
        path: PathBuf,
    },
    /// A file of raw frames where a database is wanted.
    #[error("{}: this holds raw frames, not values; read it like a recording: `ampwake import {} --db other.db`",
            path.display(), path.display())]
    RawFrames {
        /// The file asked for.
        path: PathBuf,
    },
    /// Written by a later version than this one.
    #[error("{}: written by a newer version of Ampwake (database version {found}, this program knows {known}); \
             update this program", path.display())]
    Newer {
        /// The file asked for.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The newest version that this program knows.
        known: i64,
    },
    /// Somebody else is writing.
    #[error("{}: already being written by {holder}; stop it first, or choose another file", path.display())]
    InUse {
        /// The file asked for.
        path: PathBuf,
        /// Who holds it, as far as known.
        holder: String,
    },
    /// A channel would change its unit.
    #[error("{address} is recorded in `{recorded}` and cannot go on in `{wanted}`; start a new database")]
    UnitChanged {
        /// The channel's address.
        address: String,
        /// Its unit in the database.
        recorded: String,
        /// The unit asked for.
        wanted: String,
    },
    /// Written by an earlier version, where it cannot be brought up to date.
    #[error("{}: written by an earlier version of Ampwake and cannot be brought up to date where it lies ({why}); \
             copy it into a folder that can be written", path.display())]
    Older {
        /// The file asked for.
        path: PathBuf,
        /// What stood in the way.
        why: String,
    },
    /// A block of samples that cannot be read.
    #[error("{}: {source}: the other samples can be read; keep a copy of the file", path.display())]
    Block {
        /// The database.
        path: PathBuf,
        /// What was wrong with it.
        source: ampwake_blocks::BlockError,
    },
    /// More columns than a block can have, or none.
    #[error("{}: a message with {columns} values cannot be stored together", path.display())]
    TooWide {
        /// The database.
        path: PathBuf,
        /// How many.
        columns: usize,
    },
    /// A channel or segment that this database does not have; numbers belong to one database only.
    #[error("{}: there is no {what} number {id} in this database", path.display())]
    Unknown {
        /// The database.
        path: PathBuf,
        /// `channel` or `segment`.
        what: &'static str,
        /// The number asked for.
        id: i64,
    },
    /// The operating system says no.
    #[error("{}: {doing}: {source}", path.display())]
    Io {
        /// The file concerned.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// SQLite says no: a full or failing disk, missing rights, a damaged file.
    #[error("{}: {doing}: {source}{}", path.display(), hint(source))]
    Sqlite {
        /// The database.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What SQLite said.
        source: rusqlite::Error,
    },
}

/// What to do about the SQLite errors that an operator can mend.
fn hint(error: &rusqlite::Error) -> &'static str {
    use rusqlite::ErrorCode as Code;
    match error.sqlite_error_code() {
        Some(Code::DiskFull) => " (make room on the disk)",
        Some(Code::ReadOnly | Code::PermissionDenied | Code::CannotOpen) => {
            " (check that the folder exists and that this user may write in it)"
        }
        Some(Code::DatabaseCorrupt) => " (the file is damaged: set it aside and record into a new one)",
        Some(Code::SystemIoFailure) => " (the disk or card may be failing: copy the file away)",
        Some(Code::DatabaseBusy | Code::DatabaseLocked) => " (another program is holding the file: close it)",
        _ => "",
    }
}

impl StoreError {
    /// For `map_err`: a SQLite error while `doing` something to `path`.
    pub(crate) fn sqlite(path: &Path, doing: &'static str) -> impl Fn(rusqlite::Error) -> StoreError {
        move |source| match source.sqlite_error_code() {
            Some(rusqlite::ErrorCode::NotADatabase) => StoreError::NotSqlite { path: path.to_owned() },
            _ => StoreError::Sqlite { path: path.to_owned(), doing, source },
        }
    }

    /// For `map_err`: an operating system error while `doing` something to `path`.
    pub(crate) fn io(path: &Path, doing: &'static str) -> impl Fn(std::io::Error) -> StoreError {
        move |source| StoreError::Io { path: path.to_owned(), doing, source }
    }
}
