//! A source that gives nothing although it could: when, and why.

use super::device_fault::device_fault;
use super::{Diagnosis, Experiment, put, share_of};
use crate::opportunity::Opportunity;
use crate::report::format;
use crate::stages::Progress;
use crate::state::Reported;
use crate::stats;
use crate::view::{BankView, Input};
use ampwake_schemas::findings::{Cause, Evidence, Stage};
use ampwake_schemas::intent::Coordination;

/// A stretch of cells in which a source gave nothing although it could.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// First cell.
    pub start: usize,
    /// One past the last.
    pub end: usize,
}

/// A shorter wait is starting up, not standing idle, s (chargers qualify their supply and ramp for minutes;
/// common practice, no source).
const SHORTEST_S: f64 = 600.0;
/// Shorter interruptions do not end a stretch, s.
const BRIDGE_S: f64 = 120.0;

/// Where source `j` stood idle. "Idle" is less than a twentieth of what it could have given, or less than what
/// its sensor can tell from nothing.
pub fn idle_stretches(view: &BankView, j: usize, o: &Opportunity) -> Vec<Stretch> {
    let s = &view.sources[j];
    let idle = |k: usize| o.open[k] && (!s.gives[k] || s.current[k] < 0.05 * o.could[k]);
    let (bridge, brief) = (view.grid.cells(BRIDGE_S), view.grid.cells(20.0));
    let gave = |between: std::ops::Range<usize>| between.filter(|k| s.gives[*k] && !idle(*k)).count();
    let mut out: Vec<Stretch> = Vec::new();
    for k in (0..view.grid.len).filter(|k| idle(*k)) {
        match out.last_mut() {
            // A moment about which nothing is known, or in which there was no opportunity, is bridged; a source that gave
            // in between did not stand idle.
            Some(last) if k - last.end <= bridge && gave(last.end..k) <= brief => last.end = k + 1,
            _ => out.push(Stretch { start: k, end: k + 1 }),
        }
    }
    let shortest = view.grid.cells(SHORTEST_S);
    let mut out: Vec<Stretch> = out.into_iter().flat_map(|whole| parted(view, j, whole)).collect();
    out.retain(|s| (s.start..s.end).filter(|k| idle(*k)).count() >= shortest);
    out
}

/// A stretch cut where the source's own word changed for good: an hour switched off and an hour with a fault have two causes.
/// Only where both parts are long enough to stand alone; a state machine that tries again for a minute is one story.
fn parted(view: &BankView, j: usize, whole: Stretch) -> Vec<Stretch> {
    let s = &view.sources[j];
    let shortest = view.grid.cells(SHORTEST_S);
    let word = |k: usize| {
        s.reported[k].map(|r| match r {
            Reported::Fault | Reported::Disabled => Some(r),
            // The stages of a charger that is on are one word: whether it waits or regulates is judged by volts.
            _ => None,
        })
    };
    // Runs of one word; a moment without any belongs to the run before it.
    let mut runs: Vec<(Option<Reported>, Stretch)> = Vec::new();
    for k in whole.start..whole.end {
        match (runs.last_mut(), word(k)) {
            (Some((was, run)), w) if w.is_none_or(|w| w == *was) => run.end = k + 1,
            (None, w) => runs.push((w.flatten(), Stretch { start: whole.start, end: k + 1 })),
            (Some(_), w) => runs.push((w.flatten(), Stretch { start: k, end: k + 1 })),
        }
    }
    let mut parts: Vec<(Option<Reported>, Stretch)> = Vec::new();
    for (w, run) in runs {
        let long = run.end - run.start >= shortest;
        match parts.last_mut() {
            // A short run, or the same word again, belongs to the part before; a short first one to the part after.
            Some((was, part)) if !long || *was == w || part.end - part.start < shortest => {
                if long && *was != w {
                    *was = w;
                }
                part.end = run.end;
            }
            _ => parts.push((w, run)),
        }
    }
    parts.into_iter().map(|p| p.1).collect()
}

