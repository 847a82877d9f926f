//! Sources that add nothing or too little although they could, and why.

use super::{FindingExt, finding};
use crate::cause::{self, Diagnosis, Stretch};
use crate::opportunity::{Opportunity, set_point, wanted};
use crate::refusal::Refusal;
use crate::report::format;
use crate::stages::Progress;
use crate::state::Reported;
use crate::stats;
use crate::view::{BankView, Input};
use ampwake_schemas::findings::{Cause, Finding, Kind, Severity, Stage};

/// Shortest need of the bank that makes a missing source worth a word, s.
const SHORTEST_S: f64 = 900.0;

/// Everything about the sources of one bank.
pub fn remarks(view: &BankView, stage: &[Stage], progress: &Progress, opportunity: &[Opportunity]) -> Vec<Finding> {
    let mut out = Vec::new();
    for (j, o) in opportunity.iter().enumerate() {
        let stretches = cause::idle_stretches(view, j, o);
        let trials = cause::experiments(view, j, &o.open);
        let explained: Vec<(Stretch, Diagnosis)> =
            stretches.into_iter().map(|s| (s, cause::explain_idle(view, j, s, stage, progress, &trials))).collect();
        let mut causes: Vec<Cause> = explained.iter().map(|e| e.1.cause).collect();
        causes.sort();
        causes.dedup();
        for c in &causes {
            let mine: Vec<&(Stretch, Diagnosis)> = explained.iter().filter(|e| e.1.cause == *c).collect();
            out.extend(idle(view, j, o, stage, &mine));
        }
        if let Some((short, why)) = cause::explain_shortfall(view, j, progress, o) {
            out.push(under(view, j, &short, why));
        } else if !causes.contains(&Cause::ThermalDerating) {
            out.extend(derates_as_declared(view, j));
        }
        out.extend(no_room(view, j, o, progress));
        out.extend(refused(view, j, progress));
        out.extend(no_input(view, j, progress));
        out.extend(no_data(view, j, progress));
    }
    out
}

/// Idle stretches of one source with one cause, as one finding.
fn idle(
    view: &BankView,
    j: usize,
    o: &Opportunity,
    stage: &[Stage],
    stretches: &[&(Stretch, Diagnosis)],
) -> Option<Finding> {
    let (first, last) = (stretches.first()?, stretches.last()?);
    let s = &view.sources[j];
    let hours = view.grid.step_s() / 3600.0;
    let cells: Vec<usize> = stretches.iter().flat_map(|(x, _)| x.start..x.end).filter(|k| o.open[*k]).collect();
    let seconds = cells.len() as f64 * view.grid.step_s();
    let gave = stats::mean(cells.iter().map(|k| s.current[*k])).unwrap_or(f64::NAN);
    let could = stats::mean(cells.iter().map(|k| o.could[*k])).unwrap_or(f64::NAN);
    let lost: f64 = cells.iter().map(|k| (o.could[*k] - s.current[*k].max(0.0)).max(0.0) * hours).sum();
    // The longest stretch speaks for all of them.
    let speaks = &stretches.iter().max_by_key(|(x, _)| x.end - x.start)?.1;
    let u = 2.0 * view.u_current(gave);
    let mut summary =
        format!("{}: {}.", format::source_clause(&s.intent.name, gave, u, seconds, could), speaks.because);
    if lost > 0.0 && o.rated && speaks.cause != Cause::EndedEarly {
        summary.push_str(&format!(" That is {} not delivered.", format::amp_hours(lost)));
    }
    let harmless = matches!(speaks.cause, Cause::WaitingForRebulk | Cause::BankLimitReached);
    // What cannot amount to a hundredth of the bank is worth a remark, not an alarm.
    let small = lost < 0.01 * view.intent.capacity_ah;
    // While another source floats the bank, one that idles at the float voltage does what it is told; whoever ended the
    // charge too early is another finding.
    let floating = cells.iter().filter(|k| stage[**k] == Stage::Float).count() * 2 > cells.len();
    let severity = if harmless || small || floating { Severity::Info } else { Severity::Caution };
    let thermal = speaks.cause == Cause::ThermalDerating;
    let mut f = finding(
        if thermal { Kind::ThermalDerating } else { Kind::NonContributingSource },
        severity,
        (view.grid.at(first.0.start), view.grid.at(last.0.end)),
        speaks.confidence * if o.rated { 1.0 } else { 0.8 },
        summary,
    )
    .because(speaks.cause)
    .about(&s.intent.name);
    f.evidence = speaks.evidence.clone();
    f.check_next = speaks.check_next.clone();
    Some(
        f.with("opportunity_s", seconds, 0)
            .with("gave_mean_a", gave, 2)
            .with("gave_uncertainty_a", u, 2)
            .with("could_mean_a", could, 1)
            .with("lost_ah", lost, 2)
            .with("stretches", stretches.len() as f64, 0)
            .with("measured", f64::from(u8::from(s.measured)), 0),
    )
}

