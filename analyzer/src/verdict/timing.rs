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
    let fall = fit.map_or(f64::INFINITY, |f| f.slope.abs());
    (view.u_current(view.intent.profile.tail_a) / fall).clamp(view.grid.step_s() / 60.0, 30.0)
}

/// From the first crossing of `from_soc` to that of `to_soc`, loads as they were, min.
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
    // The last moment at or below `from` before the rise that follows the first such moment.
    let low = soc.iter().position(|(_, s)| *s <= from).unwrap_or(0);
    let Some(start) = (low..soc.len()).find(|k| soc[*k].1 > from || (soc[*k].1 >= from && rises(&soc, *k))) else {
        return Err(format!("the bank never rose above {}", percent(from)));
    };
    let end = (start..soc.len()).find(|k| soc[*k].1 >= to);
    let last = end.unwrap_or(soc.len() - 1);
    let minutes = (soc[last].0 - soc[start].0) as f64 * view.grid.step_s() / 60.0;
    // The state of charge steps by 1 %: each crossing is known to a rectangular half step (JCGM 100, 4.3.7).
    let rate = (soc[last].1 - soc[start].1) / minutes.max(1e-9);
    let u = if rate > 0.0 { (0.01 / 12_f64.sqrt() * std::f64::consts::SQRT_2 / rate).min(60.0) } else { 60.0 };
    let mut m =
        Measured::new(minutes, u, format!("from {} to {} of charge", percent(soc[start].1), percent(soc[last].1)));
    if end.is_none() {
        m.at_least = true;
        m.u = view.grid.step_s() / 60.0;
        m.how = format!("{} was not reached; the last value is {}", percent(to), percent(soc[last].1));
    }
    Ok(m.with("soc_start", soc[start].1, 3).with("soc_end", soc[last].1, 3))
}

fn rises(soc: &[(usize, f64)], k: usize) -> bool {
    soc[k..].iter().take(1200).any(|(_, s)| *s > soc[k].1)
}

/// From input returning (and, where `also_others`, another source starting) to half of the expected current, min.
/// The slowest occasion counts.
pub fn join(r: &Requirement, c: &Context, also_others: bool) -> Result<Measured, String> {
    let view = c.view;
    let chosen = named(r, c)?;
    need_current(c, &chosen)?;
    let mut worst: Option<Measured> = None;
    for j in chosen {
        let s = &view.sources[j];
        let half = |k: usize| {
            let could = c.opportunity[j].could[k];
            0.5 * if could > 0.0 { could } else { s.intent.set_a.unwrap_or(s.intent.rated_a) }
        };
        for k in 1..view.grid.len {
            let returned = s.input[k] == Input::Present && s.input[k - 1] != Input::Present;
            let started = also_others && other_starts(c, j, k) && s.input[k] == Input::Present;
            if !(returned || started)
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
        asked += usize::from(crate::opportunity::wanted(view, &c.progress.filled, k));
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