/// Why source `j` stood idle in `stretch`. `stage` is the bank's stage cell by cell.
pub fn explain_idle(
    view: &BankView,
    j: usize,
    stretch: Stretch,
    stage: &[Stage],
    progress: &Progress,
    trials: &[Experiment],
) -> Diagnosis {
    let s = &view.sources[j];
    let cells = || stretch.start..stretch.end;
    let said = |r: Reported| share_of(cells(), |k| s.reported[k].map(|x| x == r)).unwrap_or(0.0);
    let mut evidence = gather(view, j, stretch, stage, trials);
    let diagnosis = |cause, confidence: f64, because: String, check: &[&str], evidence: Evidence| Diagnosis {
        cause,
        confidence: confidence.clamp(0.05, 0.97),
        evidence,
        because,
        check_next: check.iter().map(|c| (*c).to_owned()).collect(),
    };

    // Missing: it says so itself.
    let device = device_fault(view, j, stretch, &mut evidence);
    if said(Reported::Fault) > 0.5 {
        let text = match &device {
            Some((_, told)) => format!("it reports a fault; {told}"),
            None => "it reports a fault".to_owned(),
        };
        return diagnosis(
            Cause::FaultReported,
            0.95,
            text,
            &[
                "read the fault on the charger itself and look it up in its manual",
                "check its fuses, fan and input wiring with the supply isolated (qualified person)",
            ],
            evidence,
        );
    }
    if let Some((confidence, text)) = device {
        return diagnosis(
            Cause::FaultReported,
            confidence,
            text,
            &[
                "look the fault up in the manual of that device, and see whether it is the one that charges",
                "check its fuses, fan and input wiring with the supply isolated (qualified person)",
            ],
            evidence,
        );
    }
    if said(Reported::Disabled) > 0.5 {
        let text = "it reports that it is switched off".to_owned();
        return diagnosis(
            Cause::SwitchedOff,
            0.93,
            text,
            &[
                "see whether it is switched off at its panel, by a remote switch or by a setting",
                "check the battery's release line to it, if it has one",
            ],
            evidence,
        );
    }

    // Limited: heat stops it.
    let hottest = view_max(&s.temperature, stretch);
    if let Some(limit) = s.intent.max_c.filter(|m| hottest >= m - 2.0) {
        put(&mut evidence, "temperature_max_c", hottest, 1);
        put(&mut evidence, "temperature_limit_c", limit, 1);
        let text = format!("it was at {} and has probably shut itself down for heat", format::celsius(hottest));
        return diagnosis(
            Cause::ThermalDerating,
            0.75,
            text,
            &[
                "check its cooling air, fan and filters",
                "compare its place with the clearances that its manual asks for",
            ],
            evidence,
        );
    }

    // Controlled.
    let others = share_of(cells(), |k| Some(others_give(view, j, k))).unwrap_or(0.0);
    let low_state = share_of(cells(), |k| s.reported[k].map(|r| matches!(r, Reported::Float | Reported::Absorption)))
        .unwrap_or(0.0);
    let waits = said(Reported::NotCharging);
    let silent = share_of(cells(), |k| Some(s.reported[k].is_none())).unwrap_or(1.0) > 0.5;
    let joined = trials.iter().filter(|t| t.stopped && t.answered_after_s.is_some()).count();
    let stayed = trials.iter().filter(|t| t.stopped && !t.held && t.answered_after_s.is_none()).count();
    let driven_off = trials.iter().filter(|t| !t.stopped && t.answered_after_s.is_some()).count();

    if let Some(confidence) = link_lost(view, j, stretch, &mut evidence) {
        let text = "it no longer follows the charger that leads its group".to_owned();
        return diagnosis(
            Cause::LinkLost,
            confidence,
            text,
            &[
                "check the data cable, terminators and addresses between the chargers of the group",
                "compare the two chargers' stage and set-points on their panels while both are on",
            ],
            evidence,
        );
    }
    if progress.filled[stretch.start] && (low_state + waits > 0.5 || silent) {
        let text = "the bank had been filled and it waits for its re-bulk threshold".to_owned();
        return diagnosis(
            Cause::WaitingForRebulk,
            0.8,
            text,
            &["compare its re-bulk voltage with the design's"],
            evidence,
        );
    }
    if let Some(amps) = ended_early(view, j, stretch) {
        put(&mut evidence, "bank_current_when_it_stopped_a", amps, 1);
        put(&mut evidence, "tail_current_a", view.intent.profile.tail_a, 1);
        let text = format!(
            "it ended its charge while the bank still took {}, above the tail of {}",
            format::amps(amps),
            format::setting(view.intent.profile.tail_a, "A")
        );
        return diagnosis(
            Cause::EndedEarly,
            0.8,
            text,
            &[
                "check its absorption time and tail-current settings against the design",
                "see whether a load was taken for the end of the charge (a charger that measures its own current cannot tell)",
            ],
            evidence,
        );
    }
    let says_bulk = said(Reported::Bulk);
    if others > 0.5 && says_bulk < 0.5 && !(stayed > 0 && joined == 0 && low_state < 0.5) {
        let mut confidence = 0.55 + 0.2 * low_state + 0.1 * waits;
        confidence += 0.1 * (joined + driven_off).min(2) as f64 - 0.2 * stayed.min(2) as f64;
        if s.intent.coordination == Some(Coordination::VoltageSensing) {
            confidence += 0.05;
        }
        if silent && joined == 0 {
            confidence -= 0.2;
        }
        return diagnosis(
            Cause::HeldOffByBusVoltage,
            confidence,
            "held off by the bus voltage".to_owned(),
            &[
                "stop the other sources for a few minutes: if its current rises within two minutes or so, it is held off",
                "compare its re-bulk and float set-points with the bus voltage while the other sources charge",
                "let the sources share one profile over a data link, or give it the set-points of the design",
            ],
            evidence,
        );
    }
    if waits > 0.5 {
        let text = "it has its input and reports that it is not charging".to_owned();
        return diagnosis(
            Cause::SwitchedOff,
            0.5,
            text,
            &[
                "see whether it is switched off at its panel or held by the battery's release line",
                "check its re-bulk threshold",
            ],
            evidence,
        );
    }
    let text = if says_bulk > 0.5 {
        "it reports bulk, and no current arrives: the recording does not say why".to_owned()
    } else {
        "the recording does not say why".to_owned()
    };
    diagnosis(
        Cause::Unknown,
        0.4,
        text,
        &[
            "check its output fuse, breaker and isolator, with everything isolated (qualified person)",
            "see whether its current sensor is the one that the design names (switch it alone)",
        ],
        evidence,
    )
}

