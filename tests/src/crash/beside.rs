//! Raw frames that can be foretold, beside a database, and what must be left of them.

use super::{Said, time};
use ampwake_store::StoreError;
use ampwake_store::raw::{Batch, EXTENDED, RawFrame, RawReader, RawWriter, beside};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

/// Days for which they are kept: a run is an hour.
const DAYS: u32 = 1;
const RUNS_KEPT: u64 = 24;
const ID: u32 = 0x19F2_1423;

/// Writes a frame for every row.
pub(super) struct Beside {
    writer: RawWriter,
    frames: u64,
}

fn data(run: u64, n: u64) -> [u8; 8] {
    ((run << 32) | n).to_le_bytes()
}

impl Beside {
    pub(super) fn open(database: &Path) -> Result<Self, StoreError> {
        Ok(Self { writer: RawWriter::open(&beside(database))?, frames: 0 })
    }

    /// Up to row `rows` of its run.
    pub(super) fn go_on(&mut self, run: u64, rows: u64, out: &mut dyn Write) -> Result<(), Box<dyn std::error::Error>> {
        let mut batch = Batch::default();
        for n in self.frames..rows {
            batch.push(0, time(run, n), ID, EXTENDED, &data(run, n));
        }
        writeln!(out, "f {rows}")?;
        out.flush()?;
        self.writer.append(&batch.pack(&["can0".to_owned()])?)?;
        writeln!(out, "g {rows}")?;
        out.flush()?;
        self.frames = rows;
        self.writer.let_go(DAYS, time(run, rows))?;
        Ok(())
    }
}

/// Frames per run that were found so far.
#[derive(Debug, Default)]
pub struct Frames {
    runs: BTreeMap<u64, u64>,
    /// Frames that were let go.
    pub gone: u64,
}

impl Frames {
    /// Judges the file after run `run`: every frame as it was, in its order; of this run all that was written, of the last
    /// day all, of earlier runs the newer ones.
    ///
    /// # Errors
    /// What is wrong.
    pub fn judge(&mut self, database: &Path, run: u64, said: &Said) -> Result<(), String> {
        let found = found(&beside(database))?;
        let newest = found.get(&run).map_or(0, |(_, end)| *end);
        if newest != said.framed && said.framing != Some(newest) {
            return Err(format!("run {run}: {newest} raw frames where the recorder said {said:?}"));
        }
        self.runs.insert(run, newest);
        self.gone = 0;
        for (old, known) in &self.runs {
            let (first, end) = found.get(old).copied().unwrap_or((*known, *known));
            if end != *known || (first > 0 && old + RUNS_KEPT > run) {
                return Err(format!("run {old}, at run {run}: raw frames {first} to {end} where there were {known}"));
            }
            self.gone += first;
        }
        match found.keys().all(|old| self.runs.contains_key(old)) {
            true => Ok(()),
            false => Err("raw frames of no run".into()),
        }
    }

    /// Frames of all runs.
    pub fn count(&self) -> u64 {
        self.runs.values().sum()
    }
}

/// By run: the first frame, and the one after the last.
fn found(path: &Path) -> Result<BTreeMap<u64, (u64, u64)>, String> {
    let mut runs = BTreeMap::new();
    if !path.exists() {
        return Ok(runs);
    }
    let mut reader = match RawReader::open(path) {
        Err(StoreError::NotSqlite { .. } | StoreError::Foreign { .. }) => return Ok(runs), // it was being made
        opened => opened.map_err(|e| e.to_string())?,
    };
    while let Some(chunk) = reader.next_chunk().map_err(|e| e.to_string())? {
        let chunk = chunk.map_err(|e| e.to_string())?;
        for frame in &chunk.frames {
            let (run, n) = number(frame).ok_or_else(|| format!("a frame that nobody wrote: {frame:?}"))?;
            let (_, end) = runs.entry(run).or_insert((n, n));
            if *end != n {
                return Err(format!("run {run}: frame {n} where {end} is due"));
            }
            *end += 1;
        }
    }
    Ok(runs)
}

/// Run and number of a frame that is one of ours, as it was.
fn number(frame: &RawFrame) -> Option<(u64, u64)> {
    let number = u64::from_le_bytes(frame.data().try_into().ok()?);
    let (run, n) = (number >> 32, number & 0xFFFF_FFFF);
    ((frame.id, frame.flags, frame.time) == (ID, EXTENDED, time(run, n))).then_some((run, n))
}
