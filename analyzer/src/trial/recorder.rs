//! What nothing can be believed without: every signal heard, a good clock, sensors that are at zero at rest, that belong
//! to whom the intent says, and that agree with an instrument.

use super::build::{Plan, test};
use super::held::{longest_s, stretches};
use super::sources::times;
use super::{Finding, Whole, against};
use crate::analyze::Worked;
use crate::report::format;
use ampwake_schemas::findings::{Agreement, HandReading, Kind};
use ampwake_schemas::trial::{Coverage, TestKind};

/// Share of the time that has to be heard.
const HEARD: f64 = 0.99;
/// At rest, s.
const REST_S: f64 = 600.0;
/// Levels of current at which an instrument is held against a sensor, as shares of its rating.
const LEVELS: [(f64, &str); 3] = [
    (0.0, "with nothing flowing"),
    (0.3, "at about a third of full current"),
    (0.9, "at about nine tenths of full current"),
];

/// Signals and clock.
pub(super) fn tests(whole: &Whole) -> Vec<Plan> {
    vec![signals(whole), clock(whole)]
}

fn signals(whole: &Whole) -> Plan {
    let q = whole.quality;
    let silent: Vec<String> = q
        .signals
        .iter()
        .filter(|s| s.samples == 0)
        .map(|s| format!("{}, {} ({})", format::plain(&s.owner), s.role.replace('_', " "), s.channel))
        .collect();
    let plan = test(TestKind::SignalsHeard, "every signal of the intent heard", [])
        .purpose("What is not heard cannot be judged.")
        .step("Switch everything on once, supplies, engines and all, and record for five minutes.")
        .accept("Every signal that the intent names has values, and less than 1 % of the time is silent.")
        .with("signals", q.signals.len() as f64, 0)
        .with("never_heard", silent.len() as f64, 0)
        .with("heard_share", q.coverage, 3);
    let words = format!(
        "{} of {} signals heard, data in {} of the time",
        q.signals.len() - silent.len(),
        q.signals.len(),
        format::percent(q.coverage)
    );
    let mut missing = silent;
    if q.coverage < HEARD {
        missing.push(format!(
            "a recording without holes: nothing was heard for {} of the time",
            format::percent(1.0 - q.coverage)
        ));
    }
    let heard = q.signals.iter().any(|s| s.samples > 0);
    let coverage = match (heard, missing.is_empty()) {
        (false, _) => Coverage::ToSail,
        (true, true) => Coverage::Covered,
        (true, false) => Coverage::Begun,
    };
    plan.stands(coverage, words).missing(missing)
}

fn clock(whole: &Whole) -> Plan {
    let steps = whole.findings.iter().filter(|f| f.kind == Kind::ClockStep).count();
    let told: Vec<&String> = whole
        .recording
        .events
        .iter()
        .filter(|e| ["times_told", "time_zone_unknown", "time_of_day_unknown"].contains(&e.kind.as_str()))
        .map(|e| &e.text)
        .collect();
    let plan = test(TestKind::RecorderClock, "the recorder's clock right", [])
        .purpose("Marks, papers and other recordings are joined by the time.")
        .step("Compare the computer's UTC with a GNSS receiver before and after, and note both as marks.")
        .accept("No step of the clock, and less than a second off.")
        .with("clock_steps", steps as f64, 0);
    match (steps, told.first()) {
        _ if whole.recording.period.is_none() => plan.missing(["a recording".to_owned()]),
        (0, None) => plan.stands(Coverage::Covered, "no step of the clock was seen"),
        (0, Some(text)) => plan
            .stands(Coverage::Begun, (*text).clone())
            .missing(["a recording with receive times of its own".to_owned()]),
        (n, _) => plan
            .stands(Coverage::Begun, format!("the clock stepped {}", times(n)))
            .missing(["a time source for the recorder: GNSS on the bus, or a clock battery".to_owned()]),
    }
}

/// Zero at rest, and who is who.
pub(super) fn sensors(w: &Worked, findings: &[Finding]) -> Vec<Plan> {
    let mut out = vec![zero(w, findings)];
    out.extend((0..w.view.sources.len()).filter(|j| w.view.sources[*j].measured).map(|j| identity(w, j, findings)));
    out
}

fn zero(w: &Worked, findings: &[Finding]) -> Plan {
    let view = &w.view;
    let quiet = |k: usize| {
        view.current[k].abs() < view.rest_current()
            && !view.any_gives(k)
            && view.sources.iter().all(|s| !s.current[k].is_nan())
    };
    let seen = longest_s(view.grid, &stretches(view.grid, quiet));
    let plan = test(
        TestKind::ZeroAtRest,
        format!("every current sensor of {} at zero", format::plain(&view.intent.name)),
        [view.intent.name.clone()],
    )
    .purpose("An offset of 0.2 A is 4.8 Ah in a day.")
    .before("all sources and loads off; a standby drain that stays is real, so note it")
    .step("Rest for ten minutes (an hour, if the open-circuit voltage is to be read too).")
    .accept("Every current sensor reads nothing within its uncertainty, and the currents add up.")
    .with("rest_longest_s", seen, 0);
    let plan = match seen {
        s if s >= REST_S => plan.stands(Coverage::Covered, format!("at rest for {}", format::duration(s))),
        s if s >= 60.0 => plan
            .stands(Coverage::Begun, format!("at rest for {}", format::duration(s)))
            .missing([format!("{} more at a stretch", format::duration(REST_S - s))]),
        _ => plan.missing(["ten minutes with everything off".to_owned()]),
    };
    let offset = findings.iter().find(|f| {
        f.kind == Kind::SensorOffset && view.sources.iter().any(|s| f.source.as_ref() == Some(&s.intent.name))
    });
    let off = against(findings, None, &[Kind::CurrentBalance]).or(offset);
    plan.unless(off)
}

