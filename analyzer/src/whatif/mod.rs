//! What a session would have been with the missing source in.
//!
//! The recording itself is the model's fit: the bank's electromotive force over the charge that went in, behind one
//! resistance; every other source and every load as it was at that moment. Then the source is let in with what it could
//! have given, and the DC bus is solved anew step by step (`model::solve`) until as much charge is in as the recording
//! ended with.
//!
//! Owes its reader: an uncertainty that covers what the fit does not know (resistance, what the source could have given,
//! the sensors, the fit's own misfit), and *undetermined* where the data do not carry an answer.

mod bank;
mod run;

use crate::analyze::Worked;
use crate::cause::put;
use crate::report::format;
use crate::sessions::SessionSpan;
use crate::stages::tail_reached;
use crate::stats;
use ampwake_schemas::findings::{Cause, Finding, Kind, Stage};

/// Share of the session's cells in which volts and amperes have to be known.
const KNOWN: f64 = 0.8;
/// Less charge than this share of the capacity says nothing about a charge.
const LEAST_CHARGE: f64 = 0.02;
/// A source may give a little less than all that it could: this much less at the worst (common practice, no source).
const WORST_SHARE: f64 = 0.93;
/// One standard uncertainty of the time that comes from taking a bank that answers late for one resistance, as a share of it:
/// from the voyages of the tests, whose banks have other physics.
const MODEL_SHARE: f64 = 0.03;

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct WhatIf {
    /// Time that it took, from the session's start to the same end, h.
    pub took_h: f64,
    /// Time that it would have taken, h.
    pub would_h: f64,
    /// Expanded uncertainty of that (k = 2), h.
    pub uncertainty_h: f64,
    /// What the source would have given until then, Ah.
    pub ah: f64,
    /// Expanded uncertainty of that, Ah.
    pub uncertainty_ah: f64,
    /// State of charge at start and end, where heard.
    pub soc: Option<(f64, f64)>,
    /// The resistance that was fitted, ohm.
    pub resistance: f64,
    /// What another session took over the same span of charge, in which the source did join, h.
    pub joined_h: Option<f64>,
}

/// What the session would have been with source `j` in. `fed`: also where it had no input.
///
/// # Errors
/// Why the data do not carry an answer, in plain words.
pub fn with_source(w: &Worked, j: usize, session: SessionSpan, fed: bool) -> Result<WhatIf, String> {
    let view = &w.view;
    if !w.opportunity[j].rated {
        return Err("what sun, wind or water would have given is not known".into());
    }
    let cells = session.start..session.end.min(view.grid.len);
    let seen = |k: &usize| view.voltage[*k].is_finite() && view.current[*k].is_finite();
    let share = cells.clone().filter(seen).count() as f64 / cells.len().max(1) as f64;
    if share < KNOWN {
        return Err(format!("bank volts and amperes are known for {} of the session only", format::percent(share)));
    }
    // Where it gives nothing, what it could have given is asked for; where it is not known at all, nothing can be.
    let silent = cells.clone().filter(|k| view.sources.iter().any(|s| s.current[*k].is_nan())).count();
    if silent as f64 > (1.0 - KNOWN) * cells.len() as f64 {
        return Err("a source on the same DC bus was not heard for long".into());
    }
    let target = end_of(w, session);
    let bank = bank::fit(w, session, target)?;
    if bank.charge() < LEAST_CHARGE * view.intent.capacity_ah {
        return Err("the bank gained next to nothing in it".into());
    }
    let sail =
        |resistance: f64, part: f64, gain: f64| run::run(w, &bank, j, &run::Assumed { resistance, part, gain, fed });
    let r = bank.resistance;
    let best = sail(r, 0.5 * (1.0 + WORST_SHARE), 1.0).ok_or("the model does not come to the same end")?;
    let as_it_was = sail(r, 0.0, 1.0).ok_or("the model does not come to the same end")?;
    let took_h = bank.hours();
    // Half of each span is taken as one standard uncertainty (a rectangular distribution's would be smaller), and all of
    // them as independent: JCGM 100, 5.1.2. The fit's own misfit counts in full.
    let half = |a: Option<run::Sailed>, b: Option<run::Sailed>| match (a, b) {
        (Some(a), Some(b)) => ((a.hours - b.hours).abs() / 2.0, (a.ah - b.ah).abs() / 2.0),
        _ => (took_h / 4.0, bank.charge() / 4.0),
    };
    let u_current = 2.0 * view.vessel.accuracy.current.percent / 100.0;
    let part = 0.5 * (1.0 + WORST_SHARE);
    let spans = [
        half(sail(r / bank.doubt, part, 1.0), sail(r * bank.doubt, part, 1.0)),
        half(sail(r, WORST_SHARE, 1.0), sail(r, 1.0, 1.0)),
        half(sail(r, part, 1.0 - u_current), sail(r, part, 1.0 + u_current)),
    ];
    let misfit = (as_it_was.hours - took_h).abs();
    let (mut u_h, u_ah) = spans.iter().fold((misfit, 0.0), |(h, a), s| (f64::hypot(h, s.0), f64::hypot(a, s.1)));
    let would_h = best.hours + (took_h - as_it_was.hours);
    u_h = u_h.hypot(MODEL_SHARE * would_h);
    let soc = bank.soc(view);
    let joined_h = soc.and_then(|soc| joined(w, j, session, soc));
    if let Some(joined) = joined_h {
        // Another session knows better than the fit how far it is off; other loads and temperatures are in that too.
        u_h = u_h.max((joined - would_h).abs() / 2.0);
    }
    let answer = WhatIf {
        took_h,
        would_h,
        uncertainty_h: 2.0 * u_h,
        ah: best.ah,
        uncertainty_ah: 2.0 * u_ah,
        soc,
        resistance: r,
        joined_h,
    };
    if answer.uncertainty_h > 0.5 * took_h {
        return Err("what the recording leaves open is as large as the answer".into());
    }
    Ok(answer)
}

