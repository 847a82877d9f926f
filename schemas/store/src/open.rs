//! Opening and creating the file. What is not an Ampwake database is refused before anything is written to it.

use crate::error::StoreError;
use crate::lock::WriterLock;
use crate::migrate;
use rusqlite::{Connection, OpenFlags};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// "AMPW": how SQLite files say whose they are.
const APPLICATION_ID: i64 = 0x414D_5057;
/// Version of `schema.sql` and `rollups.sql`.
const VERSION: i64 = 3;
/// In `meta`: the first segment of an import that is not finished.
pub(crate) const UNFINISHED: &str = "unfinished_import_from_segment";
const SCHEMA: &str = concat!(include_str!("schema.sql"), include_str!("rollups.sql"));
/// Tells the database from all others, whatever its file is called.
pub(crate) const IDENTIFY: &str = "INSERT INTO meta VALUES ('identity', lower(hex(randomblob(8))));";
/// Pages that are kept in memory, kB (negative: that is what SQLite calls kB): what one sealing writes has room. More of them
/// would fill up in the course of a day, on a small computer.
const CACHE_KB: i64 = -2000;
/// For an import, whose commits are larger.
pub(crate) const BULK_CACHE_KB: i64 = -8000;
/// How long to wait for another program that is in the middle of a short transaction.
pub(crate) const PATIENCE: Duration = Duration::from_secs(10);

/// Opens an existing database for reading; one of an earlier version is brought up to date before.
pub(crate) fn read_only(path: &Path) -> Result<Connection, StoreError> {
    let (connection, version) = read_any(path)?;
    if version == VERSION {
        return Ok(connection);
    }
    drop(connection);
    let older = |e: StoreError| StoreError::Older { path: path.to_owned(), why: e.to_string() };
    let lock = WriterLock::take(path).map_err(older)?;
    drop(create_or_append(path).map_err(older)?);
    drop(lock);
    Ok(read_any(path)?.0)
}

/// Opens a database of any known version for reading.
fn read_any(path: &Path) -> Result<(Connection, i64), StoreError> {
    let (connection, id) = connect(path)?;
    check(path, id)?;
    Ok((connection, id.1))
}

/// Opens any SQLite file for reading, and says whose it is.
pub(crate) fn connect(path: &Path) -> Result<(Connection, Identity), StoreError> {
    match std::fs::metadata(path) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            return Err(StoreError::NotFound { path: path.to_owned() });
        }
        Err(e) => return Err(StoreError::io(path, "cannot open")(e)),
        // SQLite takes an empty file for an empty database.
        Ok(m) if !m.is_file() || m.len() == 0 => return Err(StoreError::NotSqlite { path: path.to_owned() }),
        Ok(_) => {}
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let opened = Connection::open_with_flags(path, flags).and_then(|c| {
        c.busy_timeout(PATIENCE)?;
        identity(&c).map(|id| (c, id))
    });
    match opened {
        // A finished recording on a card that is mounted read-only: SQLite cannot create its index of the
        // write-ahead log there, and needs none when there is no log.
        Err(e) if cannot_open(&e) && !log_path(path).exists() => immutable(path),
        other => other.map_err(StoreError::sqlite(path, "cannot open")),
    }
}

