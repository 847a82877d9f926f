//! Opportunity and contribution of every source.
//!
//! A source had its *opportunity* while the DC bus was below the set-point that the bank's profile asks for by
//! more than the band, the battery permitted charge, the source had its input and its device was heard —
//! whatever the sign of the bank current. What it *could have given* is the least of its rating (or what the
//! design sets it to) after declared derating, its declared curve, its AC supply's limit, and the room that the
//! bank's limit leaves; idle sources share one room in proportion to their ratings.

use crate::stages::Progress;
use crate::state::Reported;
use crate::stats;
use crate::view::{BankView, Input, SourceView};
use ampwake_schemas::intent::SourceKind;

/// Opportunity of one source, cell by cell.
#[derive(Debug, Clone)]
pub struct Opportunity {
    /// It could have contributed.
    pub open: Vec<bool>,
    /// What it could have given, A (0 where `open` is false).
    pub could: Vec<f64>,
    /// It would have been an opportunity but for the bank's limit.
    pub no_room: Vec<bool>,
    /// True when `could` rests on the source's rating; false when weather decides and it is a guess from what
    /// the source gave at other times.
    pub rated: bool,
}

/// Figures of one source over some cells.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Contribution {
    /// Seconds of opportunity.
    pub opportunity_s: f64,
    /// Seconds of that in which it gave.
    pub contributing_s: f64,
    /// What it could have given over the opportunity, Ah.
    pub could_ah: f64,
    /// What it gave over the opportunity, Ah.
    pub gave_ah: f64,
    /// The shortfall, cell by cell, Ah.
    pub lost_ah: f64,
}

/// Efficiency assumed for a charger whose AC supply's limit is declared in amperes, at a power factor of one
/// (common practice, no source: 0.85..0.96 for chargers with power-factor correction).
const CHARGER_EFFICIENCY: f64 = 0.92;

/// The profile's set-point at cell `k`, given whether the bank counts as filled; NaN: none (filled, no float).
pub fn set_point(view: &BankView, filled: bool, k: usize) -> f64 {
    if filled { view.float_v[k] } else { view.absorption_v[k] }
}

/// The profile asks for charge at cell `k`: voltage below the set-point by more than the band, battery willing.
pub fn wanted(view: &BankView, filled: &[bool], k: usize) -> bool {
    let target = set_point(view, filled[k], k);
    let v = view.voltage[k];
    // NaN compares false: an unknown voltage or set-point is no opportunity.
    v < target - view.band(target) && view.permitted[k]
}

/// Opportunity of every source of the bank.
pub fn opportunities(view: &BankView, progress: &Progress) -> Vec<Opportunity> {
    let n = view.grid.len;
    let count = view.sources.len();
    let typical: Vec<Option<f64>> =
        view.sources.iter().map(|s| stats::median((0..n).filter(|k| s.gives[*k]).map(|k| s.current[k]))).collect();
    let mut out: Vec<Opportunity> = view
        .sources
        .iter()
        .map(|s| Opportunity {
            open: vec![false; n],
            could: vec![0.0; n],
            no_room: vec![false; n],
            rated: !s.intent.kind.depends_on_weather(),
        })
        .collect();
    let ratings: Vec<f64> = view.sources.iter().map(|s| s.intent.rated_a).collect();
    for k in 0..n {
        if !wanted(view, &progress.filled, k) {
            continue;
        }
        let mut extra = vec![0.0; count]; // what each could add to what it gives now
        for (j, s) in view.sources.iter().enumerate() {
            if ready(s, k) {
                extra[j] = (able(view, j, k, typical[j]) - s.current[k].max(0.0)).max(0.0);
            }
        }
        let limit = view.charge_limit[k];
        // The bank takes no more than the sources give.
        let taken = if view.current[k].is_nan() { given(view, k) } else { view.current[k] };
        // `max` would turn an unknown limit into no room.
        let room = if limit.is_nan() { f64::NAN } else { (limit - taken).max(0.0) };
        let granted = share(&extra, &ratings, room);
        for (j, s) in view.sources.iter().enumerate() {
            if !ready(s, k) {
                continue;
            }
            // Less than its own measurement uncertainty is no room.
            let blocked = extra[j] > 0.0 && granted[j] <= 2.0 * view.u_current(s.intent.rated_a) && !s.gives[k];
            out[j].no_room[k] = blocked;
            out[j].open[k] = !blocked;
            out[j].could[k] = if blocked { 0.0 } else { s.current[k].max(0.0) + granted[j] };
        }
    }
    out
}