/// The cell at which the session is done: the tail of its absorption, or else the last at which the bank took charge.
fn end_of(w: &Worked, session: SessionSpan) -> usize {
    let view = &w.view;
    let inside =
        |s: &&crate::stages::Span| s.stage == Stage::Absorption && s.start < session.end && s.end > session.start;
    let tail = w.spans.iter().filter(inside).find_map(|s| tail_reached(view, s)).filter(|k| *k < session.end);
    let taking = (session.start..session.end).rev().find(|k| view.current[*k] > view.rest_current());
    tail.or(taking).unwrap_or(session.end)
}

/// What another session took between the same two states of charge while this source gave for most of what it could, h.
fn joined(w: &Worked, j: usize, but: SessionSpan, soc: (f64, f64)) -> Option<f64> {
    let view = &w.view;
    w.sessions.iter().filter(|s| **s != but).find_map(|s| {
        let c = crate::opportunity::contribution(view, j, &w.opportunity[j], s.start, s.end);
        if c.could_ah <= 0.0 || c.gave_ah < 0.8 * c.could_ah {
            return None;
        }
        let cells = s.start..s.end.min(view.grid.len);
        let at = |level: f64| cells.clone().find(|k| view.soc[*k] >= level);
        // It has to begin below.
        let (from, to) = (at(soc.0)?, at(soc.1)?);
        let begins = view.soc[cells.start.min(view.soc.len() - 1)];
        (begins <= soc.0 + 0.005 && to > from).then(|| (to - from) as f64 * view.grid.step_s() / 3600.0)
    })
}

/// Findings of this bank about sources that gave too little are told what the session would have been with them.
pub fn tell(w: &Worked, findings: &mut [Finding]) {
    let about = |f: &&mut Finding| {
        matches!(f.kind, Kind::NonContributingSource | Kind::UnderContributingSource | Kind::ThermalDerating)
            && !matches!(f.cause, Some(Cause::NoData | Cause::BankLimitReached))
            && f.severity >= ampwake_schemas::findings::Severity::Caution
    };
    for f in findings.iter_mut().filter(about) {
        let named = |s: &crate::view::SourceView| f.source.as_ref() == Some(&s.intent.name);
        let Some(j) = w.view.sources.iter().position(named) else { continue };
        let (from, to) = (w.view.grid.index(f.start.millis()), w.view.grid.index(f.end.millis()));
        let lost =
            |s: &SessionSpan| crate::opportunity::contribution(&w.view, j, &w.opportunity[j], s.start, s.end).lost_ah;
        let overlapping = w.sessions.iter().filter(|s| s.start <= to && s.end >= from);
        // Of several sessions the one in which it was missed most.
        let Some(session) = overlapping.max_by(|a, b| lost(a).total_cmp(&lost(b))) else { continue };
        match with_source(w, j, *session, f.cause == Some(Cause::NoInput)) {
            Ok(x) => {
                let since = ampwake_schemas::time::Timestamp::from_millis(w.view.grid.at(session.start));
                f.evidence.insert("with_it_since".to_owned(), serde_json::json!(since));
                put(&mut f.evidence, "with_it_min", 60.0 * x.would_h, 0);
                put(&mut f.evidence, "with_it_uncertainty_min", 60.0 * x.uncertainty_h, 0);
                put(&mut f.evidence, "without_it_min", 60.0 * x.took_h, 0);
                put(&mut f.evidence, "with_it_given_ah", x.ah, 1);
                put(&mut f.evidence, "with_it_given_uncertainty_ah", x.uncertainty_ah, 1);
                put(&mut f.evidence, "fitted_resistance_mohm", 1000.0 * x.resistance, 2);
                put(&mut f.evidence, "another_session_with_it_min", 60.0 * x.joined_h.unwrap_or(f64::NAN), 0);
                f.summary = format!("{} {}", format::sentence(&f.summary), sentence(&x));
            }
            Err(why) => {
                drop(f.evidence.insert("with_it".to_owned(), serde_json::json!(format!("undetermined: {why}"))))
            }
        }
    }
}

/// The answer in one plain sentence.
fn sentence(x: &WhatIf) -> String {
    let what = match x.soc {
        Some((a, b)) => format!("{} to {}", format::percent(a), format::percent(b)),
        None => "the same charge".to_owned(),
    };
    let hours = |h: f64| format::duration(h * 3600.0);
    if x.took_h - x.would_h <= x.uncertainty_h {
        return format!(
            "With it, {what} would not have been shown to go faster than the {} that it took.",
            hours(x.took_h)
        );
    }
    format!(
        "With it, {what} would have taken {} \u{b1} {} instead of {}.",
        hours(x.would_h),
        hours(x.uncertainty_h),
        hours(x.took_h)
    )
}

/// Middle of the finite values.
fn middle(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    stats::median(values)
}

#[cfg(test)]
mod tests;
