//! Tests of the AC side: limits with all chargers on, the generator's load, transfer, and loops of energy.

use super::build::{Plan, test};
use super::held::{longest_s, stretches};
use super::sources::times;
use super::{Finding, Whole, against};
use crate::analyze::Worked;
use crate::breaker;
use crate::report::format;
use crate::series::Grid;
use crate::stats;
use ampwake_schemas::findings::Kind;
use ampwake_schemas::intent::{AcSource, AcSourceKind};
use ampwake_schemas::trial::{Coverage, TestKind};

/// How long all chargers of a supply have to give together, s.
const TOGETHER_S: f64 = 600.0;
/// At each band of a generator's load, s.
const BAND_S: f64 = 900.0;

/// The supplies that feed this bank's chargers: do they carry all of them at once?
pub(super) fn of_bank(w: &Worked, findings: &[Finding]) -> Vec<Plan> {
    let supplies = w.view.vessel.ac_sources.iter().filter(|a| a.limit_a.is_some());
    supplies.filter_map(|a| limit(w, a, findings)).collect()
}

fn limit(w: &Worked, a: &AcSource, findings: &[Finding]) -> Option<Plan> {
    let view = &w.view;
    let fed: Vec<usize> =
        (0..view.sources.len()).filter(|j| view.sources[*j].intent.fed_by.as_ref() == Some(&a.name)).collect();
    let limit = a.limit_a.filter(|_| !fed.is_empty())?;
    let found = stretches(view.grid, |k| fed.iter().all(|j| view.sources[*j].gives[k]));
    let seen = longest_s(view.grid, &found);
    let plan = test(TestKind::AcLimit, format!("{} with all its chargers", format::plain(&a.name)), [a.name.clone()])
        .purpose("Each charger fits its supply; whether all of them do is another question.")
        .before("the other consumers of that supply known and noted as a mark")
        .step("Let all chargers on it give all they can for ten minutes, with the loads that usually run.")
        .accept(format!(
            "Its current stays below {} (breaker or rating), and nothing trips.",
            format::setting(limit, "A")
        ))
        .stop("a breaker or cable that gets hot")
        .caution("Work on AC is for licensed people.")
        .with("all_giving_longest_s", seen, 0)
        .with("limit_a", limit, 1);
    let exceeded = findings.iter().find(|f| {
        f.cause == Some(ampwake_schemas::findings::Cause::InputLimited)
            && f.source.as_ref().is_some_and(|s| fed.iter().any(|j| view.sources[*j].intent.name == *s))
    });
    let plan = if !a.signals.contains_key("current") {
        plan.stands(
            if seen >= TOGETHER_S { Coverage::Begun } else { Coverage::ToSail },
            "its current is no signal of the intent",
        )
        .missing(["its current as a signal, or a reading by hand while all give".to_owned()])
    } else if seen >= TOGETHER_S {
        plan.stands(Coverage::Covered, format!("all its chargers gave together for {}", format::duration(seen)))
    } else if seen >= 60.0 {
        plan.stands(Coverage::Begun, format!("all its chargers gave together for {}", format::duration(seen)))
            .missing([format!("{} more", format::duration(TOGETHER_S - seen))])
    } else {
        plan.missing(["ten minutes with all of its chargers giving".to_owned()])
    };
    Some(plan.unless(exceeded))
}

/// Every AC source and every two of them.
pub(super) fn of_vessel(whole: &Whole) -> Vec<Plan> {
    let sources = &whole.intent.ac_sources;
    let mut out: Vec<Plan> = sources
        .iter()
        .filter(|a| a.kind == AcSourceKind::Genset && a.limit_a.is_some() && a.nominal_v.is_some())
        .filter_map(|a| genset(whole, a))
        .collect();
    for (n, a) in sources.iter().enumerate() {
        out.extend(sources[n + 1..].iter().map(|b| transfer(whole, a, b)));
    }
    out.extend(loops(whole));
    out
}

fn genset(whole: &Whole, a: &AcSource) -> Option<Plan> {
    let full = a.limit_a? * a.nominal_v?;
    let plan = test(TestKind::GensetLoad, format!("{} at four loads", format::plain(&a.name)), [a.name.clone()])
        .purpose("What a generator burns per kilowatt-hour, and whether it is ever loaded enough, is the core of a serial hybrid.")
        .before("the generator warm, its fuel measured by flow or by mass")
        .step("Hold about 30, 50, 75 and 100 % of its rating for a quarter of an hour each, by the chargers' own limits.")
        .accept("A quarter of an hour in each band; voltage and frequency inside their limits; fuel per kilowatt-hour for the design's own requirement.")
        .stop("overheating, smoke, or frequency below 95 % of nominal");
    let Some(power) = a.signals.get("power") else {
        return Some(
            plan.stands(Coverage::ToSail, "its power is no signal of the intent")
                .missing(["its `power` as a signal".to_owned()]),
        );
    };
    let grid = Grid::over(whole.period.start.millis(), whole.period.end.millis());
    let watts = grid.means(&whole.recording.signal(power));
    // The bands' middles are 30, 50, 75 and 100 %; their edges lie half way between.
    const EDGES: [f64; 5] = [0.2, 0.4, 0.625, 0.875, 1.1];
    let in_band = |n: usize| {
        watts.iter().filter(|p| (EDGES[n]..EDGES[n + 1]).contains(&(**p / full))).count() as f64 * grid.step_s()
    };
    let bands = [0, 1, 2, 3].map(in_band);
    let done = bands.iter().filter(|s| **s >= BAND_S).count();
    let words = format!(
        "{} at about 30 %, {} at 50 %, {} at 75 %, {} at full load",
        format::duration(bands[0]),
        format::duration(bands[1]),
        format::duration(bands[2]),
        format::duration(bands[3])
    );
    Some(match done {
        4 => plan.stands(Coverage::Covered, words),
        _ if bands.iter().sum::<f64>() >= 60.0 => plan
            .stands(Coverage::Begun, words)
            .missing([format!("a quarter of an hour in {} more of the four bands", 4 - done)]),
        _ => plan.missing(["a quarter of an hour in each of four bands of load".to_owned()]),
    })
}

