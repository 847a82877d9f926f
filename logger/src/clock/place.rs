//! Where each segment belongs on the axis of true time.

use super::segment::{Begins, Segment};
use super::{AGREE_US, ClockWatch, PLAUSIBLE_FROM_US};

/// How the place of a segment is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// The recorder's clock, as it stands.
    Clock,
    /// The time that the bus told.
    Bus,
    /// The step of the system's clock that came after it, known from the system itself.
    System,
    /// Nobody told the time; it stands directly after or before its neighbour.
    Assumed,
    /// Nobody told the time, and there is no neighbour to go by.
    Unknown,
}

/// The place of one segment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placement {
    /// To add to the recorder's time, ms.
    pub offset_ms: i64,
    /// How that is known.
    pub basis: Basis,
    /// Bus time less the recorder's time, ms, where the bus told it.
    pub bus_differs_ms: Option<i64>,
}

/// Between two segments of which one is placed by the other, ms.
const APART_MS: i64 = 1000;

/// Places every segment so far. A clock that never jumped and shows a plausible time is left as it is, even where
/// the bus differs: of two clocks nobody knows which is wrong.
pub fn place(watch: &ClockWatch) -> Vec<Placement> {
    let segments = &watch.segments;
    let mut placed: Vec<Placement> = segments
        .iter()
        .map(|s| Placement {
            offset_ms: 0,
            basis: Basis::Clock,
            bus_differs_ms: s.difference().map(|us| us.div_euclid(1000)),
        })
        .collect();
    let implausible = |s: &Segment| s.first.micros() < PLAUSIBLE_FROM_US;
    let relative = !watch.meaning.is_utc();
    if !relative && !segments.iter().any(|s| s.begins.is_step() || implausible(s)) {
        return placed;
    }
    let mut anchors = vec![false; segments.len()];
    for i in (0..segments.len()).rev() {
        // The next one's place and the step that leads to it, if both are known.
        let next = segments.get(i + 1).and_then(|s| s.told_us).filter(|_| anchors[i + 1]);
        let by_system = next.map(|step_us| placed[i + 1].offset_ms + step_us.div_euclid(1000));
        let p = &mut placed[i];
        if let Some(differs) = p.bus_differs_ms {
            p.basis = Basis::Bus;
            p.offset_ms = if differs.abs() * 1000 > AGREE_US { differs } else { 0 };
            anchors[i] = true;
        } else if let Some(offset_ms) = by_system {
            p.basis = Basis::System;
            p.offset_ms = offset_ms;
            anchors[i] = true;
        } else if segments[i].begins == Begins::Set || segments[i].told_us.is_some() {
            // A clock is set in order to be right.
            anchors[i] = true;
        }
    }
    // What comes before the first known one hangs on it; everything else hangs on what comes before it.
    let first = anchors.iter().position(|a| *a);
    match first {
        Some(first) => {
            for i in (0..first).rev() {
                placed[i] = before(&segments[i], &segments[i + 1], placed[i + 1]);
            }
        }
        None => {
            let unknown = relative || segments.first().is_some_and(implausible);
            if let (true, Some(p)) = (unknown, placed.first_mut()) {
                p.basis = Basis::Unknown;
            }
        }
    }
    for i in first.unwrap_or(0) + 1..segments.len() {
        if !anchors[i] {
            placed[i] = after(&segments[i - 1], placed[i - 1], &segments[i]);
        }
    }
    placed
}

fn before(segment: &Segment, next: &Segment, at: Placement) -> Placement {
    let shift = match next.begins.is_step() {
        true => (next.first.millis() + at.offset_ms - APART_MS - segment.last.millis(), Basis::Assumed),
        false => (at.offset_ms, at.basis),
    };
    Placement { offset_ms: shift.0, basis: shift.1, bus_differs_ms: None }
}

fn after(previous: &Segment, at: Placement, segment: &Segment) -> Placement {
    let shift = match segment.begins.is_step() {
        true => (previous.last.millis() + at.offset_ms + APART_MS - segment.first.millis(), Basis::Assumed),
        false => (at.offset_ms, at.basis),
    };
    Placement { offset_ms: shift.0, basis: shift.1, bus_differs_ms: None }
}
