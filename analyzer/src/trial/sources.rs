//! Tests of each source by itself.

use super::build::{Plan, test};
use super::held::{best_window, longest_s, stretches};
use super::{Finding, against};
use crate::analyze::Worked;
use crate::report::format;
use crate::stats;
use crate::view::Input;
use ampwake_schemas::findings::{Cause, Kind};
use ampwake_schemas::trial::{Coverage, TestKind};

/// How long a source has to hold its output, s.
const HOLD_S: f64 = 1800.0;
/// Share of what it owes that counts as all of it.
const ENOUGH: f64 = 0.95;
/// Full output for a hot soak, s.
const SOAK_S: f64 = 7200.0;
/// A source is at rest with its heat when it warms by less than this, K in ten minutes.
const PLATEAU_K: f64 = 1.0;

/// The tests of every source of the bank.
pub(super) fn tests(w: &Worked, findings: &[Finding]) -> Vec<Plan> {
    let mut out = Vec::new();
    for j in 0..w.view.sources.len() {
        let kind = w.view.sources[j].intent.kind;
        if kind.depends_on_weather() {
            out.push(weather(w, j, findings));
            continue;
        }
        out.push(alone(w, j, findings));
        if kind.is_engine_driven() {
            out.push(speeds(w, j));
        }
        out.push(soak(w, j, findings));
        out.push(drop(w, j, findings));
        if kind.is_ac_fed() {
            out.push(restart(w, j, findings));
        }
    }
    out
}

/// `never`, `once`, `3 times`.
pub(super) fn times(n: usize) -> String {
    match n {
        0 => "never".to_owned(),
        1 => "once".to_owned(),
        n => format!("{n} times"),
    }
}

fn name(w: &Worked, j: usize) -> String {
    w.view.sources[j].intent.name.clone()
}

/// It gives, and nothing else does; the sun cannot be switched off, so what weather drives may go on.
fn only(w: &Worked, j: usize, k: usize) -> bool {
    let quiet = |s: &crate::view::SourceView| !s.gives[k] || s.intent.kind.depends_on_weather();
    w.view.sources[j].gives[k] && w.view.sources.iter().enumerate().all(|(o, s)| o == j || quiet(s))
}

fn alone(w: &Worked, j: usize, findings: &[Finding]) -> Plan {
    let (view, s, o) = (&w.view, &w.view.sources[j], &w.opportunity[j]);
    let rated = s.intent.set_a.unwrap_or(s.intent.rated_a);
    let found = stretches(view.grid, |k| o.open[k] && only(w, j, k));
    let seen = longest_s(view.grid, &found);
    let best = best_window(&found, view.grid.cells(HOLD_S), |k| s.current[k], |k| o.could[k]);
    let plan = test(TestKind::SourceAlone, format!("{} alone at its rated current", format::plain(&s.intent.name)), [name(w, j)])
        .purpose("What a source gives by itself is the measure for everything that it gives with others.")
        .before("the bank at 60 % or less, so that it takes all that is given")
        .before("all other sources switched off, loads as small as they can be")
        .step(format!("Start {} and let it give for half an hour, or until it warms by less than 1 K in ten minutes.", format::plain(&s.intent.name)))
        .accept(format!(
            "Over half an hour it gives at least 95 % of what it owes ({}, less its declared derating and the limits of bank and supply), \
             within the uncertainty of its sensor.",
            format::setting(rated, "A")
        ))
        .with("alone_longest_s", seen, 0);
    let plan = match best {
        _ if !s.measured => plan
            .stands(Coverage::ToSail, "it has no current sensor of its own")
            .missing(["a current sensor, or readings by hand (`ampwake mark`)".to_owned()]),
        Some((gave, due, _)) => {
            let u = 2.0 * view.u_current(gave);
            let (says, ends) = (format::with_uncertainty(gave, u, "A"), format::amps(due));
            let unknown = s.intent.kind.is_engine_driven() && s.intent.curve.is_empty();
            let coverage = match gave + u >= ENOUGH * due {
                // Without a declared curve what it owes is taken from what it gave.
                true if unknown && gave + u < ENOUGH * rated => Coverage::Begun,
                true => Coverage::Covered,
                false => Coverage::Failed,
            };
            let plan = plan.with("held_a", gave, 1).with("owed_a", due, 1);
            let plan = plan.stands(coverage, format!("it held {says} alone, of {ends} that it owed"));
            match coverage {
                Coverage::Begun => {
                    plan.missing(["the maker's output over engine speed, as `curve` in the intent".to_owned()])
                }
                Coverage::Failed => plan.missing(["its cause: see the finding about it in the report".to_owned()]),
                _ => plan,
            }
        }
        None if seen >= 60.0 => plan
            .stands(Coverage::Begun, format!("it gave alone for {} at the most", format::duration(seen)))
            .missing([format!("{} more of it, while the bank asks for all", format::duration(HOLD_S - seen))]),
        None => plan.missing(["half an hour alone, while the bank asks for all of it".to_owned()]),
    };
    plan.unless(against(
        findings,
        Some(&s.intent.name),
        &[Kind::SensorFault, Kind::ReversedCurrentSensor, Kind::SensorSwapped],
    ))
}