/// Steps of this source alone, and whether the bank's current moved with each.
fn steps(w: &Worked, j: usize) -> (u32, u32) {
    let view = &w.view;
    let s = &view.sources[j];
    let (before, after) = (view.grid.cells(15.0), view.grid.cells(30.0));
    let least = (0.1 * s.intent.rated_a).max(6.0 * view.u_current(0.0));
    let (mut alike, mut unlike) = (0, 0);
    let mut k = before;
    while k + after < view.grid.len {
        let change = |x: &[f64]| x[k + after] - x[k - before];
        let own = change(&s.current);
        let still = view
            .sources
            .iter()
            .enumerate()
            .filter(|(o, _)| *o != j)
            .all(|(_, o)| change(&o.current).abs() < 0.15 * own.abs());
        let bank = change(&view.current) + change(&view.loads);
        if own.abs() < least || !still || !bank.is_finite() {
            k += view.grid.cells(5.0);
            continue;
        }
        if (bank - own).abs() < 0.3 * own.abs() + 2.0 * view.u_current(own) {
            alike += 1;
        } else {
            unlike += 1;
        }
        k += before + after;
    }
    (alike, unlike)
}

fn identity(w: &Worked, j: usize, findings: &[Finding]) -> Plan {
    let s = &w.view.sources[j];
    let (alike, unlike) = steps(w, j);
    let plan = test(
        TestKind::SensorIdentity,
        format!("the current sensor of {} is its own, and the right way round", format::plain(&s.intent.name)),
        [s.intent.name.clone()],
    )
    .purpose("A sensor that belongs to another charger, or sits the wrong way round, turns every figure about both.")
    .step("Switch it on and off alone, two minutes each, and look which number moves (`ampwake channels`).")
    .accept("Twice its own current moves, upwards when it starts, and the bank's by as much; no other source's does.")
    .with("steps_alike", f64::from(alike), 0)
    .with("steps_unlike", f64::from(unlike), 0);
    let words = format!(
        "it moved alone {}, and the bank's current with it {}",
        times((alike + unlike) as usize),
        times(alike as usize)
    );
    let plan = match (alike, unlike) {
        (a, u) if a >= 2 && a > 2 * u => plan.stands(Coverage::Covered, words),
        (0, 0) => plan.missing(["two times on and off, alone".to_owned()]),
        _ => plan.stands(Coverage::Begun, words).missing(["more steps of it alone, loads steady".to_owned()]),
    };
    let bad = [Kind::ReversedCurrentSensor, Kind::SensorSwapped, Kind::DuplicateInstance];
    plan.unless(against(findings, Some(&s.intent.name), &bad))
}

/// An instrument held against every current sensor.
pub(super) fn hand_readings(whole: &Whole) -> Option<Plan> {
    let measured: Vec<_> = whole.intent.sources.iter().filter_map(|s| Some((s, s.signals.current.as_ref()?))).collect();
    if measured.is_empty() {
        return None;
    }
    let (mut missing, mut read, mut differ) = (Vec::new(), 0, 0);
    for (s, signal) in &measured {
        let own =
            |r: &&HandReading| r.channel.as_ref() == Some(&signal.address) && r.agreement != Agreement::NotCompared;
        let readings: Vec<&HandReading> = whole.marks.iter().filter_map(|m| m.reading.as_ref()).filter(own).collect();
        let near = |level: f64| readings.iter().any(|r| (level - 0.12..=level + 0.25).contains(&(r.value / s.rated_a)));
        let wanted: Vec<&str> = LEVELS.iter().filter(|(l, _)| !near(*l)).map(|(_, word)| *word).collect();
        if !wanted.is_empty() {
            missing.push(format!("{}: readings {}", format::plain(&s.name), wanted.join(", ")));
        }
        read += readings.len();
        differ += readings.iter().filter(|r| r.agreement == Agreement::Differs).count();
    }
    let names = measured.iter().map(|(s, _)| s.name.clone());
    let plan = test(TestKind::HandReading, "an instrument held against every current sensor", names)
        .purpose("The bus's own sensors cannot witness for each other for ever.")
        .before("a clamp meter whose calibration is not more than a year old")
        .step(
            "For each source read the clamp with nothing flowing, at about a third and at nine tenths of full current, and write \
             each reading down with `ampwake mark` (`--channel`, `--reading`, `--unit`, `--instrument`, `--calibrated`).",
        )
        .accept("All three agree within both uncertainties, for every sensor.")
        .caution("A clamp goes round one insulated conductor; work on live copper is for a qualified person.")
        .with("readings", read as f64, 0)
        .with("differing", differ as f64, 0);
    let words = format!("{read} readings by hand, {differ} of them differ");
    Some(match (read, differ) {
        (0, _) => plan.missing(missing),
        (_, 1..) => plan
            .stands(Coverage::Failed, words)
            .missing(["which of the two is wrong: another calibrated instrument".to_owned()]),
        _ if missing.is_empty() => plan.stands(Coverage::Covered, words),
        _ => plan.stands(Coverage::Begun, words).missing(missing),
    })
}
