//! A part of a recording as a database of its own, to be sent ashore.
//!
//! Owes its reader: what it takes along is taken as it is, at one moment, also while the recorder goes on; the copy
//! is a whole database or none.

use crate::error::StoreError;
use crate::open::{self, with_suffix};
use crate::samples::bounds;
use crate::store::Store;
use crate::{SegmentId, Timestamp};
use ampwake_blocks::{BlockView, chunk_parts};
use rusqlite::{Connection, params};
use std::collections::HashMap;
use std::path::Path;

/// Every table of the file, and what of it belongs to the time between `?1` and `?2` (UTC, ms).
const COPY: &str = "
    INSERT INTO main.meta SELECT * FROM whole.meta WHERE key NOT IN (SELECT key FROM main.meta);
    INSERT INTO main.segment SELECT * FROM whole.segment;
    INSERT INTO main.clock SELECT * FROM whole.clock;
    INSERT INTO main.channel SELECT * FROM whole.channel;
    INSERT INTO main.stream_column SELECT * FROM whole.stream_column;
    INSERT INTO main.device SELECT * FROM whole.device;
    INSERT INTO main.problem SELECT * FROM whole.problem;
    INSERT INTO main.block SELECT b.* FROM whole.block b JOIN whole.segment_clock s ON s.segment = b.segment
        WHERE b.last_ms + s.offset_ms >= ?1 AND b.first_ms + s.offset_ms <= ?2;
    INSERT INTO main.summary SELECT y.* FROM whole.summary y JOIN main.block b ON b.id = y.block;
    INSERT INTO main.rollup_minute SELECT * FROM whole.rollup_minute
        WHERE hour BETWEEN ?1 / 3600000 - 1 AND ?2 / 3600000 AND (hour * 60 + minute) * 60000 BETWEEN ?1 - 59999 AND ?2;
    INSERT INTO main.rollup_hour SELECT * FROM whole.rollup_hour WHERE hour * 3600000 BETWEEN ?1 - 3599999 AND ?2;
    INSERT INTO main.event SELECT e.* FROM whole.event e LEFT JOIN whole.segment_clock s ON s.segment = e.segment
        WHERE e.t_ms + coalesce(s.offset_ms, 0) BETWEEN ?1 AND ?2
           OR e.id = (SELECT max(id) FROM whole.event WHERE kind = 'recording_started');
    INSERT INTO main.latest SELECT l.* FROM whole.latest l JOIN whole.segment_clock s ON s.segment = l.segment
        WHERE l.t_ms + s.offset_ms BETWEEN ?1 AND ?2;
    INSERT INTO main.coverage
        SELECT y.channel, b.segment, sum(y.count), sum(y.missing), min(b.first_ms), max(b.last_ms), NULL
        FROM main.summary y JOIN main.block b ON b.id = y.block GROUP BY y.channel, b.segment;
    UPDATE main.coverage SET latest = (
        SELECT y.last FROM main.summary y JOIN main.block b ON b.id = y.block
        WHERE y.channel = coverage.channel AND b.segment = coverage.segment ORDER BY b.last_ms DESC LIMIT 1);
";

impl Store {
    /// Writes the blocks that reach between `from` and `to`, with all that belongs to them, into a new database. Whole
    /// blocks are taken, so that it may begin a little before and end a little after.
    ///
    /// # Errors
    /// The new file exists already or cannot be written, or this one cannot be read; then there is no new file.
    pub fn copy_to(&self, target: &Path, from: Option<Timestamp>, to: Option<Timestamp>) -> Result<(), StoreError> {
        if target.exists() {
            let exists = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
            return Err(StoreError::io(target, "will not overwrite")(exists));
        }
        let beside = with_suffix(target, "-part");
        let _ = std::fs::remove_file(&beside);
        let done = self
            .fill(&beside, from, to)
            .and_then(|()| std::fs::rename(&beside, target).map_err(StoreError::io(target, "cannot put in its place")));
        if done.is_err() {
            let _ = std::fs::remove_file(&beside);
        }
        done
    }

    fn fill(&self, target: &Path, from: Option<Timestamp>, to: Option<Timestamp>) -> Result<(), StoreError> {
        let mut copy = open::empty(target)?;
        let (from_ms, to_ms) = bounds(from, to);
        // Sums of times must not overflow.
        let (from_ms, to_ms) = (from_ms.max(i64::MIN / 4), to_ms.min(i64::MAX / 4));
        let offsets = self.offsets()?;
        let mut run = || -> rusqlite::Result<()> {
            copy.execute("ATTACH ?1 AS whole", [self.path.to_string_lossy()])?;
            let tx = copy.transaction()?;
            for sql in COPY.split_inclusive(';').map(str::trim).filter(|sql| !sql.is_empty()) {
                let mut statement = tx.prepare(sql)?;
                match statement.parameter_count() {
                    0 => statement.execute([])?,
                    _ => statement.execute(params![from_ms, to_ms])?,
                };
            }
            chunks(&tx, &offsets, from_ms, to_ms)?;
            tx.commit()?;
            copy.execute("DETACH whole", [])?;
            Ok(())
        };
        run().map_err(StoreError::sqlite(target, "cannot copy the recording"))?;
        copy.close().map_err(|(_, e)| StoreError::sqlite(target, "cannot finish")(e))
    }
}