/// What the sources are known to give together, A.
fn given(view: &BankView, k: usize) -> f64 {
    view.sources.iter().map(|s| s.current[k].max(0.0)).sum()
}

/// The source is there, heard, and has something to give.
fn ready(s: &SourceView, k: usize) -> bool {
    // A regulator in bulk takes all that sun, wind or water give: no current means that they give none.
    let becalmed = s.intent.kind.depends_on_weather() && !s.gives[k] && s.reported[k] == Some(Reported::Bulk);
    s.input[k] == Input::Present && s.heard[k] && !s.current[k].is_nan() && !s.blind[k] && !becalmed
}

/// What source `j` is able to give at cell `k` with its rating, set-point, declared derating, curve and supply.
fn able(view: &BankView, j: usize, k: usize, typical: Option<f64>) -> f64 {
    let s = &view.sources[j];
    let mut amps = s.intent.set_a.unwrap_or(s.intent.rated_a).min(s.intent.rated_a);
    if let Some(factor) = stats::interpolate(&s.intent.derate, s.temperature[k]).filter(|f| f.is_finite()) {
        amps = amps.min(s.intent.rated_a * factor);
    }
    if let Some(limit) = stats::interpolate(&s.intent.curve, s.engine_speed[k]).filter(|a| a.is_finite()) {
        amps = amps.min(limit);
    }
    if s.intent.kind.depends_on_weather() {
        // While it gives, it gives what the weather gives. While it does not, what it gave at other times is
        // the best guess there is.
        return if s.gives[k] { s.current[k] } else { typical.unwrap_or(0.25 * amps).min(amps) };
    }
    if s.intent.kind == SourceKind::Alternator && s.intent.curve.is_empty() && s.gives[k] {
        // Without a declared curve nobody can say what it owes at this engine speed.
        return s.current[k].min(amps);
    }
    amps.min(supply_share(view, j, k))
}

/// What the AC supply's declared limit leaves for this charger, A on the DC side.
fn supply_share(view: &BankView, j: usize, k: usize) -> f64 {
    let s = &view.sources[j];
    let Some(ac) = s.intent.fed_by.as_ref().and_then(|n| view.vessel.ac_sources.iter().find(|a| a.name == *n)) else {
        return f64::INFINITY;
    };
    let (Some(limit), Some(volts)) = (ac.limit_a, ac.nominal_v) else { return f64::INFINITY };
    let together: f64 =
        view.sources.iter().filter(|o| o.intent.fed_by == s.intent.fed_by).map(|o| o.intent.rated_a).sum();
    limit * volts * CHARGER_EFFICIENCY / view.voltage[k].max(1.0) * s.intent.rated_a / together.max(1e-9)
}

/// Shares `room` among wishes in proportion to weights, nobody getting more than it can use.
fn share(wishes: &[f64], weights: &[f64], room: f64) -> Vec<f64> {
    let mut granted = vec![0.0; wishes.len()];
    if room.is_nan() || wishes.iter().sum::<f64>() <= room {
        return wishes.to_vec();
    }
    let mut left = room;
    let mut open: Vec<usize> = (0..wishes.len()).filter(|j| wishes[*j] > 0.0).collect();
    while !open.is_empty() && left > 1e-9 {
        let total: f64 = open.iter().map(|j| weights[*j]).sum();
        let unit = left / total.max(1e-9);
        let (full, short): (Vec<usize>, Vec<usize>) =
            open.iter().partition(|j| wishes[**j] - granted[**j] <= unit * weights[**j]);
        if full.is_empty() {
            for j in &short {
                granted[*j] += unit * weights[*j];
            }
            break;
        }
        for j in &full {
            left -= wishes[*j] - granted[*j];
            granted[*j] = wishes[*j];
        }
        open = short;
    }
    granted
}

