//! Efficiencies over a closed loop: from one full charge to the next, what came out over what went in.

use super::anchor::Kind;
use super::life::{Counted, Life};

/// Charge and energy out over in, each with one standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Efficiency {
    pub coulombic: (f64, f64),
    pub energy: (f64, f64),
}

/// A loop that took less than this share of the capacity out closes too badly to say anything (common practice, no source).
const LEAST_DEPTH: f64 = 0.2;
/// How well two full charges to the same tail agree, in shares of the capacity (common practice, no source).
const U_CLOSURE: f64 = 0.005;
/// As for a capacity.
const MOST_UNSEEN: f64 = 0.01;
/// A figure less certain than this is no figure.
const MOST_UNCERTAIN: f64 = 0.05;

/// From one full charge to another, of all pairs the most certain: CE = Q_out/Q_in, EE = E_out/E_in. A value above one is
/// not clipped: its uncertainty says why.
pub(super) fn efficiency(life: &Life) -> Option<Efficiency> {
    let full: Vec<Counted> = life.moments.iter().filter(|m| m.anchor.kind == Kind::Full).map(|m| m.counted).collect();
    let pairs = full.iter().enumerate().flat_map(|(n, from)| full[n + 1..].iter().map(|to| to.since(*from)));
    pairs.filter_map(|counted| of_loop(life, counted)).min_by(|a, b| a.coulombic.1.total_cmp(&b.coulombic.1))
}

fn of_loop(life: &Life, counted: Counted) -> Option<Efficiency> {
    let hours = counted.hours;
    if counted.seen_h < (1.0 - MOST_UNSEEN) * hours || counted.out_ah < LEAST_DEPTH * life.capacity_ah {
        return None;
    }
    if counted.hours - counted.powered_h > MOST_UNSEEN * hours || counted.in_wh <= 0.0 {
        return None;
    }
    let q_in = counted.in_ah;
    // The sensor's class is the same on both sides and cancels; its offset adds to one and takes from the other.
    let u_offset = life.current.floor * hours;
    let u_closure = std::f64::consts::SQRT_2 * U_CLOSURE * life.capacity_ah;
    let u_of = |ratio: f64| (u_offset * (1.0 + ratio) / q_in).hypot(u_closure / q_in);
    let (ce, ee) = (counted.out_ah / q_in, counted.out_wh / counted.in_wh);
    let u_ce = u_of(ce);
    // A voltmeter that is off by a constant is off on both sides.
    (u_ce <= MOST_UNCERTAIN).then_some(Efficiency { coulombic: (ce, u_ce), energy: (ee, u_ce) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::decode;
    use crate::testing::{AMPS, Tape, VOLTS, amps, vessel};

    /// Full at one hour; then 50 A out for three hours at 52 V; then `amps_in` in for three at 54.6 V, and full again.
    fn day(amps_in: f64, second: bool) -> Tape {
        let current = move |t: i64| match t {
            0..3600 => 10.0,
            3600..14_400 => -50.0,
            14_400..25_200 => amps_in,
            _ if second => 10.0,
            _ => 0.0,
        };
        let volts = move |t: i64| match t {
            0..3600 => 56.8,
            3600..14_400 => 52.0,
            14_400..25_200 => 54.6,
            _ if second => 56.8,
            _ => 53.0,
        };
        let gives = move |t: i64| current(t).max(0.0);
        Tape::every(28_800, 2)
            .fed()
            .with(VOLTS, volts)
            .with(AMPS, current)
            .with(&amps(1), gives)
            .with(&amps(2), |_| 0.0)
    }

    fn found(tape: &Tape) -> Option<Efficiency> {
        let mut intent = vessel("");
        (intent.accuracy.current.percent, intent.accuracy.current.floor) = (0.5, 0.1);
        let view = tape.view(&intent);
        efficiency(&Life::of(&view, &decode(&view)))
    }

    #[test]
    fn from_full_to_full() {
        let e = found(&day(51.0, true)).expect("a closed loop");
        // 150 Ah out; 10 Ah in before it left the first full charge, 153 in, and what the second tail took.
        assert!((0.90..0.99).contains(&e.coulombic.0), "{e:?}");
        assert!(e.energy.0 < e.coulombic.0 && (0.8..0.95).contains(&e.energy.0), "{e:?}");
        assert!((0.005..0.05).contains(&e.coulombic.1), "{e:?}");
    }

    #[test]
    fn a_loop_that_does_not_close_says_nothing() {
        assert_eq!(found(&day(51.0, false)), None);
        let blind = |t: i64| if (9000..12_000).contains(&t) { f64::NAN } else { -50.0 };
        assert_eq!(found(&day(51.0, true).with(AMPS, blind)), None);
    }
}
