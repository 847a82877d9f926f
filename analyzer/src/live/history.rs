//! Pictures of any time in the database, tile by tile, so that whoever pans loads only what is missing.
//!
//! A tile is [`COLUMNS`] columns of one width, at a place that is the same for everybody: number 0 begins at the epoch. One that
//! lies wholly in the past does not change any more and may be kept by whoever has it.

use super::snapshot::ChartSeries;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Store, StoreError};
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

/// Columns of a tile.
pub const COLUMNS: usize = 256;
/// Widths of a column, ms. From a minute on they are read from the rollups.
pub const LEVELS_MS: [i64; 7] = [1_000, 5_000, 20_000, 60_000, 300_000, 1_800_000, 10_800_000];

/// One tile as JSON, `{"from": ms, "step": ms, "series": [[low, high, low, high, …], …]}` in the order of the series, null
/// where nothing is known, and whether it can still change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tile {
    /// The text.
    pub json: String,
    /// Nothing will be added to it.
    pub finished: bool,
}

/// Reads tiles, one at a time.
#[derive(Debug)]
pub struct History {
    path: PathBuf,
    /// Kept open between tiles; whoever reads has it.
    store: Mutex<Option<Store>>,
}

impl History {
    /// Of this database.
    pub fn new(path: PathBuf) -> Self {
        Self { path, store: Mutex::new(None) }
    }

    /// Tile `number` at `level`; `None` where there is no such level or time.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn tile(
        &self,
        series: &[ChartSeries],
        level: usize,
        number: i64,
        newest: Timestamp,
    ) -> Result<Option<Tile>, StoreError> {
        let Some(step) = LEVELS_MS.get(level).copied() else { return Ok(None) };
        let width = step * COLUMNS as i64;
        let Some((from, end)) = number.checked_mul(width).and_then(|from| Some((from, from.checked_add(width)?)))
        else {
            return Ok(None);
        };
        let channels: BTreeSet<ChannelId> = series.iter().map(|s| s.id).collect();
        // Whoever panicked here left no half-read store behind: it is read-only.
        let mut held = self.store.lock().unwrap_or_else(PoisonError::into_inner);
        let store = match held.take() {
            Some(store) => store,
            None => Store::open(&self.path)?,
        };
        let columns = store.columns(&channels, Timestamp::from_millis(from), step, COLUMNS)?;
        // Not after an error: then it is opened anew.
        *held = Some(store);
        drop(held);
        let mut json = format!("{{\"from\":{from},\"step\":{step},\"series\":[");
        for (n, s) in series.iter().enumerate() {
            json.push_str(if n == 0 { "[" } else { ",[" });
            let own = columns.get(&s.id).map(Vec::as_slice).unwrap_or_default();
            for (at, column) in own.iter().enumerate() {
                json.push_str(if at == 0 { "" } else { "," });
                match column {
                    Some((a, b)) => {
                        let (a, b) = (a * s.scale, b * s.scale);
                        // Writing to a string does not fail. Two decimals are finer than any picture.
                        let _ = write!(json, "{:.2},{:.2}", a.min(b), a.max(b));
                    }
                    None => json.push_str("null,null"),
                }
            }
            json.push(']');
        }
        json.push_str("]}");
        // Samples still wait in the recorder's memory for a while.
        let finished = newest.millis() > end.saturating_add(300_000);
        Ok(Some(Tile { json, finished }))
    }

    /// The database was replaced: the next tile opens it anew.
    pub fn forget(&self) {
        *self.store.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }
}