fn under(view: &BankView, j: usize, short: &cause::Shortfall, why: Diagnosis) -> Finding {
    let s = &view.sources[j];
    let seconds = short.cells.len() as f64 * view.grid.step_s();
    let hours = seconds / 3600.0;
    let (gave, could) = (short.gave_ah / hours, short.could_ah / hours);
    let (first, last) = lasting(view, &short.cells);
    let mut summary = format!(
        "{}: {}.",
        format::source_clause(&s.intent.name, gave, 2.0 * view.u_current(gave), seconds, could),
        why.because
    );
    if why.cause != Cause::EndedEarly {
        // After a charge that ended early the bank would have taken less and less: the figure is an upper bound.
        summary.push_str(&format!(" That is {} not delivered.", format::amp_hours(short.could_ah - short.gave_ah)));
    }
    let kind = if why.cause == Cause::ThermalDerating { Kind::ThermalDerating } else { Kind::UnderContributingSource };
    let period = (view.grid.at(first), view.grid.at(last + 1));
    let mut f =
        finding(kind, Severity::Caution, period, why.confidence, summary).because(why.cause).about(&s.intent.name);
    f.evidence = why.evidence;
    f.check_next = why.check_next;
    f.with("opportunity_s", seconds, 0).with("gave_mean_a", gave, 2).with("could_mean_a", could, 1).with(
        "lost_ah",
        short.could_ah - short.gave_ah,
        2,
    )
}

/// First and last of these cells, without lone ones: a minute of starting up hours earlier is not where it began.
fn lasting(view: &BankView, cells: &[usize]) -> (usize, usize) {
    let (bridge, least) = (view.grid.cells(600.0), view.grid.cells(300.0));
    let mut clusters: Vec<(usize, usize, usize)> = Vec::new(); // first, last, number
    for k in cells {
        match clusters.last_mut() {
            Some((_, last, n)) if k - *last <= bridge => (*last, *n) = (*k, *n + 1),
            _ => clusters.push((*k, *k, 1)),
        }
    }
    let long = || clusters.iter().filter(|c| c.2 >= least);
    match (long().next(), long().next_back()) {
        (Some(a), Some(b)) => (a.0, b.1),
        _ => (cells.first().copied().unwrap_or(0), cells.last().copied().unwrap_or(0)),
    }
}

