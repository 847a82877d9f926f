//! Efficiencies over a closed loop: from one full charge to the next, what came out over what went in.

use super::anchor::{Kind, anchors};
use crate::stages::Span;
use crate::view::BankView;

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

/// From the first full charge to the last one: CE = Q_out/Q_in, EE = E_out/E_in. A value above one is not clipped: its
/// uncertainty says why.
pub(super) fn efficiency(view: &BankView, spans: &[Span]) -> Option<Efficiency> {
    let full: Vec<usize> = anchors(view, spans).into_iter().filter(|a| a.kind == Kind::Full).map(|a| a.at).collect();
    let (from, to) = (*full.first()?, *full.last()?);
    let (start, end) = (view.grid.at(from), view.grid.at(to));
    let hours = (end - start) as f64 / 3_600_000.0;
    let into = view.current_series.integral_positive(start, end);
    let out = view.current_series.map(|i| -i).integral_positive(start, end);
    let capacity = view.intent.capacity_ah;
    if into.seen_s < (1.0 - MOST_UNSEEN) * hours * 3600.0 || out.value_h < LEAST_DEPTH * capacity {
        return None;
    }
    let cell_h = view.grid.step_s() / 3600.0;
    let (mut e_in, mut e_out, mut blind) = (0.0, 0.0, 0_usize);
    for k in from..to {
        let watts = view.voltage[k] * view.current[k];
        match watts {
            w if w.is_nan() => blind += 1,
            w if w > 0.0 => e_in += w * cell_h,
            w => e_out -= w * cell_h,
        }
    }
    if blind as f64 > MOST_UNSEEN * (to - from) as f64 || e_in <= 0.0 {
        return None;
    }
    let (q_in, q_out) = (into.value_h, out.value_h);
    // The sensor's class is the same on both sides and cancels; its offset adds to one and takes from the other.
    let u_offset = view.vessel.accuracy.current.floor * hours;
    let u_closure = std::f64::consts::SQRT_2 * U_CLOSURE * capacity;
    let u_of = |ratio: f64| (u_offset * (1.0 + ratio) / q_in).hypot(u_closure / q_in);
    let (ce, ee) = (q_out / q_in, e_out / e_in);
    let u_ce = u_of(ce);
    // A voltmeter that is off by a constant is off on both sides.
    let u_ee = u_of(ee);
    (u_ce <= MOST_UNCERTAIN).then_some(Efficiency { coulombic: (ce, u_ce), energy: (ee, u_ee) })
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
        efficiency(&view, &decode(&view))
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
