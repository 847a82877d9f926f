//! Events that somebody adds by hand, beside a recorder that may be writing at the same moment.
//!
//! Owes its reader: one short transaction, which waits its turn; nothing of what is recorded is touched, and the
//! recorder's lock is not asked for.

use crate::error::StoreError;
use crate::{Event, Store, open};
use rusqlite::{Connection, OpenFlags, TransactionBehavior};
use std::path::Path;

impl Store {
    /// Adds an event to an existing database. `recorder_clock`: its time was read from the clock by which the recorder is
    /// writing at this moment, so that what is found out later about that clock corrects this time too; otherwise it is UTC.
    ///
    /// # Errors
    /// There is no such database, it cannot be written, or somebody else writes to it for longer than ten seconds.
    pub fn mark(path: impl AsRef<Path>, event: &Event, recorder_clock: bool) -> Result<(), StoreError> {
        let path = path.as_ref();
        // Refuses what is not ours, and brings an older file up to date.
        drop(open::read_only(path)?);
        let write = || -> rusqlite::Result<()> {
            let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
            let mut c = Connection::open_with_flags(path, flags)?;
            c.busy_timeout(open::PATIENCE)?;
            c.pragma_update(None, "synchronous", "FULL")?;
            let tx = c.transaction_with_behavior(TransactionBehavior::Immediate)?;
            // What belongs to a segment of an import that is broken off goes with it.
            let segment: Option<i64> = if recorder_clock {
                tx.query_row(
                    "SELECT max(id) FROM segment WHERE NOT EXISTS (SELECT 1 FROM meta WHERE key = ?1)",
                    [open::UNFINISHED],
                    |row| row.get(0),
                )?
            } else {
                None
            };
            crate::write::write_event(&tx, segment, event)?;
            tx.commit()
        };
        write().map_err(StoreError::sqlite(path, "cannot write the mark"))
    }
}
