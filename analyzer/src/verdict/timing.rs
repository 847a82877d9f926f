//! How long things took.

use super::{Context, Measured, named, need_current};
use crate::report::format;
use crate::view::Input;
use ampwake_schemas::findings::Stage;
use ampwake_schemas::intent::Requirement;

/// From the start of absorption to the tail current, min. The longest occasion counts for "at most".
pub fn absorption(_r: &Requirement, c: &Context) -> Result<Measured, String> {
    let view = c.view;
    let mut worst: Option<Measured> = None;
    let mut cut_short = false;
    for span in c.spans.iter().filter(|s| s.stage == Stage::Absorption) {
        let minutes = |k: usize| (k - span.start) as f64 * view.grid.step_s() / 60.0;
        let m = match crate::stages::tail_reached(view, span) {
            Some(k) => {
                Measured::new(minutes(k), tail_uncertainty(c, k), "from the start of absorption to the tail current")
            }
            None if span.end >= view.grid.len.saturating_sub(1) => {
                Measured { at_least: true, ..Measured::new(minutes(span.end), 0.2, "absorption still went on") }
            }
            None => {
                cut_short = true;
                continue;
            }
        };
        if worst.as_ref().is_none_or(|w| m.value > w.value) {
            worst = Some(m);
        }
    }
    worst.ok_or_else(|| {
        if cut_short {
            "absorption ended before the tail current was reached".into()
        } else {
            "the bank never came to absorption".into()
        }
    })
}

/// Uncertainty of the moment at which the tail was reached, min: the current's uncertainty over its rate of fall
/// (JCGM 100, 5.1.2), at least one sample.
fn tail_uncertainty(c: &Context, k: usize) -> f64 {
    let view = c.view;
    let back = k.saturating_sub(view.grid.cells(900.0));
    let fit = crate::stats::line((back..k).map(|x| (x as f64 * view.grid.step_s() / 60.0, view.current[x])));
    // A rate that is not known may be none.
    let fall = fit.map_or(0.0, |f| f.slope.abs());
    (view.u_current(view.intent.profile.tail_a) / fall).min(30.0).max(view.grid.step_s() / 60.0)
}

/// From the first crossing of `from_soc` to that of `to_soc`, loads as they were, min. Where sources are named, an occasion
/// counts that begins while they have their input, and as long as they keep it.
pub fn charge(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let (from, to) = r.from_soc.zip(r.to_soc).ok_or("from_soc and to_soc are not both given")?;
    let view = c.view;
    let soc: Vec<(usize, f64)> = view.soc.iter().copied().enumerate().filter(|(_, s)| !s.is_nan()).collect();
    let Some(first) = soc.first() else { return Err("the state of charge was not heard".into()) };
    let percent = format::percent;
    if first.1 > from && !soc.iter().any(|(_, s)| *s <= from) {
        return Err(format!(
            "the recording begins at {} and the bank never was as low as {}",
            percent(first.1),
            percent(from)
        ));
    }
    let sources = if r.sources.is_empty() { Vec::new() } else { named(r, c)? };
    let unfed = |k: usize| sources.iter().any(|j| view.sources[*j].input[k] == Input::Absent);
    let mut rose = false;
    let mut low = soc.iter().position(|(_, s)| *s <= from).unwrap_or(0);
    // The last moment at or below `from` before the rise that follows the first such moment, and so on.
    while let Some(start) =
        (low..soc.len()).find(|k| soc[*k].1 > from || (soc[*k].1 >= from && rises(&soc[*k..], view.grid.cells(1200.0))))
    {
        rose = true;
        let end = (start..soc.len()).find(|k| soc[*k].1 >= to);
        // A minute without input is a transfer.
        let left = stays(view.grid.cells(60.0), soc[start].0..view.grid.len, unfed);
        if left.is_none_or(|k| k > soc[start].0) {
            return Ok(between(c, &soc, start, end, left).with("soc_start", soc[start].1, 3));
        }
        let Some(next) = (start..soc.len()).find(|k| soc[*k].1 < from) else { break };
        low = next;
    }
    Err(if rose {
        format!("the bank rose above {} only while these sources had no input", percent(from))
    } else {
        format!("the bank never rose above {}", percent(from))
    })
}

/// The first of `cells` from which on `what` holds for `least` of them.
fn stays(least: usize, cells: std::ops::Range<usize>, what: impl Fn(usize) -> bool) -> Option<usize> {
    let mut since: Option<usize> = None;
    for k in cells {
        match (what(k), since) {
            (true, None) => since = Some(k),
            (true, Some(s)) if k - s >= least => return since,
            (false, _) => since = None,
            _ => {}
        }
    }
    None
}

