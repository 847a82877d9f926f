//! The figures over many voyages and the tables of what was taken for what, as Markdown to keep beside the code.

use super::{Outcome, Plot, Score, Tally};
use ampwake_schemas::findings::{Cause, Stage};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// The whole page; `options` are those of the command that sailed them.
pub fn table(tally: &Tally, options: &str) -> String {
    let scores: Vec<(Plot, &Score)> = tally.scores().collect();
    let mut out = String::from("# Score of the analysis on simulated voyages\n\n");
    let healthy = scores.iter().filter(|s| s.0 == Plot::Healthy).count();
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "Written by `cargo run --release -p ampwake-tests --bin voyages -- {options}`: {} \
         voyages, {healthy} of them healthy. Vessels, devices and troubles are invented, and the physics are those of the \
         project's own model, so this shows what a change does and not what a vessel at sea will see.\n",
        scores.len()
    );
    figures(&mut out, &scores);
    causes(&mut out, &scores);
    stages(&mut out, &scores);
    out
}

fn figures(out: &mut String, scores: &[(Plot, &Score)]) {
    let all = || scores.iter().map(|s| s.1);
    let mut line = |name: &str, value: String| {
        let _ = writeln!(out, "| {name} | {value} |");
    };
    line("figure", "value".into());
    line("---", "---".into());
    let seconds = all().map(|s| s.figures.stage_seconds).fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
    line("right stage, all session seconds more than 30 s from a true edge", percent(seconds.0, seconds.1));
    let strict = all().filter(|s| s.stages_counted > 0.0).map(|s| s.stages * s.stages_counted).sum::<f64>();
    line("the same where the stage is beyond argument", percent(strict, all().map(|s| s.stages_counted).sum()));
    let edges: Vec<Option<f64>> = all().flat_map(|s| s.figures.edges.iter().copied()).collect();
    let found: Vec<f64> = edges.iter().flatten().copied().collect();
    line("edges of stages found", percent(found.len() as f64, edges.len() as f64));
    line("their distance from the true ones, half and nine tenths", quantiles(&found, "s", 0));
    let causes: Vec<_> = all().flat_map(|s| s.figures.causes.iter().copied()).collect();
    let (owed, told) = (causes.iter().filter(|c| c.0.is_some()), causes.iter().filter(|c| c.1.is_some()));
    let hit = causes.iter().filter(|c| c.0.is_some() && c.1.is_some()).count() as f64;
    line("lack of contribution, recall", percent(hit, owed.count() as f64));
    line("lack of contribution, precision", percent(hit, told.count() as f64));
    let right = causes.iter().filter(|c| c.0.is_some() && c.0 == c.1).count() as f64;
    let unknown = causes.iter().filter(|c| c.0.is_some() && c.1 == Some(Cause::Unknown)).count() as f64;
    line("cause right", percent(right, hit));
    line("cause unknown", percent(unknown, hit));
    let hot = |s: &&(Plot, &Score)| s.0 == Plot::TooHot;
    let excursions = scores.iter().filter(hot).filter(|s| s.1.outcome == Outcome::Found).count();
    line("temperature excursions, recall", percent(excursions as f64, scores.iter().filter(hot).count() as f64));
    let well = || scores.iter().filter(|s| s.0 == Plot::Healthy).map(|s| &s.1.figures);
    let (false_cautions, days) = (well().map(|f| f.false_cautions).sum::<usize>(), well().map(|f| f.days).sum::<f64>());
    line("false cautions on healthy vessels", format!("{false_cautions} in {days:.1} days"));
    line("false cautions on the others", all().map(|s| s.figures.false_cautions).sum::<usize>().to_string());
    let errors = |of: Vec<f64>| quantiles(&of.iter().map(|e| 100.0 * e.abs()).collect::<Vec<_>>(), "%", 2);
    let sources = all().flat_map(|s| &s.sources).filter(|c| c.truth > 5.0).map(super::Charge::error);
    line("charge of measured sources, off by (with what their sensors are off by)", errors(sources.collect()));
    line("charge of banks, off by", errors(all().map(|s| s.bank.error()).collect()));
    let resistance: Vec<f64> = all().filter_map(|s| s.figures.resistance_error).collect();
    line("resistance, voyages with a figure", percent(resistance.len() as f64, scores.len() as f64));
    line("resistance, off by", errors(resistance));
    let short = all().filter(|s| !s.faults().is_empty()).count();
    line("voyages that fall short in anything", format!("{short} of {}", scores.len()));
}

fn percent(part: f64, of: f64) -> String {
    if of > 0.0 { format!("{:.1} % ({part:.0} of {of:.0})", 100.0 * part / of) } else { "-".into() }
}

fn quantiles(values: &[f64], unit: &str, decimals: usize) -> String {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = |q: f64| sorted.get(((sorted.len() as f64 * q).ceil() as usize).saturating_sub(1));
    match (at(0.5), at(0.9)) {
        (Some(half), Some(most)) => format!("{half:.decimals$} {unit}, {most:.decimals$} {unit}"),
        _ => "-".into(),
    }
}

/// What was taken for what: true causes down, found causes across, numbers of sources.
fn causes(out: &mut String, scores: &[(Plot, &Score)]) {
    let word = |c: Option<Cause>| c.map_or("nothing", Cause::text);
    let mut cells: BTreeMap<(&str, &str), f64> = BTreeMap::new();
    for (truth, found) in scores.iter().flat_map(|s| s.1.figures.causes.iter().copied()) {
        *cells.entry((word(truth), word(found))).or_default() += 1.0;
    }
    confusion(out, "Causes (sources)", &cells);
}

/// The same of stages, in minutes.
fn stages(out: &mut String, scores: &[(Plot, &Score)]) {
    let mut cells: BTreeMap<(&str, &str), f64> = BTreeMap::new();
    for (truth, found, seconds) in scores.iter().flat_map(|s| s.1.figures.confusion.iter().copied()) {
        *cells.entry((Stage::text(truth), Stage::text(found))).or_default() += seconds / 60.0;
    }
    confusion(out, "Stages (minutes)", &cells);
}

fn confusion(out: &mut String, title: &str, cells: &BTreeMap<(&str, &str), f64>) {
    let mut across: Vec<&str> = cells.keys().map(|k| k.1).collect();
    across.sort_unstable();
    across.dedup();
    let mut down: Vec<&str> = cells.keys().map(|k| k.0).collect();
    down.dedup();
    let _ = writeln!(out, "\n## {title}\n\nTrue down, found across.\n\n| | {} |", across.join(" | "));
    let _ = writeln!(out, "|---|{}", "---|".repeat(across.len()));
    for truth in down {
        let row: Vec<String> = across
            .iter()
            .map(|found| cells.get(&(truth, *found)).map_or(String::new(), |n| format!("{n:.0}")))
            .collect();
        let _ = writeln!(out, "| {truth} | {} |", row.join(" | "));
    }
}
