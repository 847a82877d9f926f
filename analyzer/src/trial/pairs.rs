//! Tests of several sources on one DC bus: together, one after the other, and when one of them stops.

use super::build::{Plan, test};
use super::held::{best_window, longest_s, stretches};
use super::{Finding, against};
use crate::analyze::Worked;
use crate::cause::experiments;
use crate::report::format;
use ampwake_schemas::findings::{Cause, Kind};
use ampwake_schemas::trial::{Coverage, TestKind};

/// How long they have to give together, s.
const TOGETHER_S: f64 = 1800.0;
/// A second source joins within two minutes ...
const JOIN_S: f64 = 120.0;
/// ... and stays for ten.
const STAY_S: f64 = 600.0;
/// One that has not joined after a quarter of an hour of being asked is held off.
const PATIENCE_S: f64 = 900.0;

/// The tests of this bank's sources with each other.
pub(super) fn tests(w: &Worked, findings: &[Finding]) -> Vec<Plan> {
    let steady: Vec<usize> =
        (0..w.view.sources.len()).filter(|j| !w.view.sources[*j].intent.kind.depends_on_weather()).collect();
    if steady.len() < 2 {
        return Vec::new();
    }
    let mut out = vec![together(w, &steady, findings)];
    for (n, a) in steady.iter().enumerate() {
        out.extend(steady[n + 1..].iter().map(|b| join(w, *a, *b, findings)));
    }
    out.push(take_over(w, &steady));
    out
}

fn names(w: &Worked, of: &[usize]) -> Vec<String> {
    of.iter().map(|j| w.view.sources[*j].intent.name.clone()).collect()
}

fn listed(names: &[String]) -> String {
    let plain: Vec<String> = names.iter().map(|n| format::plain(n)).collect();
    match plain.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        Some((last, _)) => last.clone(),
        None => String::new(),
    }
}

fn together(w: &Worked, steady: &[usize], findings: &[Finding]) -> Plan {
    let view = &w.view;
    let names = names(w, steady);
    let all = |k: usize| steady.iter().all(|j| w.opportunity[*j].open[k]);
    let found = stretches(view.grid, all);
    let seen = longest_s(view.grid, &found);
    let sum = |of: &dyn Fn(usize) -> f64| steady.iter().map(|j| of(*j)).sum::<f64>();
    let given = |k: usize| sum(&|j| view.sources[j].current[k]);
    let due = |k: usize| sum(&|j| w.opportunity[j].could[k]);
    let best = best_window(&found, view.grid.cells(TOGETHER_S), given, due);
    let plan = test(TestKind::SourcesTogether, "all sources together".to_owned(), names.iter().cloned())
        .purpose("On paper their currents add up; this shows whether they do.")
        .before("the bank at 60 % or less, cells within their limits")
        .before("every source covered by its test alone")
        .step(format!("Start {} and let all give for half an hour.", listed(&names)))
        .accept("Over half an hour they give together at least 95 % of what they owe, or of the bank's limit, and each gives for nine tenths of the time.")
        .stop("the bank's current above its limit")
        .caution("AC sources have to carry all chargers at once: know their breakers' ratings before.")
        .with("all_asked_longest_s", seen, 0);
    match best {
        Some((gave, due, at)) => {
            let u = 2.0 * steady.iter().map(|j| view.u_current(view.sources[*j].intent.rated_a)).fold(0.0, f64::hypot);
            let window = at..at + view.grid.cells(TOGETHER_S);
            let share = |j: &&usize| {
                window.clone().filter(|k| view.sources[**j].gives[*k]).count() as f64 / window.len() as f64
            };
            let idle: Vec<usize> = steady.iter().filter(|j| share(j) < 0.9).copied().collect();
            let enough = gave + u >= 0.95 * due && idle.is_empty();
            let mut words = format!(
                "they held {} together, of {} that they owed",
                format::with_uncertainty(gave, u, "A"),
                format::amps(due)
            );
            if !idle.is_empty() {
                let s = if idle.len() == 1 { "s" } else { "" };
                words.push_str(&format!(
                    "; {} stand{s} aside for more than a tenth of it",
                    listed(&self::names(w, &idle))
                ));
            }
            let plan = plan.with("held_a", gave, 1).with("owed_a", due, 1);
            let plan = plan.stands(if enough { Coverage::Covered } else { Coverage::Failed }, words);
            if enough {
                plan
            } else {
                plan.missing(["its cause: see the findings about them in the report".to_owned()])
            }
        }
        None if seen >= 60.0 => plan
            .stands(
                Coverage::Begun,
                format!("all had their input and were asked for {} at the most", format::duration(seen)),
            )
            .missing([format!("{} more, with all of them fed", format::duration(TOGETHER_S - seen))]),
        None => plan.missing(["half an hour in which all have their input and the bank asks for all".to_owned()]),
    }
    .unless(against(findings, None, &[Kind::OverCurrent]))
}

/// What one order of starting came to.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Order {
    /// The second gave within this many seconds of being asked, and stayed.
    Joined(f64),
    /// It was asked for a quarter of an hour and gave nothing.
    HeldOff,
    Unseen,
}

