//! Capacity between two anchors: the charge that flowed over the change of the state of charge.

use super::anchor::Kind;
use super::life::{Life, Moment};
use crate::report::format;
use std::collections::BTreeMap;

/// A capacity and what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Capacity {
    /// Ah.
    pub ah: f64,
    /// One standard uncertainty, Ah.
    pub u_ah: f64,
    /// The earlier moment.
    pub from: Moment,
    /// The later one.
    pub to: Moment,
    /// Net charge between them, Ah, out of the bank negative.
    pub charge_ah: f64,
}

/// A smaller change of the state of charge tells nothing (common practice, no source).
const LEAST_CHANGE: f64 = 0.4;
/// More than this share of the time unseen, and the count is none (common practice, no source).
const MOST_UNSEEN: f64 = 0.01;
/// A figure less certain than this is no figure: a quarter of itself at twice the standard uncertainty.
const MOST_UNCERTAIN: f64 = 0.125;
/// What charging may lose against discharging, one standard uncertainty, per charge put in (typical coulombic efficiencies
/// of lithium are 0.99 to 0.9995, from memory).
const U_CHARGING: f64 = 0.005;

/// The most certain capacity that two anchors give: C = ΔQ / ΔSOC with u(C) = C·√((u_Q/ΔQ)² + (u₁² + u₂²)/ΔSOC²)
/// (JCGM 100, 5.1.2).
///
/// # Errors
/// In plain words, what would be needed.
pub(super) fn capacity(life: &Life) -> Result<Capacity, String> {
    let mut best: Option<Capacity> = None;
    for c in all(life) {
        if best.as_ref().is_none_or(|b| c.u_ah / c.ah < b.u_ah / b.ah) {
            best = Some(c);
        }
    }
    match best {
        Some(c) if c.u_ah <= MOST_UNCERTAIN * c.ah => Ok(c),
        Some(c) => Err(format!(
            "{} ± {} between two states of charge: too uncertain to be worth a figure; a full charge to the tail current \
             and a long rest near empty would tell",
            format::amp_hours(c.ah),
            format::amp_hours(2.0 * c.u_ah)
        )),
        None => {
            Err("the bank was never known to be at two states of charge at least 40 % apart: it takes a full charge \
                     to the tail current, and a discharge to a long rest, with the current measured all the way"
                .into())
        }
    }
}

/// Every capacity that two moments give, however uncertain.
fn all(life: &Life) -> impl Iterator<Item = Capacity> + '_ {
    let pairs =
        life.moments.iter().enumerate().flat_map(|(n, from)| life.moments[n + 1..].iter().map(move |to| (from, to)));
    pairs
        // Two full anchors are a loop and no change.
        .filter(|(from, to)| !(from.anchor.kind == Kind::Full && to.anchor.kind == Kind::Full))
        .filter(|(from, to)| (to.anchor.soc - from.anchor.soc).abs() >= LEAST_CHANGE)
        .filter_map(|(from, to)| between(life, *from, *to))
}

/// The most certain one of every stretch of `length_ms` since `start_ms`: (stretch, Ah, one standard uncertainty).
pub(super) fn by_stretch(life: &Life, length_ms: i64, start_ms: i64) -> Vec<(i64, f64, f64)> {
    let mut best: BTreeMap<i64, Capacity> = BTreeMap::new();
    for c in all(life).filter(|c| c.u_ah <= MOST_UNCERTAIN * c.ah) {
        let stretch = (c.to.at_ms - start_ms).div_euclid(length_ms);
        if best.get(&stretch).is_none_or(|b| c.u_ah / c.ah < b.u_ah / b.ah) {
            best.insert(stretch, c);
        }
    }
    best.into_iter().map(|(n, c)| (n, c.ah, c.u_ah)).collect()
}