/// What is not sealed yet. A chunk that nobody can read is left where it is.
fn chunks(tx: &Connection, offsets: &HashMap<SegmentId, i64>, from_ms: i64, to_ms: i64) -> rusqlite::Result<()> {
    let mut read = tx.prepare("SELECT id, segment, data FROM whole.chunk ORDER BY id")?;
    let mut wanted = Vec::new();
    let mut rows = read.query([])?;
    while let Some(row) = rows.next()? {
        let (id, segment): (i64, i64) = (row.get(0)?, row.get(1)?);
        let offset = offsets.get(&SegmentId(segment)).copied().unwrap_or(0);
        let inside = chunk_parts(row.get_ref(2)?.as_blob().unwrap_or_default()).flatten().any(|(_, block)| {
            let Ok((view, _)) = BlockView::read(block, |_| false) else { return false };
            let Some(last) = view.rows().checked_sub(1) else { return false };
            let utc = |row| view.time(row).saturating_add(offset);
            utc(last) >= from_ms && utc(0) <= to_ms
        });
        if inside {
            wanted.push(id);
        }
    }
    let mut write = tx.prepare("INSERT INTO main.chunk SELECT * FROM whole.chunk WHERE id = ?1")?;
    for id in wanted {
        write.execute([id])?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use ampwake_schemas::quantity::Unit;
    use ampwake_schemas::sample::Reading;

    type Outcome<T = ()> = Result<T, Box<dyn std::error::Error>>;

    fn recorded(path: &Path) -> Outcome<crate::Writer> {
        let mut writer = Store::create(path)?;
        let id = writer.channel(&"can0/n2k/127508/0/battery_voltage".parse()?, Unit::Volt)?;
        writer.begin_segment("test");
        for n in 0..30_000_i64 {
            writer.append(id, Timestamp::from_millis(n * 1000), Reading::Value(n as f64));
        }
        writer.seal()?;
        for n in 30_000..30_100_i64 {
            writer.append(id, Timestamp::from_millis(n * 1000), Reading::Value(n as f64));
        }
        writer.commit()?;
        Ok(writer)
    }

    fn values(path: &Path) -> Outcome<Vec<f64>> {
        let store = Store::open(path)?;
        let channel = store.channels()?.remove(0);
        let read = store.read_all(channel.id, None, None)?;
        assert_eq!(channel.samples as usize, read.len(), "the coverage tells the same as the samples");
        assert_eq!(channel.latest, read.last().and_then(|(_, r)| r.value()));
        assert!(store.damage()?.is_empty());
        Ok(read.into_iter().filter_map(|(_, r)| r.value()).collect())
    }

    #[test]
    fn all_of_a_recording_or_its_part_while_the_recorder_goes_on() -> Outcome {
        let dir = tempfile::tempdir()?;
        let path = dir.path().join("voyage.db");
        let writer = recorded(&path)?;
        let store = Store::open(&path)?;
        let (all, part) = (dir.path().join("all.db"), dir.path().join("part.db"));
        store.copy_to(&all, None, None)?;
        assert_eq!(values(&all)?, (0..30_100).map(f64::from).collect::<Vec<_>>());
        assert_eq!(store.events()?, Store::open(&all)?.events()?);

        let at = |s: i64| Some(Timestamp::from_millis(s * 1000));
        store.copy_to(&part, at(10_000), at(11_000))?;
        let values = values(&part)?;
        assert!(values.len() <= 2 * 8192 && values.contains(&10_000.0) && values.contains(&11_000.0));
        assert!(store.copy_to(&part, None, None).unwrap_err().to_string().contains("will not overwrite"));
        drop(writer);
        // It is a database like any other.
        drop(Store::create(&part)?);
        Ok(())
    }

    #[test]
    fn only_what_is_not_sealed_where_that_alone_is_wanted() -> Outcome {
        let dir = tempfile::tempdir()?;
        let path = dir.path().join("voyage.db");
        drop(recorded(&path)?);
        let writer = recorded(&dir.path().join("other.db"))?;
        let part = dir.path().join("part.db");
        let store = Store::open(dir.path().join("other.db"))?;
        store.copy_to(&part, Some(Timestamp::from_millis(30_050_000)), None)?;
        let store = Store::open(&part)?;
        let channel = store.channels()?.remove(0);
        assert_eq!(store.read_all(channel.id, None, None)?.len(), 100);
        drop(writer);
        Ok(())
    }
}
