//! The trial plan: which commissioning tests this vessel needs, by its intent, and what the recording has of each.
//!
//! Owes its reader: a test counts as covered only where the recording holds it; what can hurt is never asked to be
//! sailed, and what a recording cannot show is left to paper. The tests and their times are common practice, no source,
//! where none is named; the design's own figures govern.

mod ac;
mod bank;
mod build;
mod held;
mod over;
mod pairs;
mod recorder;
mod set_points;
mod sources;

use crate::analyze::Worked;
use crate::recording::Recording;
use crate::report::format;
use ampwake_schemas::findings::{DataQuality, Finding, Kind, Mark, Period, Severity, Verdict, VerdictWord};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::trial::{Coverage, SCHEMA, Test, TestKind, Trial};
use build::{Plan, test};
pub(crate) use over::over;

/// When to stop any test at once: the trade's usual limits (common practice, no source); the makers' own come first.
pub const STOP: [&str; 6] = [
    "smell, hiss, smoke or venting from anything",
    "a cell above its maker's limit of voltage, or of temperature for charging (45 °C for most lithium, 55 °C for titanate), or \
     charging below 0 °C",
    "a battery that warms by 2 K in a minute, or differs by 10 K between its sensors",
    "the bank above the battery maker's voltage",
    "an alternator's case above 120 °C",
    "AC voltage between parts that should be dead",
];

/// What one bank's analysis adds to the plan, from what was worked out for it and found so far.
pub(crate) struct OfBank {
    sensors: Vec<Plan>,
    sources: Vec<Plan>,
    pairs: Vec<Plan>,
    bank: Vec<Plan>,
    ac: Vec<Plan>,
}

/// The tests of one bank.
pub(crate) fn of_bank(w: &Worked, findings: &[Finding]) -> OfBank {
    OfBank {
        sensors: recorder::sensors(w, findings),
        sources: sources::tests(w, findings),
        pairs: pairs::tests(w, findings),
        bank: bank::tests(w, findings),
        ac: ac::of_bank(w, findings),
    }
}

/// What the whole plan rests on.
pub(crate) struct Whole<'a> {
    pub(crate) intent: &'a Intent,
    pub(crate) recording: &'a Recording,
    pub(crate) quality: &'a DataQuality,
    pub(crate) findings: &'a [Finding],
    pub(crate) verdicts: &'a [Verdict],
    pub(crate) marks: &'a [Mark],
    pub(crate) period: Period,
}

/// The plan of the vessel, in the order in which the tests are best made: what nothing can be believed without, then each
/// source, then several, then the bank, then AC, then the designer's own requirements.
pub(crate) fn plan(banks: Vec<OfBank>, whole: &Whole) -> Trial {
    let mut parts: [Vec<Plan>; 5] = Default::default();
    for b in banks {
        for (part, more) in parts.iter_mut().zip([b.sensors, b.sources, b.pairs, b.bank, b.ac]) {
            part.extend(more);
        }
    }
    let [sensors, sources, pairs, bank, ac] = parts;
    let first = recorder::tests(whole);
    let hands = recorder::hand_readings(whole);
    let supplies = ac::of_vessel(whole);
    let promised = whole.verdicts.iter().map(requirement);
    let all = first.into_iter().chain(sensors).chain(hands).chain(sources).chain(pairs).chain(bank).chain(ac);
    let tests: Vec<Test> =
        all.chain(supplies).chain(promised).zip(1..).map(|(plan, number)| plan.finish(number)).collect();
    Trial {
        schema: SCHEMA.to_owned(),
        vessel: whole.intent.vessel.name.clone(),
        period: whole.recording.period,
        generated: None,
        stop: STOP.iter().map(|s| (*s).to_owned()).collect(),
        open_points: open_points(&tests),
        tests,
        set_points: set_points::sheet(whole.intent),
        marks: whole.marks.to_vec(),
    }
}

fn requirement(v: &Verdict) -> Plan {
    let coverage = match v.verdict {
        VerdictWord::Met => Coverage::Covered,
        VerdictWord::NotMet => Coverage::Failed,
        VerdictWord::Undetermined => Coverage::Begun,
        VerdictWord::NotTested => Coverage::ToSail,
    };
    let missing: Vec<String> = match v.verdict {
        VerdictWord::Undetermined => vec!["a measurement whose uncertainty does not reach over the limit".to_owned()],
        VerdictWord::NotTested => vec![v.reason.clone()],
        _ => Vec::new(),
    };
    let seen = match v.measured {
        Some(y) => {
            let figure =
                v.uncertainty.map_or_else(|| format::quantity(y, &v.unit), |u| format::with_uncertainty(y, u, &v.unit));
            format!("{figure}, where the limit is {}: {}", format::setting(v.limit, &v.unit), v.reason)
        }
        None => v.reason.clone(),
    };
    test(TestKind::Requirement, format!("{}: {}", v.id, v.text), [v.id.clone()])
        .purpose("The design promises it.")
        .step("Bring about what the requirement speaks of, as the design describes it, and record it.")
        .accept("The measured value lies on the right side of the limit by more than its uncertainty.")
        .stands(coverage, seen)
        .missing(missing)
}

fn open_points(tests: &[Test]) -> Vec<String> {
    let open = |t: &&Test| t.standing.coverage != Coverage::Covered;
    tests
        .iter()
        .filter(open)
        .map(|t| {
            let s = &t.standing;
            let what = match s.coverage {
                Coverage::Failed => "failed",
                Coverage::Begun => "begun",
                Coverage::OnPaper => "to be shown on paper",
                _ => "still to sail",
            };
            let needs = t.missing.first().map_or(String::new(), |m| format!("; wanted: {m}"));
            format!("{}. {}: {what}{needs}", s.number, s.title)
        })
        .collect()
}

/// The first finding of these kinds about a source (or, without one, about the bank or vessel) that is at least a caution.
pub(crate) fn against<'f>(findings: &'f [Finding], source: Option<&str>, kinds: &[Kind]) -> Option<&'f Finding> {
    let about = |f: &&Finding| source.is_none() || f.source.as_deref() == source;
    findings.iter().filter(about).find(|f| f.severity >= Severity::Caution && kinds.contains(&f.kind))
}

#[cfg(test)]
mod tests;