/// Another source gives a current that can hold the bus up.
fn others_give(view: &BankView, j: usize, k: usize) -> bool {
    view.sources.iter().enumerate().any(|(o, s)| o != j && s.gives[k] && s.current[k] > 0.02 * s.intent.rated_a)
}

fn view_max(values: &[f64], stretch: Stretch) -> f64 {
    values[stretch.start..stretch.end].iter().copied().fold(f64::NAN, f64::max)
}

/// The figures that every idle stretch is described by.
fn gather(view: &BankView, j: usize, stretch: Stretch, stage: &[Stage], trials: &[Experiment]) -> Evidence {
    let s = &view.sources[j];
    let cells = || stretch.start..stretch.end;
    let mut e = Evidence::new();
    put(&mut e, "bus_voltage_mean_v", stats::mean(cells().map(|k| view.voltage[k])).unwrap_or(f64::NAN), 2);
    put(&mut e, "bus_voltage_max_v", view_max(&view.voltage, stretch), 2);
    put(&mut e, "profile_absorption_v", stats::mean(cells().map(|k| view.absorption_v[k])).unwrap_or(f64::NAN), 2);
    put(&mut e, "own_voltage_mean_v", stats::mean(cells().map(|k| s.voltage[k])).unwrap_or(f64::NAN), 2);
    put(&mut e, "own_temperature_max_c", view_max(&s.temperature, stretch), 1);
    put(&mut e, "bank_current_mean_a", stats::mean(cells().map(|k| view.current[k])).unwrap_or(f64::NAN), 1);
    let input = share_of(cells(), |k| Some(s.input[k] == Input::Present));
    put(&mut e, "input_present_share", input.unwrap_or(f64::NAN), 3);
    for r in [
        Reported::Bulk,
        Reported::Absorption,
        Reported::Float,
        Reported::NotCharging,
        Reported::Disabled,
        Reported::Fault,
    ] {
        if let Some(share) = share_of(cells(), |k| s.reported[k].map(|x| x == r)).filter(|x| *x >= 0.01) {
            put(&mut e, &format!("reported_{}_share", r.text().replace(' ', "_")), share, 3);
        }
    }
    for other in view.sources.iter().enumerate().filter(|(o, _)| *o != j).map(|(_, s)| s) {
        let mean = stats::mean(cells().map(|k| other.current[k])).unwrap_or(f64::NAN);
        if mean > 2.0 * view.u_current(mean) {
            put(&mut e, &format!("meanwhile_{}_a", key(&other.intent.name)), mean, 1);
        }
    }
    let discharging = share_of(cells(), |k| Some(stage[k] == Stage::Discharge));
    put(&mut e, "bank_discharging_share", discharging.unwrap_or(f64::NAN), 3);
    let stops: Vec<&Experiment> =
        trials.iter().filter(|t| t.stopped && (!t.held || t.answered_after_s.is_some())).collect();
    let starts: Vec<&Experiment> = trials.iter().filter(|t| !t.stopped).collect();
    if !stops.is_empty() {
        put(&mut e, "others_stopped_times", stops.len() as f64, 0);
        put(
            &mut e,
            "joined_after_others_stopped_times",
            stops.iter().filter(|t| t.answered_after_s.is_some()).count() as f64,
            0,
        );
        if let Some(t) = stops.iter().rev().find(|t| t.answered_after_s.is_some()) {
            put(&mut e, "joined_after_s", t.answered_after_s.unwrap_or(f64::NAN), 0);
            put(&mut e, "joined_at_bus_voltage_v", t.voltage, 2);
        }
    }
    if !starts.is_empty() {
        put(&mut e, "others_started_times", starts.len() as f64, 0);
        put(
            &mut e,
            "stopped_after_others_started_times",
            starts.iter().filter(|t| t.answered_after_s.is_some()).count() as f64,
            0,
        );
    }
    e
}