/// Opens an existing database for writing, or creates one. The caller holds the writer's lock.
pub(crate) fn create_or_append(path: &Path) -> Result<Connection, StoreError> {
    let fresh = !path.exists() || std::fs::metadata(path).is_ok_and(|m| m.is_file() && m.len() == 0);
    if fresh {
        create(path)?;
    } else {
        drop(read_any(path)?);
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let open = || -> rusqlite::Result<Connection> {
        let c = Connection::open_with_flags(path, flags)?;
        c.busy_timeout(PATIENCE)?;
        c.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
        // FULL: every commit is on the disk before it counts as done.
        c.pragma_update(None, "synchronous", "FULL")?;
        c.pragma_update(None, "cache_size", CACHE_KB)?;
        // The log of a large import is not left at its size.
        c.query_row("PRAGMA journal_size_limit = 16777216", [], |_| Ok(()))?;
        Ok(c)
    };
    let mut connection = open().map_err(StoreError::sqlite(path, "cannot open for writing"))?;
    let (_, version) = identity(&connection).map_err(StoreError::sqlite(path, "cannot open for writing"))?;
    match version {
        VERSION => {}
        1 => migrate::from_rows(&mut connection, path, SCHEMA)?,
        _ => migrate::from_scattered_rollups(&mut connection, path)?,
    }
    Ok(connection)
}

/// Makes the file beside its place and moves it there: a database exists whole or not at all.
fn create(path: &Path) -> Result<(), StoreError> {
    let beside = with_suffix(path, "-new");
    if beside.exists() {
        std::fs::remove_file(&beside).map_err(StoreError::io(&beside, "cannot remove what an earlier start left"))?;
    }
    let build = || -> rusqlite::Result<()> {
        let c = Connection::open(&beside)?;
        c.execute_batch(&format!(
            "BEGIN; PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {VERSION}; {SCHEMA}\n\
             INSERT INTO meta VALUES ('created_by', 'ampwake {}'); {IDENTIFY} COMMIT;",
            env!("CARGO_PKG_VERSION")
        ))
    };
    build().map_err(StoreError::sqlite(&beside, "cannot create the database"))?;
    let moved = std::fs::rename(&beside, path).and_then(|()| sync_folder(path));
    moved.map_err(StoreError::io(path, "cannot create the database"))
}

/// Kind, name and words of everything in a database of ours.
pub(crate) fn schema() -> rusqlite::Result<Vec<(String, String, String)>> {
    let c = Connection::open_in_memory()?;
    c.execute_batch(SCHEMA)?;
    let mut read = c.prepare("SELECT type, name, coalesce(sql, '') FROM sqlite_schema")?;
    read.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?.collect()
}

/// A new database without anything in it, open for writing in one go.
pub(crate) fn empty(path: &Path) -> Result<Connection, StoreError> {
    create(path)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let open = || {
        let c = Connection::open_with_flags(path, flags)?;
        c.busy_timeout(PATIENCE)?;
        Ok(c)
    };
    open().map_err(StoreError::sqlite(path, "cannot open for writing"))
}

/// A name is on the disk when its folder is.
fn sync_folder(path: &Path) -> std::io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    // Where a folder cannot be opened as a file, the system has its own ways.
    if cfg!(unix) { std::fs::File::open(folder)?.sync_all() } else { Ok(()) }
}

/// Application id and version.
pub(crate) type Identity = (i64, i64);

pub(crate) fn identity(c: &Connection) -> rusqlite::Result<Identity> {
    let pragma = |name| c.query_row(name, [], |row| row.get(0));
    Ok((pragma("PRAGMA application_id")?, pragma("PRAGMA user_version")?))
}

fn check(path: &Path, (application, version): Identity) -> Result<(), StoreError> {
    if application == crate::raw::APPLICATION_ID {
        return Err(StoreError::RawFrames { path: path.to_owned() });
    }
    if application != APPLICATION_ID || version < 1 {
        return Err(StoreError::Foreign { path: path.to_owned() });
    }
    if version > VERSION {
        return Err(StoreError::Newer { path: path.to_owned(), found: version, known: VERSION });
    }
    Ok(())
}

/// Whether a file that SQLite refuses is, or was, one of ours: by its head, or by the names of our tables in its first
/// pages.
pub(crate) fn was_ours(path: &Path) -> bool {
    let mut start = Vec::new();
    let read = std::fs::File::open(path).and_then(|file| file.take(1 << 18).read_to_end(&mut start));
    let head =
        start.get(68..72) == Some(&(APPLICATION_ID as u32).to_be_bytes()) && start.starts_with(b"SQLite format 3\0");
    let name = b"TABLE rollup_minute";
    read.is_ok() && (head || start.windows(name.len()).any(|part| part == name))
}

fn cannot_open(e: &rusqlite::Error) -> bool {
    matches!(e.sqlite_error_code(), Some(rusqlite::ErrorCode::CannotOpen | rusqlite::ErrorCode::ReadOnly))
}

fn immutable(path: &Path) -> Result<(Connection, Identity), StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
    let uri = format!("file:{}?immutable=1", uri_path(path));
    let open = || {
        let c = Connection::open_with_flags(uri, flags)?;
        let id = identity(&c)?;
        Ok((c, id))
    };
    open().map_err(StoreError::sqlite(path, "cannot open"))
}

/// The path as the path of a URI (RFC 3986): everything that could mean something else is percent-encoded.
fn uri_path(path: &Path) -> String {
    let mut uri = String::new();
    for byte in path.to_string_lossy().bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'/' | b'-' | b'_' | b'.' | b'~' => uri.push(byte as char),
            _ => uri.push_str(&format!("%{byte:02X}")),
        }
    }
    uri
}

pub(crate) fn log_path(path: &Path) -> PathBuf {
    with_suffix(path, "-wal")
}

pub(crate) fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    name.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_database_opens_without_its_log_index_under_any_name() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("50% of #1? ü.db");
        create(&path).unwrap();
        let (c, id) = immutable(&path).unwrap();
        check(&path, id).unwrap();
        assert_eq!(c.query_row("SELECT count(*) FROM channel", [], |r| r.get::<_, i64>(0)).unwrap(), 0);
    }

    #[test]
    fn what_an_interrupted_creation_left_is_no_obstacle() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("voyage.db");
        std::fs::write(with_suffix(&path, "-new"), b"half a database").unwrap();
        create_or_append(&path).unwrap();
        read_only(&path).unwrap();
    }
}