fn weather(w: &Worked, j: usize, findings: &[Finding]) -> Plan {
    const DAY_S: f64 = 4.0 * 3600.0;
    let (view, s) = (&w.view, &w.view.sources[j]);
    let gave = (0..view.grid.len).filter(|k| s.gives[*k]).count() as f64 * view.grid.step_s();
    let most = stats::quantile(s.current.iter().copied(), 0.99).unwrap_or(0.0);
    let plan = test(TestKind::SourceWeather, format!("{} through a day of its weather", format::plain(&s.intent.name)), [name(w, j)])
        .purpose("Sun, wind and water decide what it gives; one day shows that it does, and the best of many what it can.")
        .before("the bank at 80 % or less, so that it is asked")
        .step("Record a day (sun), or twenty minutes at each of three speeds (water, wind, propeller), and note weather or speed through the water as marks.")
        .accept("It gives for four hours in all while the bank asks; what it owes is for the design's own requirement to say.")
        .with("gave_s", gave, 0)
        .with("most_a", most, 1);
    let plan = match gave {
        g if g >= DAY_S => {
            plan.stands(Coverage::Covered, format!("it gave for {}, up to {}", format::duration(g), format::amps(most)))
        }
        g if g >= 60.0 => plan
            .stands(Coverage::Begun, format!("it gave for {}, up to {}", format::duration(g), format::amps(most)))
            .missing([format!("{} more", format::duration(DAY_S - g))]),
        _ => plan.missing(["a day on which it works while the bank asks".to_owned()]),
    };
    plan.unless(against(
        findings,
        Some(&s.intent.name),
        &[Kind::NonContributingSource, Kind::ReversedCurrentSensor, Kind::YieldLoss],
    ))
}

fn speeds(w: &Worked, j: usize) -> Plan {
    const EACH_S: f64 = 1200.0;
    let (view, s, o) = (&w.view, &w.view.sources[j], &w.opportunity[j]);
    // Idle, cruising, fast: thirds of the span that the declared curve, or else the recording, has.
    let span = match (s.intent.curve.first(), s.intent.curve.last()) {
        (Some(a), Some(b)) if b.0 > a.0 => Some((a.0, b.0)),
        _ => {
            let running = || s.engine_speed.iter().copied().filter(|n| *n > 300.0);
            stats::quantile(running(), 0.02).zip(stats::quantile(running(), 0.98)).filter(|(a, b)| b - a > 300.0)
        }
    };
    let at = |third: usize| -> f64 {
        let Some((a, b)) = span else { return 0.0 };
        let (low, high) = (a + (b - a) * third as f64 / 3.0, a + (b - a) * (third + 1) as f64 / 3.0);
        let inside = |k: &usize| o.open[*k] && s.gives[*k] && (low..=high).contains(&s.engine_speed[*k]);
        (0..view.grid.len).filter(inside).count() as f64 * view.grid.step_s()
    };
    let thirds = [at(0), at(1), at(2)];
    let enough = thirds.iter().filter(|t| **t >= EACH_S).count();
    let plan = test(TestKind::EngineSpeeds, format!("{} at three engine speeds", format::plain(&s.intent.name)), [name(w, j)])
        .purpose("An alternator owes another current at every speed; its maker's curve is the promise.")
        .before("the bank at 80 % or less; water to sail in, and a second person at the helm")
        .step("Hold a low, a middle and a high speed for twenty minutes each, nothing else charging.")
        .accept("Twenty minutes at each; the currents lie on the maker's curve (`curve` in the intent), hot output being 75 to 90 % of cold.")
        .stop("its case above 120 °C")
        .caution("Never switch the battery off while it charges: field off first, then open.");
    if s.engine_speed.iter().all(|n| n.is_nan()) {
        return plan
            .stands(Coverage::ToSail, "the engine's speed was not heard")
            .missing(["`engine_speed` of this source in the intent".to_owned()]);
    }
    let words = format!(
        "{} low, {} middle, {} high",
        format::duration(thirds[0]),
        format::duration(thirds[1]),
        format::duration(thirds[2])
    );
    match enough {
        3 => plan.stands(Coverage::Covered, words),
        _ if thirds.iter().sum::<f64>() >= 60.0 => plan
            .stands(Coverage::Begun, words)
            .missing([format!("twenty minutes at {} more of the three speeds", 3 - enough)]),
        _ => plan.missing(["twenty minutes at each of three speeds".to_owned()]),
    }
}