/// A source's name as part of an evidence key.
pub(crate) fn key(name: &str) -> String {
    let clean: String =
        name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' }).take(40).collect();
    clean.trim_matches('_').to_owned()
}

/// Confidence that the link to the leader of its group is lost: it stands in a lower stage than a networked
/// partner that charges, or it says that it stands alone while it did, or others do, work as a team.
fn link_lost(view: &BankView, j: usize, stretch: Stretch, evidence: &mut Evidence) -> Option<f64> {
    let s = &view.sources[j];
    if s.intent.coordination == Some(Coordination::VoltageSensing) {
        return None;
    }
    let cells = || stretch.start..stretch.end;
    let group = s.intent.group.as_ref()?;
    let partners: Vec<_> = view
        .sources
        .iter()
        .enumerate()
        .filter(|(o, p)| {
            *o != j
                && p.intent.group.as_ref() == Some(group)
                && p.intent.coordination == Some(Coordination::Networked)
                && p.intent.kind.is_ac_fed() == s.intent.kind.is_ac_fed()
        })
        .map(|(_, p)| p)
        .collect();
    let disagrees = partners
        .iter()
        .filter_map(|p| {
            share_of(cells(), |k| match (s.reported[k], p.reported[k]) {
                (Some(mine), Some(theirs)) if p.gives[k] => Some(mine != theirs),
                _ => None,
            })
        })
        .fold(0.0, f64::max);
    let alone = share_of(cells(), |k| s.teamed[k].map(|t| !t)).unwrap_or(0.0);
    let teamed_before = s.teamed[..stretch.start].contains(&Some(true));
    let others_teamed = partners.iter().any(|p| cells().any(|k| p.teamed[k] == Some(true)));
    put(evidence, "stage_disagreement_share", disagrees, 3);
    let left_team = alone > 0.5 && (teamed_before || others_teamed);
    if left_team {
        put(evidence, "stands_alone_share", alone, 3);
    }
    match (left_team, disagrees > 0.5, s.intent.coordination == Some(Coordination::Networked)) {
        (true, true, _) => Some(0.93),
        (true, false, _) => Some(0.8),
        (false, true, true) => Some(0.75),
        _ => None,
    }
}

/// It gave until shortly before the stretch, the voltage had reached the absorption set-point, and the bank
/// still took more than the tail: the current that it took, A.
fn ended_early(view: &BankView, j: usize, stretch: Stretch) -> Option<f64> {
    let s = &view.sources[j];
    let back = stretch.start.saturating_sub(view.grid.cells(900.0))..stretch.start;
    // A tenth of its rating is a charge; what noise and offset of a sensor lift over its uncertainty is none.
    let charges = |k: usize| s.gives[k] && s.current[k] > 0.1 * s.intent.rated_a;
    let stopped = back.rev().find(|k| charges(*k))?;
    let before = stopped.saturating_sub(view.grid.cells(300.0))..=stopped;
    if share_of(before.clone(), |k| Some(charges(k))).is_none_or(|share| share < 0.5) {
        return None;
    }
    let reached = before.clone().any(|k| view.voltage[k] >= view.absorption_v[k] - view.band(view.absorption_v[k]));
    let took = stats::median(before.map(|k| view.current[k]))?;
    (reached && took > view.intent.profile.tail_a + 2.0 * view.u_current(took)).then_some(took)
}

#[cfg(test)]
#[path = "idle_tests.rs"]
mod tests;
