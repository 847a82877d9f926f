//! What raw frames are let go: by age, and before anything else where there is no room. Always the oldest first.
//!
//! Owes its reader: short transactions, each within a few megabytes of log; a clock that is wrong for an hour costs no more
//! than a day of the oldest; the file becomes smaller where the room is wanted.

use super::RawWriter;
use crate::error::StoreError;
use crate::open;
use ampwake_schemas::time::Timestamp;
use std::path::Path;

const DAY_US: i64 = 86_400_000_000;
/// Clocks that show less have never been set (2020-01-01T00:00:00Z).
const SANE_US: i64 = 1_577_836_800_000_000;
/// Chunks that one transaction lets go.
const STEP_CHUNKS: usize = 64;
/// Pages that one transaction moves to the front, so that the file can end earlier: two megabytes.
const STEP_PAGES: u64 = 512;
/// Chunks that are looked at for their age.
const LOOKED_AT: usize = 4096;

/// What was let go.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Freed {
    /// Number of frames.
    pub frames: u64,
    /// What is left takes no more than it may.
    pub fits: bool,
}

impl RawWriter {
    /// What the file takes on the disk, in bytes, without its log of some four megabytes.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn bytes(&self) -> Result<u64, StoreError> {
        Ok(self.pragma("page_count")? * self.pragma("page_size")?)
    }

    /// Number of frames.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn frames(&self) -> Result<u64, StoreError> {
        let sql = "SELECT coalesce(sum(frames), 0) FROM raw_chunk";
        let read = self.connection.query_row(sql, [], |row| row.get::<_, i64>(0));
        read.map(|n| n.max(0) as u64).map_err(StoreError::sqlite(&self.path, "cannot read how many frames there are"))
    }

    /// Deletes the file with everything in it: on a disk without any room nothing less may be possible.
    ///
    /// # Errors
    /// It cannot be deleted.
    pub fn remove(path: &Path) -> Result<(), StoreError> {
        let (log, index) = (open::log_path(path), open::with_suffix(path, "-shm"));
        for file in [log.as_path(), &index, path] {
            match std::fs::remove_file(file) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                    return Err(StoreError::io(file, "cannot delete raw frames")(e));
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn pragma(&self, name: &str) -> Result<u64, StoreError> {
        let read = self.connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, i64>(0));
        read.map(|n| n.max(0) as u64).map_err(StoreError::sqlite(&self.path, "cannot read the size"))
    }

    /// One step towards `most` bytes, with `more` bytes that are to be written now: lets the oldest chunks go, and gives
    /// pages that are free back to the disk where the file is larger than that. To be called again while it does not fit
    /// and something goes.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn shrink(&mut self, most: u64, more: u64) -> Result<Freed, StoreError> {
        let page = self.pragma("page_size")?;
        // A chunk takes whole pages, and now and then one of the tree.
        let wanted = more.div_ceil(page) * page + 4 * page;
        let mut freed = Freed::default();
        let used = |w: &Self| Ok::<_, StoreError>((w.pragma("page_count")? - w.pragma("freelist_count")?) * page);
        self.connection.execute_batch("BEGIN").map_err(StoreError::sqlite(&self.path, "cannot let go raw frames"))?;
        let mut step = || -> Result<(), StoreError> {
            for _ in 0..STEP_CHUNKS {
                if used(self)? + wanted <= most {
                    break;
                }
                let Some(frames) = self.drop_oldest()? else { break };
                freed.frames += frames;
            }
            Ok(())
        };
        let done = step();
        self.finish(done)?;
        let surplus = self.bytes()?.saturating_sub(most);
        if surplus > 0 {
            self.give_back((surplus / page).clamp(1, STEP_PAGES))?;
        }
        freed.fits = used(self)? + wanted <= most;
        Ok(freed)
    }

    /// Lets chunks go that are older than `days` at the time `now`, a day of them at most; returns the number of frames.
    ///
    /// Chunks that were received by a clock that was never set, or runs ahead, are as old as those before them.
    ///
    /// # Errors
    /// The file cannot be read or written.
    pub fn let_go(&mut self, days: u32, now: Timestamp) -> Result<u64, StoreError> {
        let limit = now.micros().saturating_sub(i64::from(days) * DAY_US);
        let oldest = || -> rusqlite::Result<Vec<(i64, i64)>> {
            let sql = "SELECT id, last_us FROM raw_chunk ORDER BY id LIMIT ?1";
            let mut select = self.connection.prepare_cached(sql)?;
            let sane = SANE_US..=now.micros();
            let (mut old, mut to) = (Vec::new(), None);
            let mut rows = select.query([LOOKED_AT as i64])?;
            while let Some(row) = rows.next()? {
                let (id, last): (i64, i64) = (row.get(0)?, row.get(1)?);
                if sane.contains(&last) {
                    if last >= *to.get_or_insert(limit.min(last.saturating_add(DAY_US))) {
                        break;
                    }
                    old.push((id, last));
                }
            }
            Ok(old)
        };
        let old = oldest().map_err(StoreError::sqlite(&self.path, "cannot read how old raw frames are"))?;
        let mut frames = 0;
        for step in old.chunks(STEP_CHUNKS) {
            let Some((to, _)) = step.last() else { break };
            let sql = "DELETE FROM raw_chunk WHERE id <= ?1 RETURNING frames";
            let delete = || -> rusqlite::Result<u64> {
                let mut delete = self.connection.prepare_cached(sql)?;
                let gone = delete.query_map([to], |row| row.get::<_, i64>(0))?;
                gone.map(|n| n.map(|n| n.max(0) as u64)).sum()
            };
            frames += delete().map_err(StoreError::sqlite(&self.path, "cannot let go raw frames"))?;
        }
        Ok(frames)
    }

    /// The frames of the oldest chunk, which is gone; `None` where there is none.
    fn drop_oldest(&self) -> Result<Option<u64>, StoreError> {
        let sql = "DELETE FROM raw_chunk WHERE id = (SELECT min(id) FROM raw_chunk) RETURNING frames";
        let delete = || -> rusqlite::Result<Option<u64>> {
            let mut delete = self.connection.prepare_cached(sql)?;
            let gone = delete.query_map([], |row| row.get::<_, i64>(0))?;
            Ok(gone.collect::<rusqlite::Result<Vec<_>>>()?.first().map(|n| (*n).max(0) as u64))
        };
        delete().map_err(StoreError::sqlite(&self.path, "cannot let go raw frames"))
    }

    fn finish(&self, done: Result<(), StoreError>) -> Result<(), StoreError> {
        let end = if done.is_ok() { "COMMIT" } else { "ROLLBACK" };
        let ended = self.connection.execute_batch(end);
        done.and(ended.map_err(StoreError::sqlite(&self.path, "cannot let go raw frames")))
    }

    /// Moves so many pages from the end of the file to free ones, and lets it end there.
    fn give_back(&self, pages: u64) -> Result<(), StoreError> {
        let vacuum = || -> rusqlite::Result<()> {
            // It frees a page with every step.
            let mut vacuum = self.connection.prepare(&format!("PRAGMA incremental_vacuum({pages})"))?;
            let mut rows = vacuum.query([])?;
            while rows.next()?.is_some() {}
            drop(rows);
            // The file itself ends earlier once its log is worked in.
            self.connection.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()))
        };
        vacuum().map_err(StoreError::sqlite(&self.path, "cannot give back what raw frames took"))
    }
}
