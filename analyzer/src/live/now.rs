//! The last cell of an analysis, in plain words: what every source gives, what it could give, and why it does not.
//!
//! Pure. What is judged here is this moment; findings need ten minutes, so a source that has just stopped is told as such and
//! accused of nothing.

use super::snapshot::{BankNow, SessionNow, SourceNow, SourceState, StageNow};
use super::words;
use crate::analyze::Worked;
use crate::cause::{self, Stretch};
use crate::opportunity::{contribution, set_point, wanted};
use crate::report::format;
use crate::view::{BankView, Input, SourceView};
use crate::{figures, stages};
use ampwake_schemas::findings::{Finding, Kind};
use ampwake_schemas::time::Timestamp;

/// Shorter than this nobody asks why, s.
const ASK_S: f64 = 60.0;
/// From this on a cause is judged as findings judge it, s.
const LONG_S: f64 = 600.0;
/// A pause of the idleness that does not end it, s.
const BRIDGE_S: f64 = 120.0;
/// A source that gives at least this part of what it could gives what it could.
const NEARLY: f64 = 0.8;
/// A finding that ended no longer ago concerns this moment, s.
pub(super) const ONGOING_S: f64 = 120.0;

/// The bank at the end of the recording, the moment `newest`.
pub fn bank(w: &Worked<'_>, newest: Timestamp) -> BankNow {
    let view = &w.view;
    let k = view.grid.index(newest.millis());
    let time = |cell: usize| Timestamp::from_millis(view.grid.at(cell).min(newest.millis()));
    let stage = |s: &stages::Span| StageNow {
        stage: s.stage,
        start: time(s.start),
        end: time(s.end),
        confidence: (s.confidence * 100.0).round() / 100.0,
    };
    // A session without current for ten minutes is over, but one that pauses goes on.
    let pause = view.grid.cells(LONG_S);
    let session = w.sessions.last().filter(|s| s.end + pause > k);
    let target = set_point(view, w.progress.filled[k], k);
    let known = |v: f64| (!v.is_nan()).then_some(v);
    BankNow {
        name: view.intent.name.clone(),
        stage: w.spans.iter().find(|s| (s.start..s.end).contains(&k)).map(stage),
        volts: known(view.voltage[k]),
        target_v: known(target),
        amps: known(view.current[k]),
        charge_limit_a: known(view.charge_limit[k]),
        temperature_c: known(view.coldest[k]).zip(known(view.hottest[k])),
        state_of_charge: known(view.soc[k]),
        loads_a: known(view.loads[k]).filter(|_| view.loads_measured),
        session: session.map(|s| {
            let (from, to) = (view.grid.at(s.start), newest.millis());
            SessionNow {
                start: time(s.start),
                charge_ah: view.current_series.integral_positive(from, to).value_h,
                charge_net_ah: view.current_series.integral(from, to, |i| i).value_h,
            }
        }),
        stages: w.spans.iter().map(stage).collect(),
        sources: (0..view.sources.len()).map(|j| source(w, j, k, session.map(|s| (s.start, s.end)))).collect(),
    }
}

fn source(w: &Worked<'_>, j: usize, k: usize, session: Option<(usize, usize)>) -> SourceNow {
    let view = &w.view;
    let (s, o) = (&view.sources[j], &w.opportunity[j]);
    let mut now = SourceNow {
        name: s.intent.name.clone(),
        kind: s.intent.kind,
        rated_a: s.intent.set_a.unwrap_or(s.intent.rated_a),
        amps: (!s.current[k].is_nan()).then_some(s.current[k]),
        could_a: o.open[k].then_some(o.could[k]),
        state: SourceState::Unknown,
        since: None,
        why: String::new(),
        confidence: None,
        check_next: None,
        reported: s.reported[k].map(crate::state::Reported::text),
        temperature_c: (!s.temperature[k].is_nan()).then_some(s.temperature[k]),
        measured: s.measured,
        session_ah: session.map(|(from, to)| figures::charge(view, j, from, to).ah),
        session_lost_ah: session.map(|(from, to)| contribution(view, j, o, from, to).lost_ah),
    };
    let (state, why) = judge(w, j, k);
    (now.state, now.why) = (state, why.to_owned());
    if let (SourceState::Refused, Some(refusal)) = (state, view.refusal[k]) {
        now.why = words::refused(refusal.text());
    }
    if state == SourceState::Idle {
        explain(w, j, k, &mut now);
    }
    now
}

/// What source `j` does at cell `k`.
fn judge(w: &Worked<'_>, j: usize, k: usize) -> (SourceState, &'static str) {
    let view = &w.view;
    let (s, o) = (&view.sources[j], &w.opportunity[j]);
    let amps = s.current[k];
    let asked = wanted(view, &w.progress.filled, k);
    match () {
        () if amps.is_nan() && s.measured => (SourceState::NotHeard, words::NOT_HEARD),
        () if amps.is_nan() => (SourceState::Unknown, words::NO_SENSOR),
        () if s.gives[k] && o.open[k] && amps < NEARLY * o.could[k] => (SourceState::GivesLess, words::LESS),
        () if s.gives[k] && asked && !o.rated => (SourceState::Gives, words::WEATHER),
        () if s.gives[k] && asked => (SourceState::Gives, words::GIVES_ASKED),
        () if s.gives[k] => (SourceState::Gives, words::GIVES_AT_SET_POINT),
        () if o.open[k] => (SourceState::Idle, words::TOO_SHORT),
        () if s.input[k] == Input::Absent => (SourceState::NoInput, words::NO_INPUT),
        // The words come with the battery's reason.
        () if !view.permitted[k] => (SourceState::Refused, ""),
        () if o.no_room[k] => (SourceState::NotNeeded, words::NO_ROOM),
        () if view.voltage[k].is_nan() => (SourceState::Unknown, words::NO_VOLTAGE),
        () if set_point(view, w.progress.filled[k], k).is_nan() => (SourceState::NotNeeded, words::NO_SET_POINT),
        () if !asked => (SourceState::NotNeeded, words::NOT_NEEDED),
        () if s.input[k] == Input::Unknown => (SourceState::Unknown, words::INPUT_UNKNOWN),
        () => (SourceState::Unknown, words::WEATHER),
    }
}

