//! What the recorder does about its disk: commits at its interval, waits out one that refuses, lets go what is old.
//!
//! Owes its reader: a disk that is full, read-only or failing ends no recording; it is said at once and again, the newest
//! samples are the ones that are kept, and what was given up stands in the database when there is room again.

use crate::pipeline::event;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Keep, Place, StoreError, Writer};
use serde_json::json;
use std::time::{Duration, Instant};

/// Samples that wait for a disk that refuses, some 30 MB; beyond that the older half is given up.
const MOST_PENDING: usize = 500_000;
/// Between two attempts on a disk that refuses, at most.
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// A file that is called damaged so often in a row is set aside.
const DAMAGED: u32 = 3;
/// Time for letting go what is old, after a commit: the buses wait meanwhile.
const RETAINING: Duration = Duration::from_millis(50);

/// The state of the disk, as far as the recorder knows it.
#[derive(Debug)]
pub(crate) struct Disk {
    every: Duration,
    keep: Option<Keep>,
    /// Commits refused in a row, and since when.
    refused: u32,
    since: Option<Timestamp>,
    /// The file was opened anew after the last of them.
    reopened: bool,
    /// So many of them in a row called the file damaged.
    damaged: u32,
    /// Samples given up meanwhile, and before.
    shed: u64,
    shed_before: u64,
    /// Events given up meanwhile.
    events_shed: u64,
    /// It was said that the recording takes more than it may.
    too_large: bool,
}

impl Disk {
    pub(crate) fn new(every: Duration, keep: Option<Keep>) -> Self {
        Self {
            every,
            keep,
            refused: 0,
            since: None,
            reopened: false,
            damaged: 0,
            shed: 0,
            shed_before: 0,
            events_shed: 0,
            too_large: false,
        }
    }

    /// From now on with this interval, and keeping this.
    pub(crate) fn set(&mut self, every: Duration, keep: Option<Keep>) {
        (self.every, self.keep, self.too_large) = (every, keep, false);
    }

    /// Since when commits have been refused, if they are.
    pub(crate) fn refused_since(&self) -> Option<Timestamp> {
        self.since
    }

    /// Samples that were given up, since the start.
    pub(crate) fn given_up(&self) -> u64 {
        self.shed_before + self.shed
    }

    /// Before a commit: the system writes into a file that was removed as if nothing were wrong, and all of it is lost.
    pub(crate) fn look(&self, store: &mut Writer, now: Timestamp) {
        let (path, place) = (store.path().to_owned(), store.place());
        if place == Place::Here {
            return;
        }
        match store.start_afresh() {
            Ok(aside) => {
                let what = match place {
                    Place::Replaced => format!("replaced by another file (set aside as {})", aside.display()),
                    _ => "removed or renamed".to_owned(),
                };
                let text = format!("the database {} was {what} while it was recorded into", path.display());
                tracing::error!("{text}; recording goes on in a new one, with what is still in memory");
                store.event(event(now, "database_removed", None, text, &json!({ "file": path.display().to_string() })));
            }
            Err(e) => tracing::error!("{e}"),
        }
    }

    /// A commit reached the disk.
    pub(crate) fn took(&mut self, store: &mut Writer, now: Timestamp) -> Duration {
        if let Some(since) = self.since.take() {
            let text = format!(
                "the disk takes the recording again; it had refused {} commits since {since}, and {} samples were given up",
                self.refused, self.shed
            );
            tracing::warn!("{text}");
            let details = json!({ "refused_commits": self.refused, "samples_given_up": self.shed });
            store.event(event(now, "disk_back", None, text, &details));
            store.problem("sample_given_up", self.shed);
            store.problem("event_given_up", std::mem::take(&mut self.events_shed));
            self.shed_before += self.shed;
            (self.refused, self.damaged, self.shed, self.reopened) = (0, 0, 0, false);
        }
        self.let_go(store, now);
        self.every
    }

    /// A commit was refused; how long to wait until the next.
    pub(crate) fn refused(&mut self, error: &StoreError, store: &mut Writer, now: Timestamp) -> Duration {
        self.refused += 1;
        self.since.get_or_insert(now);
        if self.is_damaged(error, store) {
            match store.start_afresh() {
                Ok(aside) => {
                    self.damaged = 0;
                    let text = format!("the database was damaged ({error}); it is set aside as {}", aside.display());
                    tracing::error!("{text}; recording goes on in a new one");
                    store.event(event(now, SET_ASIDE, None, text, &json!({ "file": aside.display().to_string() })));
                    return Duration::ZERO;
                }
                Err(e) => tracing::error!("{e}"),
            }
        }
        // A quiet bus has few samples, and its trouble may have many words.
        self.events_shed += store.shed_events() as u64;
        while store.pending() > MOST_PENDING {
            match store.shed() {
                0 => break,
                shed => self.shed += shed as u64,
            }
        }
        let wait = self.every.saturating_mul(1 << self.refused.min(16)).min(LONGEST_WAIT).max(self.every);
        tracing::error!(
            "{error}; {} samples are kept for the next attempt in {:.0} s, {} were given up",
            store.pending(),
            wait.as_secs_f64().ceil(),
            self.shed
        );
        wait
    }

    /// Whether the file itself is broken: called so several times in a row by a connection that was opened since. A disk
    /// that fails makes SQLite say so of a sound file.
    fn is_damaged(&mut self, error: &StoreError, store: &mut Writer) -> bool {
        let fresh = std::mem::take(&mut self.reopened);
        let damaged = match store.reopen() {
            Ok(()) => {
                self.reopened = true;
                fresh && error.is_damage()
            }
            Err(e) => e.is_damage(),
        };
        self.damaged = if damaged { self.damaged + 1 } else { 0 };
        self.damaged >= DAMAGED
    }

    fn let_go(&mut self, store: &mut Writer, now: Timestamp) {
        let Some(keep) = self.keep else { return };
        let until = Instant::now() + RETAINING;
        loop {
            match store.retain(keep, now) {
                Ok(done) => {
                    if done.too_large && !self.too_large {
                        tracing::warn!(
                            "the recording takes more than `max_gb` although nothing is left that may go; give it more room"
                        );
                    }
                    self.too_large = done.too_large || self.too_large && done.more;
                    if !done.more || Instant::now() >= until {
                        return;
                    }
                }
                // The next commit will say the same louder.
                Err(e) => return tracing::warn!("{e}"),
            }
        }
    }
}

/// Kind of the event in the new database.
pub(crate) const SET_ASIDE: &str = "database_set_aside";