fn between(life: &Life, from: Moment, to: Moment) -> Option<Capacity> {
    let (anchor_a, anchor_b) = (from.anchor, to.anchor);
    let counted = to.counted.since(from.counted);
    let (net, into, hours) = (counted.net_ah, counted.in_ah, counted.hours);
    if counted.seen_h < (1.0 - MOST_UNSEEN) * hours {
        return None;
    }
    // What lead-acid takes in it does not give back whole: only what it gave counts.
    if life.chemistry.is_lead_acid() && into > 0.02 * net.abs() {
        return None;
    }
    let change = anchor_b.soc - anchor_a.soc;
    let ah = net / change;
    // The class of the sensor and its offset do not average out (JCGM 100, 4.3); nor does what was not seen.
    let u_q = (life.current.percent / 100.0 * net)
        .hypot(life.current.floor * hours)
        .hypot(U_CHARGING * into)
        .hypot((hours - counted.seen_h) * net.abs() / hours);
    let u_ah = ah * (u_q / net).hypot(anchor_a.u_soc.hypot(anchor_b.u_soc) / change);
    (ah > 0.0).then_some(Capacity { ah, u_ah: u_ah.abs(), from, to, charge_ah: net })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::decode;
    use crate::testing::{AMPS, Tape, VOLTS, amps, vessel};
    use ampwake_schemas::intent::{Chemistry, Intent};

    /// 96 cells of 100 Ah of lithium nickel manganese cobalt.
    fn nmc() -> Intent {
        let mut intent = vessel("");
        let bank = &mut intent.banks[0];
        (bank.chemistry, bank.nominal_v, bank.cells_in_series, bank.capacity_ah) = (Chemistry::Nmc, 51.2, 14, 400.0);
        (intent.accuracy.current.percent, intent.accuracy.current.floor) = (0.5, 0.05);
        intent.accuracy.voltage.floor = 0.01;
        intent
    }

    /// Rest at one cell voltage for two hours, `amps` for `hours`, rest at another.
    fn tape(before: f64, after: f64, current: f64, hours: i64) -> Tape {
        let works = move |t: i64| (7200..7200 + 3600 * hours).contains(&t);
        Tape::every(4 * 3600 + 3600 * hours, 4)
            .with(VOLTS, move |t| 14.0 * if t < 7200 + 1800 * hours { before } else { after })
            .with(AMPS, move |t| if works(t) { current } else { 0.0 })
            .with(&amps(1), |_| 0.0)
    }

    fn found(intent: &Intent, tape: &Tape) -> Result<Capacity, String> {
        let view = tape.view(intent);
        Life::of(&view, &decode(&view)).capacity()
    }

    /// Chen et al. 2020: 3.581 V is 0.30 and 4.042 V is 0.80; 200 Ah between them are 400 Ah.
    #[test]
    fn between_two_rests() {
        let c = found(&nmc(), &tape(3.581, 4.042, 50.0, 4)).expect("two anchors");
        assert!((c.ah - 400.0).abs() < 1.0, "{c:?}");
        // 20 mV of the curve are some 0.023 of charge on either side.
        assert!((12.0..32.0).contains(&c.u_ah), "{c:?}");
        let down = found(&nmc(), &tape(4.042, 3.581, -50.0, 4)).expect("two anchors");
        assert!((down.ah - 400.0).abs() < 1.0, "{down:?}");
    }

    /// Check value B4 (C = ΔQ/ΔSOC; JCGM 100, 5.1.2): 209 ± 2 Ah from 0.30 to 0.85, each ± 0.02: 380.00 ± 19.88 Ah.
    #[test]
    fn uncertainty_of_a_capacity() {
        let (q, change) = (209.0, 0.85 - 0.30);
        let c: f64 = q / change;
        let u = c * (2.0 / q).hypot(0.02_f64.hypot(0.02) / change);
        assert!((c - 380.0).abs() < 1e-9 && (u - 19.88).abs() < 0.01, "{c} {u}");
    }

    #[test]
    fn nothing_is_said_where_nothing_is_known() {
        // Too small a change, no rest, a current that was not seen, a plateau, charge of lead-acid.
        assert!(found(&nmc(), &tape(3.581, 3.751, 50.0, 2)).is_err());
        assert!(found(&nmc(), &tape(3.581, 4.042, 50.0, 4).with(AMPS, |_| 50.0)).is_err());
        let hole = |t: i64| {
            if (9000..14_000).contains(&t) {
                f64::NAN
            } else if (7200..21_600).contains(&t) {
                50.0
            } else {
                0.0
            }
        };
        assert!(found(&nmc(), &tape(3.581, 4.042, 50.0, 4).with(AMPS, hole)).is_err());
        let mut lfp = nmc();
        (lfp.banks[0].chemistry, lfp.banks[0].cells_in_series) = (Chemistry::Lfp, 14);
        assert!(found(&lfp, &tape(3.252, 3.310, 50.0, 4)).is_err());
    }
}