/// Why source `j`, idle at cell `k`, gives nothing; since when.
fn explain(w: &Worked<'_>, j: usize, k: usize, now: &mut SourceNow) {
    let view = &w.view;
    let start = idle_since(view, &view.sources[j], &w.opportunity[j].open, k);
    now.since = Some(Timestamp::from_millis(view.grid.at(start)));
    let long = view.grid.step_s() * (k - start) as f64;
    if long < ASK_S {
        return;
    }
    let stage = stages::per_cell(&w.spans, view.grid.len);
    let trials = cause::experiments(view, j, &w.opportunity[j].open);
    let found = cause::explain_idle(view, j, Stretch { start, end: k + 1 }, &stage, &w.progress, &trials);
    let because = format::sentence(&found.because);
    now.why = if long < LONG_S { words::so_far(&because) } else { because };
    // What is judged from a minute is not surer than a guess.
    now.confidence = Some(if long < LONG_S { found.confidence.min(0.5) } else { found.confidence });
    now.check_next = found.check_next.into_iter().next();
}

fn idle_since(view: &BankView<'_>, s: &SourceView<'_>, open: &[bool], k: usize) -> usize {
    let bridge = view.grid.cells(BRIDGE_S);
    let mut start = k;
    for cell in (0..k).rev() {
        if s.gives[cell] || start - cell > bridge {
            break;
        }
        if open[cell] {
            start = cell;
        }
    }
    start
}

/// Puts the findings that concern this moment to the sources that give less than they could.
pub fn with_findings(banks: &mut [BankNow], findings: &[Finding], newest: Timestamp) {
    for s in banks.iter_mut().flat_map(|b| &mut b.sources).filter(|s| s.state == SourceState::GivesLess) {
        let about = |f: &&Finding| {
            f.source.as_deref() == Some(s.name.as_str())
                && matches!(f.kind, Kind::UnderContributingSource | Kind::ThermalDerating | Kind::VoltageDrop)
                && newest.seconds_since(f.end) <= LONG_S
        };
        if let Some(f) = findings.iter().filter(about).max_by(|a, b| a.end.cmp(&b.end)) {
            s.why = format::sentence(&f.summary);
            s.confidence = Some(f.confidence);
            s.check_next = f.check_next.first().cloned();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{AMPS, Tape, VOLTS, amps, supply, vessel};

    /// The first charger gives 60 A all the time; the bank is in bulk.
    fn tape(seconds: i64) -> Tape {
        Tape::new(seconds).fed().with(VOLTS, |_| 53.5).with(AMPS, |_| 60.0).with(&amps(1), |_| 60.0)
    }

    fn now(tape: Tape) -> BankNow {
        let intent = vessel("");
        let recording = tape.recording();
        let end = recording.period.unwrap().end;
        let mut out = Vec::new();
        crate::analyze::piece(&recording, &intent, &mut |w| out.push(bank(w, end)));
        out.remove(0)
    }

    #[test]
    fn a_source_that_has_just_stopped_is_accused_of_nothing() {
        let b = now(tape(1200).with(&amps(2), |t| if t < 1170 { 50.0 } else { 0.0 }));
        let second = &b.sources[1];
        assert_eq!((second.state, second.why.as_str()), (SourceState::Idle, words::TOO_SHORT));
        assert_eq!(second.confidence, None);
        // Later there is a guess, with no more confidence than a guess has.
        let b = now(tape(1500).with(&amps(2), |t| if t < 1170 { 50.0 } else { 0.0 }));
        let second = &b.sources[1];
        assert!(second.why.starts_with("So far") && second.confidence.unwrap() <= 0.5, "{second:?}");
        assert!(second.since.unwrap().seconds_since(Timestamp::from_millis(0)) > 0.0);
    }

    #[test]
    fn what_cannot_be_known_is_said_so() {
        let b = now(tape(1200).with(&amps(2), |_| f64::NAN));
        assert_eq!(b.sources[1].state, SourceState::NotHeard);
        let b = now(tape(1200).with(&amps(2), |_| 0.0).with(&supply(2), |_| 0.0));
        assert_eq!((b.sources[1].state, b.sources[1].could_a), (SourceState::NoInput, None));
        let b = now(tape(1200).with(VOLTS, |_| f64::NAN).with(&amps(2), |_| 0.0));
        assert_eq!((b.sources[1].state, b.volts), (SourceState::Unknown, None));
    }

    #[test]
    fn at_the_set_point_nothing_more_is_asked() {
        let b = now(tape(1200).with(VOLTS, |_| 56.8).with(&amps(2), |_| 0.0));
        assert_eq!(b.sources[0].why, words::GIVES_AT_SET_POINT);
        assert_eq!((b.sources[1].state, b.sources[1].why.as_str()), (SourceState::NotNeeded, words::NOT_NEEDED));
    }
}
