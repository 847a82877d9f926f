//! Charging sessions: from the moment at which a source begins to give until none has given anything for ten minutes.
//! What the loads take meanwhile does not matter: under way the sources may work for hours while the bank discharges.

use crate::view::BankView;

/// A session as cells `start..end`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SessionSpan {
    /// First cell.
    pub start: usize,
    /// One past the last cell.
    pub end: usize,
}

/// A pause longer than this ends a session, s.
const PAUSE_S: f64 = 600.0;
/// A charge shorter than this is no session, s.
const SHORTEST_S: f64 = 120.0;
/// A silence longer than this ends a session too, s: as long as a stage is believed to go on unseen.
const LONGEST_SILENCE_S: f64 = crate::stages::LONGEST_BRIDGE_S;
/// A longer session is cut at midnight UTC, ms.
const LONGEST_MS: i64 = 86_400_000;

/// The sessions of the axis. Moments about which nothing is known neither charge nor pause, but a long silence ends a
/// session: nobody knows what happened in it.
pub fn sessions(view: &BankView) -> Vec<SessionSpan> {
    let (pause, silence) = (view.grid.cells(PAUSE_S), view.grid.cells(LONGEST_SILENCE_S));
    let begin = view.grid.cells(30.0);
    let rest = view.rest_current();
    let mut out: Vec<SessionSpan> = Vec::new();
    // From the first cell that gave to one past the last, and how many gave: fewer than `begin` are no beginning yet.
    let mut open: Option<(SessionSpan, usize)> = None;
    let (mut idle, mut unseen) = (0, 0);
    for k in 0..view.grid.len {
        // A bank that is charged is charged by somebody, whether or not that source can be heard.
        if view.current[k] > rest || view.any_gives(k) {
            let (span, n) = open.get_or_insert((SessionSpan { start: k, end: k }, 0));
            (span.end, *n) = (k + 1, *n + 1);
            (idle, unseen) = (0, 0);
            continue;
        }
        let Some((span, n)) = open else { continue };
        let all_seen = !view.sources.is_empty() && view.sources.iter().all(|s| !s.current[k].is_nan());
        if view.current[k].is_nan() && !all_seen {
            unseen += 1;
        } else {
            idle += 1;
        }
        if idle >= if n < begin { 1 } else { pause } || unseen > silence {
            out.extend((n >= begin).then_some(span));
            (open, idle, unseen) = (None, 0, 0);
        }
    }
    out.extend(open.filter(|o| o.1 >= begin).map(|o| o.0));
    let shortest = view.grid.cells(SHORTEST_S);
    out.retain(|s| s.end - s.start >= shortest);
    out.into_iter().flat_map(|s| cut_at_midnight(view, s)).collect()
}

fn cut_at_midnight(view: &BankView, span: SessionSpan) -> Vec<SessionSpan> {
    if view.grid.at(span.end) - view.grid.at(span.start) <= LONGEST_MS {
        return vec![span];
    }
    let mut parts = Vec::new();
    let mut start = span.start;
    for k in span.start + 1..span.end {
        if view.grid.at(k).div_euclid(LONGEST_MS) != view.grid.at(k - 1).div_euclid(LONGEST_MS) {
            parts.push(SessionSpan { start, end: k });
            start = k;
        }
    }
    parts.push(SessionSpan { start, end: span.end });
    parts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{AMPS, Tape, VOLTS, amps, vessel};

    /// Sessions as (start, end) in seconds; `gives` says when the first charger gives 50 A.
    fn found(seconds: i64, gives: impl Fn(i64) -> f64 + Copy) -> Vec<(usize, usize)> {
        let tape = Tape::new(seconds).fed().with(VOLTS, |_| 53.5).with(AMPS, gives).with(&amps(1), gives);
        let intent = vessel("");
        sessions(&tape.view(&intent)).iter().map(|s| (s.start, s.end)).collect()
    }

    #[test]
    fn a_pause_of_ten_minutes_ends_a_session() {
        let paused = |pause: i64| move |t: i64| if (1000..1000 + pause).contains(&t) { 0.0 } else { 50.0 };
        assert_eq!(found(4000, paused(599)), [(0, 4000)]);
        assert_eq!(found(4000, paused(600)), [(0, 1000), (1600, 4000)]);
    }

    #[test]
    fn a_moment_of_current_is_no_session() {
        assert_eq!(found(4000, |t| if (1000..1119).contains(&t) { 50.0 } else { 0.0 }), []);
        assert_eq!(found(4000, |t| if (1000..1120).contains(&t) { 50.0 } else { 0.0 }), [(1000, 1120)]);
    }

    #[test]
    fn a_short_silence_is_bridged_and_a_long_one_is_not() {
        let silent = |from: i64, to: i64| move |t: i64| if (from..to).contains(&t) { f64::NAN } else { 50.0 };
        assert_eq!(found(9000, silent(1000, 1240)), [(0, 9000)]);
        assert_eq!(found(9000, silent(1000, 5000)), [(0, 1000), (5000, 9000)]);
    }

    #[test]
    fn sources_that_are_seen_to_rest_pause_without_the_bank_s_sensor() {
        let gives = |t: i64| if (1000..1600).contains(&t) { 0.0 } else { 50.0 };
        let tape = Tape::new(4000).fed().with(VOLTS, |_| 53.5).with(&amps(1), gives).with(&amps(2), |_| 0.0);
        let intent = vessel("");
        let found: Vec<_> = sessions(&tape.view(&intent)).iter().map(|s| (s.start, s.end)).collect();
        assert_eq!(found, [(0, 1000), (1600, 4000)]);
    }

    #[test]
    fn a_session_does_not_begin_in_a_silence_before_it() {
        let gives = |t: i64| match t {
            0..500 => 0.0,
            520..800 => f64::NAN,
            _ => 50.0,
        };
        // Twenty seconds of current, then silence, then current again: it began at 500.
        assert_eq!(found(4000, gives), [(500, 4000)]);
    }

    #[test]
    fn a_session_of_more_than_a_day_is_cut_at_midnight() {
        let from = 6 * 3600; // the recording begins at midnight UTC
        let tape = |seconds| {
            let gives = move |t: i64| if t >= from { 50.0 } else { 0.0 };
            Tape::every(seconds, 10).fed().with(VOLTS, |_| 53.5).with(AMPS, gives).with(&amps(1), gives)
        };
        let intent = vessel("");
        let cut = |seconds: i64| -> Vec<(i64, i64)> {
            let tape = tape(seconds);
            let view = tape.view(&intent);
            let hours = |k: usize| view.grid.at(k) / 3_600_000;
            sessions(&view).iter().map(|s| (hours(s.start), hours(s.end))).collect()
        };
        assert_eq!(cut(29 * 3600), [(6, 29)]);
        assert_eq!(cut(31 * 3600), [(6, 24), (24, 31)]);
    }
}