/// A source that derates as the design declares: said once, as a fact.
fn derates_as_declared(view: &BankView, j: usize) -> Option<Finding> {
    let s = &view.sources[j];
    if s.intent.derate.is_empty() {
        return None;
    }
    let factor = |k: usize| stats::interpolate(&s.intent.derate, s.temperature[k]).filter(|f| f.is_finite());
    let cells: Vec<usize> =
        (0..view.grid.len).filter(|k| s.gives[*k] && factor(*k).is_some_and(|f| f < 0.95)).collect();
    let (hot, slope) = cause::derates(view, j)?;
    if cells.len() < view.grid.cells(300.0) {
        return None;
    }
    let minutes = cells.len() as f64 * view.grid.step_s();
    let low = cells.iter().filter_map(|k| factor(*k)).fold(1.0, f64::min);
    let summary = format!(
        "{} derated with its temperature for {}, down to {} of its rating at {}, as the design declares.",
        format::sentence_start(&s.intent.name),
        format::duration(minutes),
        format::percent(low),
        format::celsius(hot)
    );
    let period = (view.grid.at(*cells.first()?), view.grid.at(*cells.last()?));
    Some(
        finding(Kind::ThermalDerating, Severity::Info, period, 0.9, summary)
            .because(Cause::ThermalDerating)
            .about(&s.intent.name)
            .with("temperature_max_c", hot, 1)
            .with("current_per_kelvin_a", slope, 2)
            .with("derated_s", minutes, 0)
            .check(&["check that the design's figures for charging allow for this derating"]),
    )
}

/// The bank's own limit was used up by the others: no fault, but worth knowing.
fn no_room(view: &BankView, j: usize, o: &Opportunity, progress: &Progress) -> Option<Finding> {
    let s = &view.sources[j];
    let cells: Vec<usize> = (0..view.grid.len).filter(|k| o.no_room[*k] && !progress.filled[*k]).collect();
    let seconds = cells.len() as f64 * view.grid.step_s();
    if seconds < SHORTEST_S {
        return None;
    }
    let limit = stats::median(cells.iter().map(|k| view.charge_limit[*k]))?;
    let summary = format!(
        "{} had no room for {}: the other sources already charged the bank at its limit of {}. No fault.",
        format::sentence_start(&s.intent.name),
        format::duration(seconds),
        format::setting(limit, "A")
    );
    let period = (view.grid.at(*cells.first()?), view.grid.at(*cells.last()?));
    Some(
        finding(Kind::NonContributingSource, Severity::Info, period, 0.85, summary)
            .because(Cause::BankLimitReached)
            .about(&s.intent.name)
            .with("charge_limit_a", limit, 1)
            .with("no_room_s", seconds, 0),
    )
}

/// The battery took no charge: no fault of the source.
fn refused(view: &BankView, j: usize, progress: &Progress) -> Option<Finding> {
    let s = &view.sources[j];
    let low = |k: usize| {
        let target = set_point(view, progress.filled[k], k);
        view.voltage[k] < target - view.band(target)
    };
    let cells: Vec<usize> = (0..view.grid.len)
        .filter(|k| view.refusal[*k].is_some() && low(*k) && s.input[*k] == Input::Present)
        .filter(|k| s.heard[*k] && !s.current[*k].is_nan() && !s.gives[*k])
        .collect();
    let seconds = cells.len() as f64 * view.grid.step_s();
    if seconds < SHORTEST_S {
        return None;
    }
    // The reason of most of that time speaks for all of it.
    let count = |r: Refusal| cells.iter().filter(|k| view.refusal[**k] == Some(r)).count();
    let why = Refusal::ALL.into_iter().max_by_key(|r| count(*r))?;
    let summary = format!(
        "{} gave nothing for {} in which the bank could not be charged: {}. No fault of the source.",
        format::sentence_start(&s.intent.name),
        format::duration(seconds),
        why.text()
    );
    let period = (view.grid.at(*cells.first()?), view.grid.at(*cells.last()?));
    Some(
        finding(Kind::NonContributingSource, Severity::Info, period, 0.85, summary)
            .because(Cause::BatteryNotPermitting)
            .about(&s.intent.name)
            .with("refused_s", seconds, 0)
            .with("bus_voltage_mean_v", stats::mean(cells.iter().map(|k| view.voltage[*k])).unwrap_or(f64::NAN), 2)
            .check(&["read in the battery's own protection why it took no charge, if that was not meant"]),
    )
}