/// What `second` did when it came to have its input while `first` gave.
fn order(w: &Worked, first: usize, second: usize) -> Order {
    let view = &w.view;
    let (a, b, open) = (&view.sources[first], &view.sources[second], &w.opportunity[second].open);
    let (minute, stay, patience) = (view.grid.cells(60.0), view.grid.cells(STAY_S), view.grid.cells(PATIENCE_S));
    let (mut gave, mut asked, mut idle) = (0, 0, 0);
    let mut best = Order::Unseen;
    for (k, wanted) in open.iter().enumerate() {
        gave = if a.gives[k] { gave + 1 } else { 0 };
        if gave < minute || b.current[k].is_nan() {
            asked = 0;
        } else if !b.gives[k] {
            asked += usize::from(*wanted);
            if asked >= patience && best == Order::Unseen {
                best = Order::HeldOff;
            }
        } else if idle > 0 {
            let stays = k + stay <= view.grid.len
                && (k..k + stay).filter(|c| b.gives[*c] && a.gives[*c]).count() * 10 > stay * 8;
            if stays && asked > 0 {
                let s = asked as f64 * view.grid.step_s();
                best = match best {
                    Order::Joined(t) => Order::Joined(t.min(s)),
                    _ => Order::Joined(s),
                };
            }
            asked = 0;
        }
        idle = if b.gives[k] { 0 } else { idle + 1 };
    }
    best
}

fn join(w: &Worked, a: usize, b: usize, findings: &[Finding]) -> Plan {
    let view = &w.view;
    let pair = names(w, &[a, b]);
    let (ab, ba) = (order(w, a, b), order(w, b, a));
    let plan = test(TestKind::PairJoin, format!("{} start one after the other", listed(&pair)), pair.iter().cloned())
        .purpose("A charger that sees the bus held up by another takes the bank for full; the order decides, so both are tried.")
        .before("the bank at 70 % or less; the DC bus above the second's float voltage while the first gives")
        .step(format!("Start {}; five minutes later {}; let both give for ten minutes.", format::plain(&pair[0]), format::plain(&pair[1])))
        .step("Stop both, wait five minutes, and do it in the other order.")
        .accept("In both orders the second gives within two minutes and goes on for ten.");
    let words = |first: &str, second: &str, o: Order| match o {
        Order::Joined(s) => {
            format!("{} after {} joined in {}", format::plain(second), format::plain(first), format::duration(s))
        }
        Order::HeldOff => format!(
            "{} was asked for a quarter of an hour beside {} and gave nothing",
            format::plain(second),
            format::plain(first)
        ),
        Order::Unseen => format!("{} after {} was not seen", format::plain(second), format::plain(first)),
    };
    let seen = format!("{}; {}", words(&pair[0], &pair[1], ab), words(&pair[1], &pair[0], ba));
    let done = |o: Order| matches!(o, Order::Joined(s) if s <= JOIN_S);
    let held = |o: Order| matches!(o, Order::HeldOff) || matches!(o, Order::Joined(s) if s > PATIENCE_S);
    let missing: Vec<String> = [(ab, 0, 1), (ba, 1, 0)]
        .iter()
        .filter(|(o, ..)| !done(*o))
        .map(|(_, f, s)| format!("{} started while {} gives", format::plain(&pair[*s]), format::plain(&pair[*f])))
        .collect();
    let plan = match (ab, ba) {
        _ if held(ab) || held(ba) => plan.stands(Coverage::Failed, seen).missing(missing),
        _ if done(ab) && done(ba) => plan.stands(Coverage::Covered, seen),
        (Order::Unseen, Order::Unseen) => plan.missing(missing),
        _ => plan.stands(Coverage::Begun, seen).missing(missing),
    };
    let held_off = findings.iter().find(|f| {
        matches!(f.cause, Some(Cause::HeldOffByBusVoltage | Cause::LinkLost))
            && f.source.as_ref().is_some_and(|s| pair.contains(s))
            && view.sources.len() == 2
    });
    plan.unless(held_off)
}

fn take_over(w: &Worked, steady: &[usize]) -> Plan {
    let view = &w.view;
    let (mut answered, mut silent) = (0_u32, 0_u32);
    for j in steady {
        let stops = experiments(view, *j, &w.opportunity[*j].open).into_iter().filter(|e| e.stopped && !e.held);
        for e in stops {
            match e.answered_after_s {
                Some(s) if s <= JOIN_S => answered += 1,
                _ => silent += 1,
            }
        }
    }
    let plan = test(TestKind::OthersTakeOver, "the others go on when one stops".to_owned(), names(w, steady))
        .purpose("One source that stops must not leave the others waiting for a voltage that never comes.")
        .before("two sources fed, one of them giving and the other idle or tapering; the bank at 90 % or less")
        .step("Stop the one that gives, by its own switch, and watch for five minutes.")
        .accept("Another gives within two minutes.")
        .with("stops_answered", f64::from(answered), 0)
        .with("stops_unanswered", f64::from(silent), 0);
    let words = format!("{answered} stops answered within two minutes, {silent} not");
    match (answered, silent) {
        (0, 0) => plan.missing(["one source stopped by hand while another stands ready".to_owned()]),
        (_, 0) => plan.stands(Coverage::Covered, words),
        _ => plan
            .stands(Coverage::Failed, words)
            .missing(["what the one that did not start waits for: its re-bulk voltage".to_owned()]),
    }
}