/// Sums up a source's opportunity over the cells `from..to`.
pub fn contribution(view: &BankView, j: usize, o: &Opportunity, from: usize, to: usize) -> Contribution {
    let hours = view.grid.step_s() / 3600.0;
    let s = &view.sources[j];
    let mut c = Contribution::default();
    for k in (from..to.min(view.grid.len)).filter(|k| o.open[*k]) {
        c.opportunity_s += view.grid.step_s();
        c.contributing_s += if s.gives[k] { view.grid.step_s() } else { 0.0 };
        // A source that gives less than twice its uncertainty is not shown to give anything, but the current
        // that its sensor reads is still the best estimate of what it gave.
        let gave = s.current[k].max(0.0);
        c.could_ah += o.could[k] * hours;
        c.gave_ah += gave * hours;
        c.lost_ah += (o.could[k] - gave).max(0.0) * hours;
    }
    c
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_room_is_shared_by_rating_and_never_exceeded() {
        let granted = share(&[100.0, 50.0], &[100.0, 50.0], 60.0);
        assert!((granted[0] - 40.0).abs() < 1e-9 && (granted[1] - 20.0).abs() < 1e-9);
        // The second can use only 5 A; the first takes what it leaves.
        let granted = share(&[100.0, 5.0], &[100.0, 50.0], 60.0);
        assert!((granted[0] - 55.0).abs() < 1e-9 && (granted[1] - 5.0).abs() < 1e-9);
        assert_eq!(share(&[10.0, 20.0], &[1.0, 1.0], f64::NAN), vec![10.0, 20.0]);
    }

    use crate::testing::{AMPS, Tape, VOLTS, amps, signal, vessel};
    use ampwake_schemas::intent::Intent;

    /// Ten minutes at 53.5 V with both chargers fed and idle; the bank takes `bank_a`.
    fn idle_pair(bank_a: f64) -> Tape {
        Tape::new(600)
            .fed()
            .with(VOLTS, |_| 53.5)
            .with(AMPS, move |_| bank_a)
            .with(&amps(1), |_| 0.0)
            .with(&amps(2), |_| 0.0)
    }

    /// What both could have given in the middle of the tape, A, and whether it was for want of room that they could not.
    fn could(intent: &Intent, tape: &Tape, filled: bool) -> [(f64, bool); 2] {
        let view = tape.view(intent);
        let n = view.grid.len;
        let progress = Progress { filled: vec![filled; n], acceptance: vec![f64::NAN; n] };
        let all = opportunities(&view, &progress);
        assert!(all.iter().all(|o| !o.open[300] || !o.no_room[300]));
        [0, 1].map(|j| (all[j].could[300], all[j].no_room[300]))
    }

    #[test]
    fn idle_sources_share_the_room_that_the_bank_leaves() {
        let mut intent = vessel("");
        assert_eq!(could(&intent, &idle_pair(-10.0), false), [(100.0, false), (50.0, false)]);
        intent.banks[0].max_charge_a = Some(80.0);
        // 80 A less the 20 A that it takes: 60 A for 100 and 50.
        assert_eq!(could(&intent, &idle_pair(20.0), false), [(40.0, false), (20.0, false)]);
        // Loads leave more room than the limit says.
        assert_eq!(could(&intent, &idle_pair(-10.0), false), [(60.0, false), (30.0, false)]);
        assert_eq!(could(&intent, &idle_pair(79.0), false), [(0.0, true), (0.0, true)]);
    }

    #[test]
    fn an_unknown_bank_current_does_not_use_up_the_limit() {
        let mut intent = vessel("");
        intent.banks[0].max_charge_a = Some(80.0);
        // Nobody gives: what the bank takes cannot be more than nothing.
        let got = could(&intent, &idle_pair(f64::NAN), false);
        assert!((got[0].0 - 160.0 / 3.0).abs() < 1e-9 && (got[1].0 - 80.0 / 3.0).abs() < 1e-9, "{got:?}");
    }

    #[test]
    fn the_filled_bank_is_asked_at_float_and_the_empty_one_at_absorption() {
        let intent = vessel("");
        let at = |volts: f64| idle_pair(0.0).with(VOLTS, move |_| volts);
        // 0.5 % of 54.0 V below float.
        assert_eq!(could(&intent, &at(53.72), true)[0].0, 100.0);
        assert_eq!(could(&intent, &at(53.74), true)[0].0, 0.0);
        assert_eq!(could(&intent, &at(53.74), false)[0].0, 100.0);
        // 0.5 % of 56.8 V below absorption.
        assert_eq!(could(&intent, &at(56.51), false)[0].0, 100.0);
        assert_eq!(could(&intent, &at(56.53), false)[0].0, 0.0);
    }

    #[test]
    fn a_battery_that_refuses_charge_gives_no_opportunity() {
        let mut intent = vessel("");
        let permit = "can0/dbc/pack/charge_permitted";
        intent.banks[0].signals.further.insert("charge_permitted".into(), signal(permit));
        assert_eq!(could(&intent, &idle_pair(0.0).with(permit, |_| 0.0), false), [(0.0, false); 2]);
        assert_eq!(could(&intent, &idle_pair(0.0).with(permit, |_| 1.0), false)[0].0, 100.0);
        // The live limit overrides the intent's, and nothing means no.
        let live = "can0/dbc/pack/charge_current_limit";
        intent.banks[0].signals.further.insert("charge_current_limit".into(), signal(live));
        intent.banks[0].max_charge_a = Some(500.0);
        assert_eq!(could(&intent, &idle_pair(0.0).with(live, |_| 75.0), false), [(50.0, false), (25.0, false)]);
        assert_eq!(could(&intent, &idle_pair(0.0).with(live, |_| 0.0), false), [(0.0, false); 2]);
        // Too cold to charge.
        assert_eq!(could(&intent, &idle_pair(0.0).with(crate::testing::WARMTH, |_| -1.0), false), [(0.0, false); 2]);
    }

    /// Check value D4 (linear derating, common practice): 100 A, 50 to 70 degC, at 58 degC: 60.0 A.
    #[test]
    fn what_it_could_give_is_the_least_of_its_limits() {
        let mut intent = vessel("");
        intent.sources[0].derate = vec![(50.0, 1.0), (70.0, 0.0)];
        let hot = idle_pair(0.0).with(&crate::testing::heat(1), |_| 58.0);
        assert!((could(&intent, &hot, false)[0].0 - 60.0).abs() < 1e-9);
        intent.sources[0].set_a = Some(45.0);
        assert_eq!(could(&intent, &hot, false)[0].0, 45.0);
        // A supply of 10 A at 230 V: 2300 W * 0.92 / 53.5 V, shared 100 to 50.
        let mut fed = vessel("[[ac_source]]\nname = \"shore\"\nkind = \"shore\"\nnominal_v = 230\nlimit_a = 10");
        fed.sources.iter_mut().for_each(|s| s.fed_by = Some("shore".into()));
        let got = could(&fed, &idle_pair(0.0), false);
        let both = 2300.0 * 0.92 / 53.5;
        assert!((got[0].0 - both * 2.0 / 3.0).abs() < 1e-9 && (got[1].0 - both / 3.0).abs() < 1e-9, "{got:?}");
    }

    #[test]
    fn without_input_or_data_there_is_no_opportunity() {
        let intent = vessel("");
        let dark = idle_pair(0.0).with(&crate::testing::supply(1), |_| 0.0).with(&amps(2), |_| f64::NAN);
        assert_eq!(could(&intent, &dark, false), [(0.0, false); 2]);
    }

    #[test]
    fn contribution_in_hours() {
        let intent = vessel("");
        // An hour at 53.5 V: the first gives 40 A, the second nothing for half of it and then 50 A.
        let tape = Tape::new(3600)
            .fed()
            .with(VOLTS, |_| 53.5)
            .with(AMPS, |_| 40.0)
            .with(&amps(1), |_| 40.0)
            .with(&amps(2), |t| if t < 1800 { 0.0 } else { 50.0 });
        let w = crate::analyze::work(tape.view(&intent));
        let first = contribution(&w.view, 0, &w.opportunity[0], 0, 3600);
        assert_eq!((first.opportunity_s, first.contributing_s), (3600.0, 3600.0));
        assert!((first.lost_ah - 60.0).abs() < 1e-6 && (first.gave_ah - 40.0).abs() < 1e-6, "{first:?}");
        let second = contribution(&w.view, 1, &w.opportunity[1], 0, 3600);
        assert_eq!((second.opportunity_s, second.contributing_s), (3600.0, 1800.0));
        assert!((second.lost_ah - 25.0).abs() < 1e-6, "{second:?}");
        assert_eq!(contribution(&w.view, 1, &w.opportunity[1], 3600, 9999), Contribution::default());
    }
}