fn soak(w: &Worked, j: usize, findings: &[Finding]) -> Plan {
    let (view, s, o) = (&w.view, &w.view.sources[j], &w.opportunity[j]);
    let working = |k: usize| s.gives[k] && s.current[k] > 0.5 * s.intent.rated_a.min(o.could[k].max(1.0));
    let found = stretches(view.grid, working);
    let seen = longest_s(view.grid, &found);
    let ten = view.grid.cells(600.0);
    // Level heat at the end of a long stretch is as good as two hours.
    let level = found.iter().any(|&(a, b)| {
        let slope = (b - a >= 3 * ten).then(|| {
            let ends = |to: usize| stats::median(s.temperature[to - ten / 5..to].iter().copied());
            Some((ends(b)? - ends(b - ten)?).abs())
        });
        slope.flatten().is_some_and(|k| k < PLATEAU_K)
    });
    let hottest = s.temperature.iter().copied().fold(f64::NAN, f64::max);
    let plan = test(TestKind::HotSoak, format!("{} hot", format::plain(&s.intent.name)), [name(w, j)])
        .purpose("A hundred ampere cold may be sixty hot.")
        .before("the highest temperature around it that the design allows for, doors and hatches as at sea")
        .step("Let it give all it can for two hours, or until it warms by less than 1 K in ten minutes.")
        .accept("Its output stays at what the declared derating allows, and its temperature below its limit.")
        .stop(s.intent.max_c.map_or("its temperature above the maker's limit".to_owned(), |c| {
            format!("its temperature above {}", format::setting(c, "degC"))
        }))
        .with("longest_s", seen, 0)
        .with("temperature_max_c", hottest, 1);
    if s.intent.signals.temperature.is_none() || hottest.is_nan() {
        return plan
            .stands(if seen >= SOAK_S { Coverage::Begun } else { Coverage::ToSail }, "its temperature was not heard")
            .missing(["its temperature as a signal of the intent, or readings by hand".to_owned()]);
    }
    let words = format!("{} of work at a stretch, up to {}", format::duration(seen), format::celsius(hottest));
    let heat = [Kind::TemperatureExcursion, Kind::TemperatureRise, Kind::ThermalDerating];
    let plan = match seen {
        t if t >= SOAK_S || level => {
            plan.stands(Coverage::Covered, if level { format!("{words}, level at the end") } else { words })
        }
        t if t >= 600.0 => plan
            .stands(Coverage::Begun, words)
            .missing(["two hours at a stretch, or a temperature that stands still".to_owned()]),
        _ => plan.missing(["two hours of full output at a stretch".to_owned()]),
    };
    plan.unless(against(findings, Some(&s.intent.name), &heat))
}

