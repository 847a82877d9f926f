//! Where a long recording is cut: near midnight UTC, at a moment in which no source gives anything, so that no session is
//! cut that is shorter than a day.

use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::Period;
use ampwake_schemas::intent::{Intent, Signal};
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, ChannelInfo, Store, StoreError};

const MINUTE_MS: i64 = 60_000;
const DAY_MS: i64 = 86_400_000;
/// How far around midnight is looked, ms: ever further, until something is found.
const LOOKS_MS: [i64; 4] = [3_600_000, 3 * 3_600_000, 6 * 3_600_000, 12 * 3_600_000];
/// A session ends where none has given anything for ten minutes.
const PAUSE_MIN: usize = 10;

/// The midnights at which a period may be cut: not within half a day of its ends.
pub(super) fn midnights(period: Period) -> Vec<i64> {
    let (from, to) = (period.start.millis(), period.end.millis());
    let first = (from + DAY_MS / 2).div_euclid(DAY_MS) + 1;
    (first..).map(|n| n * DAY_MS).take_while(|m| *m <= to - DAY_MS / 2).collect()
}

/// The pieces between these moments, of which some may be the same.
pub(super) fn pieces(period: Period, mut cuts: Vec<i64>) -> Vec<Period> {
    cuts.sort_unstable();
    let (from, to) = (period.start.millis(), period.end.millis());
    let mut edges = vec![from];
    // Pieces of less than an hour say nothing; a day too long is no harm.
    for cut in cuts {
        if edges.last().is_none_or(|last| cut - last > 3_600_000) && to - cut > 3_600_000 {
            edges.push(cut);
        }
    }
    edges.push(to);
    let end = |at: i64| Timestamp::from_millis(if at == to { at } else { at - 1 });
    edges.windows(2).map(|e| Period { start: Timestamp::from_millis(e[0]), end: end(e[1]) }).collect()
}

/// The moment nearest to `midnight` at which all sources rest, else midnight itself: a session of more than a day ends there.
pub(super) fn near(store: &Store, currents: &[Current], midnight: i64) -> Result<i64, StoreError> {
    for look in LOOKS_MS {
        let (from, to) = (midnight - look, midnight + look);
        let mut gives = vec![false; ((to - from) / MINUTE_MS) as usize];
        for c in currents {
            let (a, b) = (Timestamp::from_millis(from), Timestamp::from_millis(to - 1));
            for sample in store.read(c.channel, Some(a), Some(b))? {
                let (t, reading) = sample?;
                let amps = reading.value().map_or(0.0, |v| v * c.scale);
                if amps > c.least(amps)
                    && let Some(minute) = gives.get_mut(((t.millis() - from) / MINUTE_MS).max(0) as usize)
                {
                    *minute = true;
                }
            }
        }
        if let Some(minute) = pause_nearest(&gives, gives.len() / 2) {
            return Ok(from + minute as i64 * MINUTE_MS);
        }
    }
    Ok(midnight)
}

/// Of the pauses long enough to end a session the minute that lies nearest to `middle`, with half a pause on either side.
fn pause_nearest(gives: &[bool], middle: usize) -> Option<usize> {
    let half = PAUSE_MIN / 2;
    let mut best: Option<usize> = None;
    let mut start = 0;
    for k in 0..=gives.len() {
        if k < gives.len() && !gives[k] {
            continue;
        }
        if k - start >= PAUSE_MIN {
            let at = middle.clamp(start + half, k - half);
            if best.is_none_or(|b| at.abs_diff(middle) < b.abs_diff(middle)) {
                best = Some(at);
            }
        }
        start = k + 1;
    }
    best
}

/// A source's current, as the recording holds it.
pub(super) struct Current {
    channel: ChannelId,
    scale: f64,
    percent: f64,
    floor: f64,
}

impl Current {
    /// Twice the standard uncertainty: what is less is nothing.
    fn least(&self, amps: f64) -> f64 {
        2.0 * (self.percent / 100.0 * amps).hypot(self.floor)
    }
}

/// Those of all sources that have a sensor which was heard.
pub(super) fn currents(channels: &[ChannelInfo], intent: &Intent) -> Vec<Current> {
    let accuracy = intent.accuracy.current;
    let find = |address: &ChannelAddress| {
        let exact = channels.iter().find(|c| c.address == *address);
        exact.or_else(|| channels.iter().find(|c| c.address.without_source() == address.without_source()))
    };
    let of = |signal: &Signal| {
        let channel = find(&signal.address)?.id;
        Some(Current { channel, scale: signal.scale, percent: accuracy.percent, floor: accuracy.floor })
    };
    intent.sources.iter().filter_map(|s| of(s.signals.current.as_ref()?)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_pause_of_ten_minutes() {
        let day = |busy: &[(usize, usize)]| {
            (0..120).map(|k| busy.iter().any(|(a, b)| (*a..*b).contains(&k))).collect::<Vec<_>>()
        };
        // At rest: right at midnight.
        assert_eq!(pause_nearest(&day(&[]), 60), Some(60));
        // Busy around it: five minutes into the nearer pause.
        assert_eq!(pause_nearest(&day(&[(20, 70)]), 60), Some(75));
        assert_eq!(pause_nearest(&day(&[(50, 110)]), 60), Some(45));
        // Nine minutes are no pause.
        assert_eq!(pause_nearest(&day(&[(0, 50), (59, 120)]), 60), None);
    }

    #[test]
    fn pieces_cover_the_period_once() {
        let hour = 3_600_000;
        let period = Period { start: Timestamp::from_millis(10 * hour), end: Timestamp::from_millis(100 * hour) };
        assert_eq!(midnights(period), [24 * hour, 48 * hour, 72 * hour]);
        let all = pieces(period, vec![48 * hour, 25 * hour, 48 * hour + 1]);
        let edges: Vec<_> = all.iter().map(|p| (p.start.millis(), p.end.millis())).collect();
        assert_eq!(edges, [(10 * hour, 25 * hour - 1), (25 * hour, 48 * hour - 1), (48 * hour, 100 * hour)]);
    }
}
