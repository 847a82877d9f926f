//! Is this one of our databases? Everything is asked of the main database, so that no temporary table can stand in.

use rusqlite::{Connection, Error, Result};

/// "AMPW", as in the store.
const APPLICATION_ID: i64 = 0x414D_5057;
/// The version of the store's `schema.sql` that this code reads; a test holds it against the store's.
const VERSION: i64 = 3;
/// The tables that are read. Views of these names would be queries of a stranger.
const TABLES: &str = "SELECT count(*) FROM main.sqlite_master WHERE type = 'table' AND sql LIKE 'CREATE TABLE%'
     AND name IN ('channel', 'stream_column', 'block', 'chunk', 'segment', 'clock')";

/// Refuses what is no database of ours, in words.
///
/// # Errors
/// Another program's database, another version of ours, or one that cannot be read.
pub(super) fn check(c: &Connection) -> Result<()> {
    let number = |sql: &str| c.query_row(sql, [], |row| row.get::<_, i64>(0));
    if number("PRAGMA main.application_id")? != APPLICATION_ID {
        return Err(says("sample: the main database is not one of Ampwake; open that one first"));
    }
    match number("PRAGMA main.user_version")? {
        VERSION if number(TABLES)? == 6 => Ok(()),
        VERSION => Err(says("sample: tables of this database are missing or are none; it is damaged or was altered")),
        newer if newer > VERSION => {
            Err(says(&format!("sample: this database is of version {newer} and {VERSION} is known here; update")))
        }
        _ => Err(says("sample: this database is of an earlier version; `ampwake channels` brings it up to date")),
    }
}

/// An error in words.
pub(super) fn says(text: &str) -> Error {
    Error::ModuleError(text.to_owned())
}
