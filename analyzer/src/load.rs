//! From a database to what the analysis is given. The edge: the only place where the analysis meets the store.

use crate::quality;
use crate::recording::{Recording, STATE_SIBLINGS};
use crate::series::Series;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::Period;
use ampwake_schemas::intent::Intent;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelInfo, Store, StoreError};
use std::collections::{BTreeMap, BTreeSet};

/// A silence of all buses longer than this is a gap, ms. The slowest channels repeat within seconds.
const SILENCE_MS: i64 = 60_000;

/// Reads what the intent names, between `from` and `to` where given.
///
/// # Errors
/// The database cannot be read.
pub fn load(
    store: &Store,
    intent: &Intent,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
) -> Result<Recording, StoreError> {
    let channels = store.channels()?;
    let mut by_plain: BTreeMap<ChannelAddress, Vec<&ChannelInfo>> = BTreeMap::new();
    for c in &channels {
        by_plain.entry(c.address.without_source()).or_default().push(c);
    }
    let mut problems = store.problems()?;
    // A message that this version does not know is no problem of the recording.
    let unread = problems.remove("unknown_message").unwrap_or(0);
    let mut recording = Recording {
        heard: channels.iter().map(|c| c.address.clone()).collect(),
        problems,
        unread,
        ..Recording::default()
    };
    let mut wanted: BTreeSet<ChannelAddress> = BTreeSet::new();
    for (_, role, signal) in quality::signals(intent) {
        wanted.insert(signal.address.clone());
        if role == "state" {
            wanted.extend(
                STATE_SIBLINGS.iter().map(|f| ChannelAddress { field: (*f).to_owned(), ..signal.address.clone() }),
            );
        }
    }
    for address in wanted {
        let exact = channels.iter().find(|c| c.address == address);
        let chosen = match exact {
            Some(c) => Some(c),
            None => {
                let mut senders = by_plain.get(&address).cloned().unwrap_or_default();
                // The first device that used the address is the one that the designer saw.
                senders.sort_by_key(|c| (c.first, c.address.source));
                if senders.len() > 1 {
                    recording.ambiguous.insert(address.clone(), senders.iter().map(|c| c.address.clone()).collect());
                }
                senders.first().copied()
            }
        };
        if let Some(c) = chosen {
            let series = Series::from_readings(store.read_all(c.id, from, to)?);
            recording.series.insert(address, series);
        }
    }
    recording.period = period(store, &recording, from, to)?;
    if let Some(p) = recording.period {
        recording.silences = silences(&recording, p);
        recording.events = store
            .events()?
            .into_iter()
            // Also from before the first sample and after the last: a bus that is lost leaves none.
            .filter(|e| from.is_none_or(|t| e.time >= t) && to.is_none_or(|t| e.time <= t) || e.kind == "clock_step")
            .collect();
    }
    Ok(recording)
}

fn period(
    store: &Store,
    recording: &Recording,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
) -> Result<Option<Period>, StoreError> {
    let whole = store.period()?;
    let named = recording.series.values().flat_map(|s| s.points().map(|p| p.0));
    let (first, last) = named.fold((i64::MAX, i64::MIN), |(a, b), t| (a.min(t), b.max(t)));
    Ok(if first <= last {
        let start = whole.map_or(first, |w| w.start.millis().min(first));
        let end = whole.map_or(last, |w| w.end.millis().max(last));
        Some(Period {
            start: from.map_or(Timestamp::from_millis(start), |f| f.max(Timestamp::from_millis(start))),
            end: to.map_or(Timestamp::from_millis(end), |t| t.min(Timestamp::from_millis(end))),
        })
    } else {
        whole
    })
}

/// Stretches in which none of the channels that the intent names was heard.
fn silences(recording: &Recording, period: Period) -> Vec<(i64, i64)> {
    // One mark per ten seconds is enough to see a silence of a minute, and stays small for a season.
    const MARK_MS: i64 = 10_000;
    let start = period.start.millis();
    let cells = usize::try_from((period.end.millis() - start) / MARK_MS + 1).unwrap_or(0);
    // First and last time heard in every ten seconds.
    let mut heard: Vec<Option<(i64, i64)>> = vec![None; cells];
    for (t, _) in recording.series.values().flat_map(Series::points) {
        if let Some(slot) = usize::try_from((t - start) / MARK_MS).ok().and_then(|k| heard.get_mut(k)) {
            let (a, b) = slot.unwrap_or((t, t));
            *slot = Some((a.min(t), b.max(t)));
        }
    }
    let mut out = Vec::new();
    let mut last = start;
    for (a, b) in heard.into_iter().flatten() {
        if a - last > SILENCE_MS {
            out.push((last, a));
        }
        last = last.max(b);
    }
    if period.end.millis() - last > SILENCE_MS {
        out.push((last, period.end.millis()));
    }
    out
}