/// From sample `start` to sample `end` of the state of charge, or until the sources' input `left`.
fn between(c: &Context, soc: &[(usize, f64)], start: usize, end: Option<usize>, left: Option<usize>) -> Measured {
    let view = c.view;
    let percent = format::percent;
    let end = end.filter(|e| left.is_none_or(|l| soc[*e].0 <= l));
    let until = left.map_or(soc.len(), |l| soc.partition_point(|(k, _)| *k <= l));
    let last = end.unwrap_or(until.max(start + 1) - 1);
    // A crossing that nobody saw lies anywhere in the silence before its first sample (rectangular; JCGM 100, 4.3.7).
    let crossing = |n: usize| {
        let before = n.checked_sub(1).map_or(soc[n].0, |b| soc[b].0);
        let unseen = (soc[n].0 - before).saturating_sub(1) as f64 * view.grid.step_s() / 60.0;
        (soc[n].0 as f64 * view.grid.step_s() / 60.0 - 0.5 * unseen, unseen / 12_f64.sqrt())
    };
    let (from_at, to_at) = (crossing(start), crossing(last));
    let to_at = if end.is_some() { to_at } else { (soc[last].0 as f64 * view.grid.step_s() / 60.0, 0.0) };
    let minutes = to_at.0 - from_at.0;
    // The state of charge steps by 1 %: each crossing is known to a rectangular half step (JCGM 100, 4.3.7).
    let rate = (soc[last].1 - soc[start].1) / minutes.max(1e-9);
    let u = if rate > 0.0 { (0.01 / 12_f64.sqrt() * std::f64::consts::SQRT_2 / rate).min(60.0) } else { 60.0 };
    let u = u.hypot(from_at.1).hypot(to_at.1);
    let mut m =
        Measured::new(minutes, u, format!("from {} to {} of charge", percent(soc[start].1), percent(soc[last].1)));
    if end.is_none() {
        m.at_least = true;
        m.u = (view.grid.step_s() / 60.0).hypot(from_at.1);
        m.how = match left {
            Some(_) => format!("it had come to {} when the sources lost their input", percent(soc[last].1)),
            None => format!("the end was not reached; the last value is {}", percent(soc[last].1)),
        };
    }
    m.with("soc_end", soc[last].1, 3)
}

/// It rises above its first value within so many cells.
fn rises(soc: &[(usize, f64)], within: usize) -> bool {
    soc.iter().take_while(|(k, _)| *k <= soc[0].0 + within).any(|(_, s)| *s > soc[0].1)
}

/// From input returning (and, where `also_others`, another source starting) to half of the expected current, min.
/// The slowest occasion counts.
pub fn join(r: &Requirement, c: &Context, also_others: bool) -> Result<Measured, String> {
    let view = c.view;
    let chosen = named(r, c)?;
    need_current(c, &chosen)?;
    let mut worst: Option<Measured> = None;
    let least = view.grid.cells(60.0);
    for j in chosen {
        let s = &view.sources[j];
        let half = |k: usize| {
            let could = c.opportunity[j].could[k];
            0.5 * if could > 0.0 { could } else { s.intent.set_a.unwrap_or(s.intent.rated_a) }
        };
        let mut away = 0; // for how many cells its input had not been there
        for k in 1..view.grid.len {
            away = if s.input[k - 1] == Input::Present { 0 } else { away + 1 };
            // A hole in the data of a supply that did not go away is no return.
            let returned = s.input[k] == Input::Present && (away >= least || s.input[k - 1] == Input::Absent);
            let started = also_others && other_starts(c, j, k) && s.input[k] == Input::Present;
            if !(returned || started)
                || s.current[k].is_nan()
                || s.current[k] >= 0.1 * half(k)
                || !crate::opportunity::wanted(view, &c.progress.filled, k)
            {
                continue;
            }
            let m = until_half(c, j, k, half);
            let slower = |w: &Measured| m.as_ref().is_some_and(|m| m.value > w.value);
            if worst.as_ref().is_none_or(slower) {
                worst = m.or(worst);
            }
        }
    }
    worst.ok_or_else(|| "no occasion: its input did not return while the bank asked for charge".into())
}

fn other_starts(c: &Context, j: usize, k: usize) -> bool {
    let steady = c.view.grid.cells(60.0);
    c.view.sources.iter().enumerate().any(|(o, s)| {
        o != j
            && s.gives[k]
            && k >= steady
            && !s.current[k - 1].is_nan() // the end of a hole in its data is no start
            && s.gives[k - steady..k].iter().all(|g| !g)
            && s.gives[k..].iter().take(steady).all(|g| *g)
    })
}