/// Input that was to be expected and was not there: another source of the same kind had it, or the AC source that
/// feeds it ran. Solar at night and shore power at sea are nothing.
fn no_input(view: &BankView, j: usize, progress: &Progress) -> Option<Finding> {
    let s = &view.sources[j];
    let peers: Vec<usize> = (0..view.sources.len())
        .filter(|o| *o != j && view.sources[*o].intent.kind == s.intent.kind)
        .filter(|o| view.sources[*o].intent.fed_by == s.intent.fed_by || s.intent.fed_by.is_none())
        .collect();
    let cells: Vec<usize> = (0..view.grid.len)
        .filter(|k| s.input[*k] == Input::Absent && !s.gives[*k] && wanted(view, &progress.filled, *k))
        .filter(|k| peers.iter().any(|o| view.sources[*o].input[*k] == Input::Present))
        .collect();
    let seconds = cells.len() as f64 * view.grid.step_s();
    if seconds < SHORTEST_S {
        return None;
    }
    let summary = format!(
        "{} had no input for {} in which the bank asked for charge and another source of its kind had input.",
        format::sentence_start(&s.intent.name),
        format::duration(seconds)
    );
    let period = (view.grid.at(*cells.first()?), view.grid.at(*cells.last()?));
    Some(
        finding(Kind::NonContributingSource, Severity::Caution, period, 0.8, summary)
            .because(Cause::NoInput)
            .about(&s.intent.name)
            .with("no_input_s", seconds, 0)
            .check(&[
                "check its supply: breaker, plug, transfer switch or engine (a licensed electrician for live AC)",
                "see whether it was meant to be off at that time",
            ]),
    )
}

/// The source was not heard while the bank asked for charge and the rest of the boat was.
fn no_data(view: &BankView, j: usize, progress: &Progress) -> Option<Finding> {
    let s = &view.sources[j];
    let silent: Vec<usize> = (0..view.grid.len)
        .filter(|k| !s.heard[*k] && s.input[*k] != Input::Absent && wanted(view, &progress.filled, *k))
        .collect();
    let seconds = silent.len() as f64 * view.grid.step_s();
    let has_signals = s.intent.signals.current.is_some() || s.intent.signals.state.is_some();
    if seconds < SHORTEST_S || !has_signals {
        return None;
    }
    let ever = s.heard.iter().any(|h| *h);
    // What runs on its own supply goes silent with it: a regulator at night, a charger without AC.
    let sleeps = s.intent.kind.depends_on_weather() || s.input.iter().all(|i| *i == Input::Unknown);
    let last = s.heard.iter().rposition(|h| *h);
    let gave_until = last.is_some_and(|l| {
        s.gives[l.saturating_sub(view.grid.cells(60.0))..=l].iter().any(|g| *g)
            || s.reported[l].is_some_and(Reported::is_on)
    });
    let severity = if ever && sleeps && !gave_until { Severity::Info } else { Severity::Caution };
    let summary = if ever {
        format!(
            "{} was not heard for {} in which the bank asked for charge: nothing can be said about it for that time.",
            format::sentence_start(&s.intent.name),
            format::duration(seconds)
        )
    } else {
        format!(
            "{} was never heard: nothing can be said about it. The bank asked for charge for {}.",
            format::sentence_start(&s.intent.name),
            format::duration(seconds)
        )
    };
    let period = (view.grid.at(*silent.first()?), view.grid.at(*silent.last()?));
    Some(
        finding(Kind::NonContributingSource, severity, period, if ever { 0.7 } else { 0.9 }, summary)
            .because(Cause::NoData)
            .about(&s.intent.name)
            .with("not_heard_s", seconds, 0)
            .check(&[
                "check its data cable and the bus's terminators",
                "compare the addresses in the intent with what the recording carries (`ampwake channels`)",
            ]),
    )
}

#[cfg(test)]
#[path = "sources_tests.rs"]
mod tests;