fn drop(w: &Worked, j: usize, findings: &[Finding]) -> Plan {
    let (view, s) = (&w.view, &w.view.sources[j]);
    let rated = s.intent.set_a.unwrap_or(s.intent.rated_a);
    let both = |k: &usize| s.voltage[*k].is_finite() && view.voltage[*k].is_finite() && s.current[*k].is_finite();
    let most = stats::quantile((0..view.grid.len).filter(both).map(|k| s.current[k]), 0.99).unwrap_or(0.0);
    let plan = test(TestKind::VoltageDrop, format!("voltage drop from {} to the bank", format::plain(&s.intent.name)), [name(w, j)])
        .purpose("A charger that senses at its own terminals stops early by what the cable takes.")
        .step("At more than a third of rated current read the volts at its terminals and at the bank within the same minute.")
        .accept("Scaled to rated current no more than 3 % of nominal voltage is lost, or what the design says (ABYC E-11, from memory).")
        .caution("Readings on live copper are for a qualified person.")
        .with("highest_current_a", most, 1);
    let plan = match most {
        _ if s.intent.signals.voltage.is_none() => plan
            .stands(Coverage::ToSail, "its own terminal voltage is no signal of the intent")
            .missing(["its terminal voltage as a signal, or readings by hand".to_owned()]),
        a if a >= rated / 3.0 => {
            plan.stands(Coverage::Covered, format!("both voltages were heard up to {}", format::amps(a)))
        }
        a if a > 0.05 * rated => plan
            .stands(Coverage::Begun, format!("both voltages were heard up to {} only", format::amps(a)))
            .missing([format!("a third of its rated current, {}", format::amps(rated / 3.0))]),
        _ => plan.missing(["current, while both voltages are heard".to_owned()]),
    };
    let cable =
        findings.iter().find(|f| f.source.as_deref() == Some(&s.intent.name) && f.cause == Some(Cause::VoltageDrop));
    plan.unless(against(findings, Some(&s.intent.name), &[Kind::VoltageDrop]).or(cable))
}

fn restart(w: &Worked, j: usize, findings: &[Finding]) -> Plan {
    const AGAIN_S: f64 = 300.0;
    const TIMES: usize = 3;
    let (view, s, o) = (&w.view, &w.view.sources[j], &w.opportunity[j]);
    let (minute, again) = (view.grid.cells(60.0), view.grid.cells(AGAIN_S));
    let (mut away, mut returns, mut resumed) = (0, 0, 0);
    // It charged within the five minutes before its supply went: coming alive for the first time is no return.
    let (mut since, mut worked) = (usize::MAX, false);
    for k in 0..view.grid.len {
        since = if s.gives[k] { 0 } else { since.saturating_add(1) };
        match s.input[k] {
            Input::Absent => {
                if away == 0 {
                    worked = since <= again;
                }
                away += 1;
            }
            Input::Present => {
                let window = k..(k + again).min(view.grid.len);
                // Asked, and seen for long enough to say that it did not.
                let asked = window.len() == again && window.clone().filter(|c| o.open[*c]).count() * 2 > again;
                if away >= minute && worked && (window.clone().any(|c| s.gives[c]) || asked) {
                    returns += 1;
                    resumed += usize::from(window.clone().any(|c| s.gives[c]));
                }
                away = 0;
            }
            Input::Unknown => {}
        }
    }
    let plan = test(
        TestKind::Restart,
        format!("{} after its supply was lost", format::plain(&s.intent.name)),
        [name(w, j)],
    )
    .purpose("A supply that blinks must not end the charge for the night.")
    .before("nothing that must not lose its supply hangs on it")
    .step("While it charges, take its supply away for a minute and give it back; three times.")
    .accept("Each time it charges again within five minutes while the bank asks.")
    .caution(
        "Switch at the breaker that is meant for it, never by pulling plugs under load; AC is for licensed people.",
    )
    .with("returns", returns as f64, 0)
    .with("resumed", resumed as f64, 0);
    let words =
        format!("its supply came back {}, and it charged again within five minutes {}", times(returns), times(resumed));
    let plan = match (returns, resumed) {
        (0, _) => plan.missing(["three returns of its supply".to_owned()]),
        (n, r) if r < n => {
            plan.stands(Coverage::Failed, words).missing(["whether it has to be started by hand".to_owned()])
        }
        (n, _) if n >= TIMES => plan.stands(Coverage::Covered, words),
        (n, _) => plan.stands(Coverage::Begun, words).missing([format!("{} more", TIMES - n)]),
    };
    plan.unless(against(findings, Some(&s.intent.name), &[Kind::FailedToRestart]))
}