fn until_half(c: &Context, j: usize, from: usize, half: impl Fn(usize) -> f64) -> Option<Measured> {
    let view = c.view;
    let s = &view.sources[j];
    let minutes = |k: usize| (k - from) as f64 * view.grid.step_s() / 60.0;
    // Two unsynchronised senders, each up to a few seconds late.
    let u = 5.0_f64.max(view.grid.step_s()) / 60.0;
    let mut asked = 0_usize;
    for k in from..view.grid.len {
        if s.current[k] >= half(k) {
            return Some(Measured::new(
                minutes(k),
                u,
                format!("until {} gave half of what it could", format::plain(&s.intent.name)),
            ));
        }
        if s.input[k] == Input::Absent {
            break;
        }
        let known = !s.current[k].is_nan();
        asked += usize::from(known && crate::opportunity::wanted(view, &c.progress.filled, k));
    }
    // It never joined: how long the bank asked in vain. A few minutes of that prove nothing.
    (asked >= view.grid.cells(120.0)).then(|| Measured {
        at_least: true,
        ..Measured::new(
            asked as f64 * view.grid.step_s() / 60.0,
            u,
            format!("{} had not joined", format::plain(&s.intent.name)),
        )
    })
}

#[cfg(test)]
mod tests {
    use crate::analyze::analyze;
    use crate::testing::{AMPS, SOC, Tape, VOLTS, amps, supply, vessel};
    use ampwake_schemas::findings::VerdictWord::{Met, NotMet, NotTested, Undetermined};
    use ampwake_schemas::findings::{Verdict, VerdictWord};

    fn judged(tape: Tape, requirement: &str) -> Verdict {
        let more = format!("[[requirement]]\nid = \"R\"\ntext = \"as drawn\"\nunit = \"min\"\n{requirement}");
        analyze(&tape.recording(), &vessel(&more)).findings.verdicts.remove(0)
    }

    fn charge(soc: impl Fn(f64) -> f64, at_most: f64) -> (VerdictWord, Option<f64>) {
        let tape = Tape::every(7200, 10).fed().with(VOLTS, |_| 53.5).with(AMPS, |_| 60.0).with(&amps(1), |_| 60.0);
        let tape = tape.with(SOC, |t| soc(t as f64 / 60.0));
        let text = format!("quantity = \"charge_time\"\nfrom_soc = 0.2\nto_soc = 0.8\nat_most = {at_most}");
        let v = judged(tape, &text);
        (v.verdict, v.measured.map(|m| m.round()))
    }

    #[test]
    fn charge_time_runs_from_the_first_crossing_to_the_second() {
        // One per cent a minute from 10 %: 20 % at 10 min, 80 % at 70 min.
        assert_eq!(charge(|m| 0.1 + 0.01 * m, 90.0), (Met, Some(60.0)));
        assert_eq!(charge(|m| 0.1 + 0.01 * m, 50.0), (NotMet, Some(60.0)));
        // Each crossing is known to a step of 1 %, a minute here: 60 min are not told from 61.
        assert_eq!(charge(|m| 0.1 + 0.01 * m, 60.5), (Undetermined, Some(60.0)));
        // Down to 15 % first: the clock starts at the way up.
        assert_eq!(
            charge(|m| if m < 15.0 { 0.3 - 0.01 * m } else { 0.02 * (m - 15.0) + 0.15 }, 40.0),
            (Met, Some(30.0))
        );
    }

    #[test]
    fn a_crossing_that_nobody_saw_is_as_uncertain_as_the_silence() {
        // 20 % at 10 min, and 80 % somewhere between 55 and 85 min: 45 to 75 min.
        let blind = |m: f64| if (55.0..85.0).contains(&m) { f64::NAN } else { 0.1 + 0.01 * m };
        assert_eq!(charge(blind, 65.0).0, Undetermined);
        assert_eq!((charge(blind, 85.0).0, charge(blind, 35.0).0), (Met, NotMet));
        // A silence in the middle costs nothing.
        assert_eq!(
            charge(|m| if (30.0..50.0).contains(&m) { f64::NAN } else { 0.1 + 0.01 * m }, 65.0),
            (Met, Some(60.0))
        );
    }

    #[test]
    fn charge_time_without_one_of_its_ends() {
        // Begins above 20 % and never comes down to it.
        assert_eq!(charge(|m| 0.3 + 0.005 * m, 60.0), (NotTested, None));
        // 80 % is not reached: too late already, or still in time.
        assert_eq!(charge(|m| 0.15 + 0.004 * m, 60.0).0, NotMet);
        assert_eq!(charge(|m| 0.15 + 0.004 * m, 600.0).0, Undetermined);
        // It never rose.
        assert_eq!(charge(|_| 0.15, 60.0), (NotTested, None));
        assert_eq!(charge(|_| f64::NAN, 60.0), (NotTested, None));
    }