fn transfer(whole: &Whole, a: &AcSource, b: &AcSource) -> Plan {
    let together = a.parallel && b.parallel;
    let title = format!("from {} to {} and back", format::plain(&a.name), format::plain(&b.name));
    let plan = test(TestKind::AcTransfer, title, [a.name.clone(), b.name.clone()])
        .before("what must not lose its supply is off or has one of its own")
        .accept(if together {
            "The breaker closes only while voltage, frequency and phase lie within the maker's window (commonly 5 to 10 %, 0.2 to 0.3 Hz, 10 to 20 degrees)."
        } else {
            "The first opens before the second closes, and voltage and frequency are inside their limits for half a minute before the load comes on."
        })
        .purpose(if together { "Two sources on one bus have to agree before they are joined." } else { "Two AC sources that meet destroy each other." })
        .step(if together {
            "Let the synchronising equipment join them, three times, under the eyes of a licensed electrician."
        } else {
            "Let the transfer switch change over, three times in each direction."
        })
        .caution("Never join two AC sources by hand, and never to see what happens; only equipment made for it does, and a log of voltage and frequency cannot show the phase at the moment of closing.")
        .stop("any sign that both feed at once");
    let signals = [a, b].map(|s| s.signals.get("breaker"));
    let plan = match signals {
        [Some(x), Some(y)] if x.address != y.address => {
            let closings =
                [x, y].map(|s| breaker::changes(&whole.recording.signal(s)).iter().filter(|c| c.closed).count());
            let least = closings[0].min(closings[1]);
            let words = format!(
                "{} closed {}, {} {}",
                format::plain(&a.name),
                times(closings[0]),
                format::plain(&b.name),
                times(closings[1])
            );
            let plan = plan.with("closings", (closings[0] + closings[1]) as f64, 0);
            match (least, closings[0] + closings[1]) {
                (3.., _) => plan.stands(Coverage::Covered, words),
                (_, 1..) => plan.stands(Coverage::Begun, words).missing(["three changes in each direction".to_owned()]),
                _ => plan.missing(["three changes in each direction".to_owned()]),
            }
        }
        _ => {
            plan.stands(Coverage::ToSail, "the intent does not name a breaker signal for each of the two")
                .missing(["`breaker` among the signals of both, or a licensed person's signature under the interlock"
                    .to_owned()])
        }
    };
    plan.unless(against(whole.findings, None, &[Kind::AcParallel]))
}

/// An inverter that could feed the charger of its own bank.
fn loops(whole: &Whole) -> Vec<Plan> {
    let inverters: Vec<&AcSource> =
        whole.intent.ac_sources.iter().filter(|a| a.kind == AcSourceKind::Inverter).collect();
    let chargers: Vec<&str> =
        whole.intent.sources.iter().filter(|s| s.kind.is_ac_fed()).map(|s| s.name.as_str()).collect();
    if chargers.is_empty() {
        return Vec::new();
    }
    inverters
        .into_iter()
        .map(|a| {
            let volts = a.signals.get("voltage").map(|s| whole.recording.signal(s));
            let ran = volts.is_some_and(|v| stats::quantile(v.points().map(|p| p.1), 0.95).is_some_and(|v| v > 50.0));
            let plan =
                test(TestKind::EnergyLoop, format!("no charger on {}", format::plain(&a.name)), [a.name.clone()])
                    .purpose("An inverter that feeds the charger of its own bank warms the boat and empties the bank.")
                    .step("Shore power and generator off, inverter on: see that no charger starts, for ten minutes.")
                    .accept("No charger gives current while the inverter is the only AC source.");
            let plan = if ran {
                plan.stands(Coverage::Begun, "the inverter ran while this was recorded")
                    .missing(["ten minutes with the inverter as the only AC source, noted as a mark".to_owned()])
            } else {
                plan.missing(["ten minutes with the inverter as the only AC source".to_owned()])
            };
            plan.unless(against(whole.findings, None, &[Kind::EnergyLoop]))
        })
        .collect()
}
