//! What the database must hold: every committed sample exactly once and exact, at most one commit more, nothing else.

use super::{CHANNELS, expected, time};
use ampwake_store::Store;
use std::collections::BTreeMap;
use std::path::Path;

/// What a recorder said before it ended.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Said {
    /// Rows that it was about to commit since, once per attempt: one that was refused may have reached the disk all the
    /// same, where the refusal came last.
    pub begun: Vec<u64>,
    /// Rows that it had committed.
    pub committed: u64,
    /// Raw frames that it was about to write since.
    pub framing: Option<u64>,
    /// Raw frames that it had written.
    pub framed: u64,
}

impl Said {
    /// From the recorder's output; a last line that was cut off counts for nothing.
    pub fn read(text: &str) -> Self {
        let mut said = Self::default();
        for line in text.split_inclusive('\n').filter_map(|line| line.strip_suffix('\n')) {
            match line.split_once(' ') {
                Some(("b", n)) => said.begun.extend(n.parse::<u64>()),
                Some(("c", n)) => {
                    said.committed = n.parse().unwrap_or(said.committed);
                    said.begun.clear();
                }
                Some(("f", n)) => said.framing = n.parse().ok(),
                Some(("g", n)) => {
                    said.framed = n.parse().unwrap_or(said.framed);
                    said.framing = None;
                }
                _ => {}
            }
        }
        said
    }
}

/// Rows per run that were found so far.
#[derive(Debug, Default)]
pub struct Tally {
    rows: BTreeMap<u64, u64>,
    /// Runs whose last commit was there although the recorder did not live to say so.
    pub unsaid: u64,
    /// Rows that were appended and are not there: those since the last commit.
    pub lost: u64,
    /// Runs of which only summaries are left, when they were all judged.
    pub summarised: u64,
}

impl Tally {
    /// Judges run `run`, and that the file as a whole is sound.
    ///
    /// # Errors
    /// What is wrong.
    pub fn judge(&mut self, path: &Path, run: u64, said: &Said) -> Result<(), String> {
        let Some(store) = opened(path)? else {
            return if said.committed == 0 { Ok(()) } else { Err("there is no database".into()) };
        };
        let damage = store.damage().map_err(|e| e.to_string())?;
        if !damage.is_empty() {
            return Err(format!("the file is damaged: {damage:?}"));
        }
        let rows = rows(&store, run)?;
        if rows != said.committed && !said.begun.contains(&rows) {
            return Err(format!("run {run}: {rows} rows where the recorder said {said:?}"));
        }
        self.unsaid += u64::from(rows > said.committed);
        self.lost += said.begun.last().map_or(0, |begun| begun - rows);
        self.rows.insert(run, rows);
        self.totals(&store)
    }

    /// Judges every run again: what was let go by its summaries, everything else sample by sample.
    ///
    /// # Errors
    /// What is wrong.
    pub fn all(&mut self, path: &Path) -> Result<(), String> {
        let Some(store) = opened(path)? else { return Err("there is no database".into()) };
        let full_from = store.full_from().map_err(|e| e.to_string())?;
        self.summarised = 0;
        for (run, known) in &self.rows {
            let whole = full_from.is_none_or(|from| time(*run, 0) >= from);
            let rows = if whole { rows(&store, *run)? } else { summarised(&store, *run, *known)? };
            if rows != *known {
                return Err(format!("run {run}: {rows} rows where there were {known}"));
            }
            self.summarised += u64::from(!whole);
        }
        self.totals(&store)
    }

    /// Rows of all runs.
    pub fn rows(&self) -> u64 {
        self.rows.values().sum()
    }

    /// What is kept beside the samples must say the same: counts, summaries, events, problems.
    fn totals(&self, store: &Store) -> Result<(), String> {
        let rows = self.rows();
        let floats: u64 = self.rows.values().map(|n| n.div_ceil(super::FLOAT_EVERY)).sum();
        let missing: u64 = self.rows.values().map(|n| n.div_ceil(super::MISSING_EVERY)).sum();
        for (number, channel) in store.channels().map_err(|e| e.to_string())?.iter().enumerate() {
            let known = CHANNELS.iter().position(|c| channel.address.to_string() == c.0);
            let Some(place) = known else { return Err(format!("a channel too many: {number}")) };
            let expected = (if place == 3 { floats } else { rows }, if place == 1 { missing } else { 0 });
            let summary = store.summary(channel.id, None, None).map_err(|e| e.to_string())?;
            for (what, found) in
                [("channel", (channel.samples, channel.missing)), ("summary", (summary.count, summary.missing))]
            {
                if found != expected {
                    return Err(format!("{what} {}: {found:?} instead of {expected:?}", channel.address));
                }
            }
        }
        let ticks = store.problems().map_err(|e| e.to_string())?.get("ticks").copied().unwrap_or(0);
        let events = store.events().map_err(|e| e.to_string())?.len() as u64;
        let due: u64 = self.rows.values().map(|n| n.div_ceil(100)).sum();
        match (ticks, events) == (rows, due) {
            true => Ok(()),
            false => Err(format!("{ticks} counts and {events} events instead of {rows} and {due}")),
        }
    }
}

fn opened(path: &Path) -> Result<Option<Store>, String> {
    match path.exists() {
        true => Store::open(path).map(Some).map_err(|e| e.to_string()),
        false => Ok(None),
    }
}

/// Rows of a run, each channel read to the end and every sample compared.
fn rows(store: &Store, run: u64) -> Result<u64, String> {
    let mut rows = None;
    for (place, (address, _)) in CHANNELS.iter().enumerate() {
        let found = store.find(&address.parse().expect("an address")).map_err(|e| e.to_string())?;
        let (from, to) = (Some(time(run, 0)), Some(time(run, super::RUN_MS as u64 - 1)));
        let samples = match found {
            Some(channel) => store.read_all(channel.id, from, to).map_err(|e| e.to_string())?,
            None => Vec::new(),
        };
        let mut due = (0..).filter_map(|n| Some((time(run, n), expected(run, n, place)?)));
        for (sample, due) in samples.iter().zip(&mut due) {
            if *sample != due {
                return Err(format!("run {run}, {address}: {sample:?} instead of {due:?}"));
            }
        }
        let count = samples.len() as u64;
        let known = *rows.get_or_insert(count);
        let expected = if place == 3 { known.div_ceil(super::FLOAT_EVERY) } else { known };
        if count != expected {
            return Err(format!("run {run}, {address}: {count} samples beside {known} rows"));
        }
    }
    Ok(rows.unwrap_or(0))
}

/// Rows of a run by its summaries, whose sums must be those of its samples.
fn summarised(store: &Store, run: u64, known: u64) -> Result<u64, String> {
    let mut rows = 0;
    for (place, (address, _)) in CHANNELS.iter().enumerate() {
        let Some(channel) = store.find(&address.parse().expect("an address")).map_err(|e| e.to_string())? else {
            continue;
        };
        let (from, to) = (Some(time(run, 0)), Some(time(run, super::RUN_MS as u64 - 1)));
        let summary = store.summary(channel.id, from, to).map_err(|e| e.to_string())?;
        let sum: f64 = (0..known).filter_map(|n| expected(run, n, place)?.value()).sum();
        if (summary.sum - sum).abs() > 1e-9 * (1.0 + sum.abs()) {
            return Err(format!("run {run}, {address}: a sum of {} instead of {sum}", summary.sum));
        }
        if place == 0 {
            rows = summary.count;
        }
    }
    Ok(rows)
}