    #[test]
    fn charge_time_counts_while_the_named_sources_have_their_input() {
        let vessel = |fed: fn(i64) -> f64| {
            // Up from 10 % by 0.5 % a minute without shore power, down to 15 % again, then by 1 % a minute with it.
            let soc = |m: f64| match m {
                m if m < 40.0 => 0.1 + 0.005 * m,
                m if m < 50.0 => 0.3 - 0.015 * (m - 40.0),
                m => 0.15 + 0.01 * (m - 50.0),
            };
            let tape = Tape::every(7200, 10).with(VOLTS, |_| 53.5).with(AMPS, |_| 60.0);
            let tape = tape.with(SOC, move |t| soc(t as f64 / 60.0)).with(&supply(1), fed);
            let tape = tape.with(&amps(1), move |t| if fed(t) > 0.0 { 60.0 } else { 0.0 });
            let text = "quantity = \"charge_time\"\nsource = \"first\"\nfrom_soc = 0.2\nto_soc = 0.7\nat_most = 60";
            let v = judged(tape, text);
            (v.verdict, v.measured.map(|m| m.round()))
        };
        assert_eq!(vessel(|t| if t > 2700 { 230.0 } else { 0.0 }), (Met, Some(50.0)));
        assert_eq!(vessel(|_| 0.0), (NotTested, None));
        // It left after 25 minutes: too early to say.
        assert_eq!(vessel(|t| if (2700..4800).contains(&t) { 230.0 } else { 0.0 }).0, Undetermined);
    }

    /// The first charger's supply is on from 600 s on, its current `from`; at 53.5 V, so that it is wanted.
    fn joins(from: i64, fed: impl Fn(i64) -> f64) -> (VerdictWord, Option<f64>) {
        let tape = Tape::new(3600)
            .with(VOLTS, |_| 53.5)
            .with(AMPS, |_| 0.0)
            .with(&supply(1), fed)
            .with(&amps(1), move |t| if t >= from { 80.0 } else { 0.0 });
        let v = judged(tape, "quantity = \"restart_time\"\nsource = \"first\"\nat_most = 2");
        (v.verdict, v.measured.map(|m| (m * 60.0).round()))
    }

    #[test]
    fn restart_time_is_from_input_to_half_of_the_current() {
        let at_600 = |t: i64| if t >= 600 { 230.0 } else { 0.0 };
        assert_eq!(joins(690, at_600), (Met, Some(90.0)));
        assert_eq!(joins(900, at_600), (NotMet, Some(300.0)));
        // It never joins: at least as long as it was asked.
        assert_eq!(joins(9999, at_600), (NotMet, Some(3001.0))); // 3600 s and the last cell
        assert_eq!(joins(600, |_| 230.0), (NotTested, None));
    }

    #[test]
    fn a_hole_in_the_supply_s_data_is_no_return() {
        // Fifteen seconds of silence again and again, while the charger rests.
        let holes = |t: i64| if t % 60 < 15 { f64::NAN } else { 230.0 };
        assert_eq!(joins(9999, holes), (NotTested, None));
    }

    #[test]
    fn nobody_is_late_whose_current_is_not_known() {
        let at_600 = |t: i64| if t >= 600 { 230.0 } else { 0.0 };
        let tape = Tape::new(3600)
            .with(VOLTS, |_| 53.5)
            .with(AMPS, |_| 0.0)
            .with(&supply(1), at_600)
            .with(&amps(1), |t| if t < 630 { 0.0 } else { f64::NAN });
        let v = judged(tape, "quantity = \"restart_time\"\nsource = \"first\"\nat_most = 2");
        assert_eq!(v.verdict, NotTested, "{v:?}");
    }

    #[test]
    fn absorption_time_runs_to_the_tail() {
        // Absorption from 1800 s on, 60 A falling by 1 A a minute: 20 A after 40 min.
        let current = |t: i64| if t < 1800 { 60.0 } else { 60.0 - (t - 1800) as f64 / 60.0 };
        let tape = |seconds: i64| {
            Tape::every(seconds, 2)
                .fed()
                .with(VOLTS, |t| if t < 1800 { 55.0 + 1.8 * t as f64 / 1800.0 } else { 56.8 })
                .with(AMPS, current)
                .with(&amps(1), current)
        };
        let v = judged(tape(5400), "quantity = \"absorption_time\"\nat_most = 60");
        assert_eq!(v.verdict, Met, "{v:?}");
        assert!((v.measured.expect("measured") - 40.0).abs() < 4.0, "{v:?}");
        // Cut off after 30 min: too early to say, unless it is too late already.
        let v = judged(tape(3600), "quantity = \"absorption_time\"\nat_most = 60");
        assert_eq!(v.verdict, Undetermined, "{v:?}");
        let v = judged(tape(3600), "quantity = \"absorption_time\"\nat_most = 20");
        assert_eq!(v.verdict, NotMet, "{v:?}");
    }
}
