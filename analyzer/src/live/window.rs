//! The last hours of the channels that matter, in memory, brought up to date with what is new alone.

use crate::series::Series;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, ChannelInfo, Follower, Store, StoreError};
use std::collections::{BTreeMap, BTreeSet};

/// Samples kept of one channel; of a faster one the oldest go (eight hours at 10 Hz are 288,000).
const MOST: usize = 400_000;

/// A window over the end of a recording.
#[derive(Debug)]
pub struct Window {
    length_ms: i64,
    follower: Follower,
    points: BTreeMap<ChannelId, Vec<(i64, f64)>>,
}

impl Window {
    /// The last `hours` before `newest`.
    pub fn new(hours: f64, newest: Timestamp) -> Self {
        let length_ms = (hours * 3_600_000.0) as i64;
        let from = Timestamp::from_millis(newest.millis().saturating_sub(length_ms));
        Self { length_ms, follower: Follower::new(from), points: BTreeMap::new() }
    }

    /// Reads what is new of the channels followed so far; true when there was anything.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn catch_up(&mut self, store: &Store) -> Result<bool, StoreError> {
        let news = store.news(&mut self.follower)?;
        if news.afresh {
            self.points.clear();
        }
        let any = !news.samples.is_empty();
        for (channel, samples) in news.samples {
            let kept = self.points.entry(channel).or_default();
            kept.extend(samples.into_iter().map(|(t, r)| (t.millis(), r.value().unwrap_or(f64::NAN))));
        }
        Ok(any)
    }

    /// Follows these channels too, with all that the window holds of them; true when one of them is new.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn add(&mut self, store: &Store, channels: &BTreeSet<ChannelId>) -> Result<bool, StoreError> {
        let new: Vec<ChannelId> = channels.iter().copied().filter(|c| !self.follower.follows(*c)).collect();
        if new.is_empty() {
            return Ok(false);
        }
        new.into_iter().for_each(|c| self.follower.add(c));
        self.catch_up(store)?;
        Ok(true)
    }

    /// The newest time of all, not later than `latest`: a clock that once ran ahead is no news.
    pub fn newest(&self, latest: Timestamp) -> Option<Timestamp> {
        let last = |points: &Vec<(i64, f64)>| points.iter().rev().map(|p| p.0).find(|t| *t <= latest.millis());
        self.points.values().filter_map(last).max().map(Timestamp::from_millis)
    }

    /// Lets go what lies before the window that ends with `newest`; returns where it begins, on a whole minute, so that the
    /// cells of one look are those of the next.
    pub fn forget(&mut self, newest: Timestamp) -> Timestamp {
        let from = newest.millis().saturating_sub(self.length_ms).div_euclid(60_000) * 60_000;
        for points in self.points.values_mut() {
            let old = points.partition_point(|p| p.0 < from).max(points.len().saturating_sub(MOST));
            points.drain(..old);
        }
        Timestamp::from_millis(from)
    }

    /// What is kept of a channel.
    pub fn series(&self, channel: &ChannelInfo) -> Series {
        Series::from_points(self.points(channel.id).iter().copied())
    }

    /// The same as (ms, value or NaN).
    pub fn points(&self, channel: ChannelId) -> &[(i64, f64)] {
        self.points.get(&channel).map(Vec::as_slice).unwrap_or_default()
    }
}
