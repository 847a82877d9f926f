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
/// A longer session is cut at midnight UTC, ms.
const LONGEST_MS: i64 = 86_400_000;

/// The sessions of the axis. Moments about which nothing is known neither charge nor pause.
pub fn sessions(view: &BankView) -> Vec<SessionSpan> {
    let pause = view.grid.cells(PAUSE_S);
    let begin = view.grid.cells(30.0);
    let rest = view.rest_current();
    let known = view.sources.iter().any(|s| s.current.iter().any(|i| !i.is_nan()));
    let mut out: Vec<SessionSpan> = Vec::new();
    let mut open: Option<(usize, usize)> = None; // start, last cell in which a source gave
    let (mut charging, mut idle) = (0, 0);
    for k in 0..view.grid.len {
        let into_bank = view.current[k] > rest;
        // A bank that is charged is charged by somebody, whether or not that source can be heard.
        let gives = into_bank || known && view.any_gives(k);
        let blind = view.current[k].is_nan() && !gives;
        match open {
            None if gives => {
                charging += 1;
                if charging >= begin {
                    (open, idle) = (Some((k + 1 - charging, k + 1)), 0);
                }
            }
            None if !blind => charging = 0,
            Some((start, _)) if gives => (open, idle) = (Some((start, k + 1)), 0),
            Some((start, last)) if !blind => {
                idle += 1;
                if idle >= pause {
                    out.push(SessionSpan { start, end: last });
                    (open, charging) = (None, 0);
                }
            }
            _ => {}
        }
    }
    if let Some((start, last)) = open {
        out.push(SessionSpan { start, end: last });
    }
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
