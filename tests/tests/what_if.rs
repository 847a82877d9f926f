//! What a session would have been with the missing source in, through the whole program: held against the same voyage
//! sailed with that source on, on banks as they are usual and on worn ones, which answer later than the fit knows.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::demo::Trace;
use ampwake_analyzer::model::Curve;
use ampwake_schemas::time::Timestamp;
use ampwake_tests::voyages::{Plot, Vessels, Voyage, analyse};

/// Ampere-hours into the bank over these seconds.
fn charge(trace: &Trace, from: usize, to: usize) -> f64 {
    trace.instants[from..to.min(trace.instants.len())].iter().map(|i| i.plant.bank.0 / 3600.0).sum()
}

/// Minutes from second `from` until `goal` Ah are in.
fn minutes(trace: &Trace, from: usize, goal: f64) -> Option<f64> {
    let mut sum = 0.0;
    let reached = trace.instants[from..].iter().position(|i| {
        sum += i.plant.bank.0 / 3600.0;
        sum >= goal
    });
    reached.map(|s| s as f64 / 60.0)
}

#[test]
fn the_answer_holds_in_the_voyage_in_which_the_source_was_on() {
    let (mut answers, mut wrong) = (0, Vec::new());
    for vessels in [Vessels::Ordinary, Vessels::Rough] {
        for seed in 1..=5 {
            let voyage = Voyage::on(Plot::SwitchedOff, seed, vessels);
            let folder = tempfile::tempdir().unwrap();
            let analysis = analyse(&voyage, folder.path());
            let Some(off) = voyage.expected.first().and_then(|e| e.source.clone()) else { continue };
            let mut told = analysis.findings.findings.iter().filter(|f| f.source.as_ref() == Some(&off));
            let Some(f) = told.find(|f| f.evidence.contains_key("with_it_min")) else { continue };
            let figure = |name: &str| f.evidence[name].as_f64().unwrap();
            let since = Timestamp::parse_rfc3339(f.evidence["with_it_since"].as_str().unwrap()).unwrap();
            let from = since.seconds_since(voyage.trace.start) as usize;
            let mut scenario = voyage.scenario.clone();
            let j = scenario.sources.iter().position(|s| s.name == off).unwrap();
            scenario.sources[j].on = Curve::constant(1.0);
            let goal = charge(&voyage.trace, from, from + (60.0 * figure("without_it_min")) as usize);
            let Some(truth) = minutes(&scenario.sail(), from, goal) else { continue };
            answers += 1;
            let (said, u) = (figure("with_it_min"), figure("with_it_uncertainty_min"));
            if (said - truth).abs() > u + 1.0 {
                wrong.push(format!("{vessels:?} {seed}: {said} ± {u} min, in truth {truth:.0}; {}", f.summary));
            }
        }
    }
    // Twice the uncertainty holds nineteen times in twenty.
    assert!(answers >= 5, "{answers} answers only");
    assert!(wrong.len() <= 1, "{answers} answers, of which wrong: {wrong:#?}");
}
