//! Many scores in one table.

use super::{Outcome, Plot, Score};
use std::collections::BTreeMap;
use std::io::{self, Write};

/// Scores by plot and seed.
#[derive(Debug, Default)]
pub struct Tally(BTreeMap<(Plot, u64), Score>);

impl Tally {
    /// One more.
    pub fn add(&mut self, plot: Plot, seed: u64, score: Score) {
        self.0.insert((plot, seed), score);
    }

    /// Every score with its plot.
    pub fn scores(&self) -> impl Iterator<Item = (Plot, &Score)> {
        self.0.iter().map(|((plot, _), score)| (*plot, score))
    }
}

/// Writes the table, the errors of what was measured, and every voyage that falls short with its seed.
///
/// # Errors
/// Those of `out`.
pub fn report(tally: &Tally, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{:<20}{:>9}{:>9}{:>9}{:>9}{:>14}", "plot", "voyages", "found", "wrong", "missed", "false blame")?;
    for plot in Plot::ALL {
        let scores: Vec<&Score> = tally.0.iter().filter(|((p, _), _)| *p == plot).map(|(_, s)| s).collect();
        if scores.is_empty() {
            continue;
        }
        let count = |test: &dyn Fn(&Score) -> bool| scores.iter().filter(|s| test(s)).count();
        let of = |outcome| count(&|s: &Score| s.outcome == outcome);
        let (found, wrong, missed) = (of(Outcome::Found), of(Outcome::Wrong), of(Outcome::Missed));
        let blamed = count(&|s: &Score| !s.blamed.is_empty());
        writeln!(out, "{plot:<20}{:>9}{found:>9}{wrong:>9}{missed:>9}{blamed:>14}", scores.len())?;
    }
    let scores = || tally.0.values();
    writeln!(out, "\n{:<34}{:>9}{:>9}{:>9}{:>9}", "", "half", "90 %", "99 %", "all")?;
    let sources = scores().flat_map(|s| &s.sources);
    // A source that gave next to nothing has no meaningful relative error.
    quantiles(
        out,
        "charge of sources, off by (%)",
        sources.filter(|c| c.truth > 5.0).map(|c| 100.0 * c.error().abs()),
    )?;
    quantiles(out, "charge of banks, off by (%)", scores().map(|s| 100.0 * s.bank.error().abs()))?;
    quantiles(
        out,
        "charge not delivered, off by (%)",
        scores().filter_map(|s| s.lost.as_ref()).map(|c| 100.0 * c.error().abs()),
    )?;
    quantiles(out, "time in another stage (%)", scores().map(|s| 100.0 * (1.0 - s.stages)))?;
    quantiles(out, "time whose stage is arguable (%)", scores().map(|s| 100.0 * (1.0 - s.stages_counted)))?;
    writeln!(out)?;
    for ((plot, seed), score) in &tally.0 {
        for fault in score.faults() {
            writeln!(out, "{plot} {seed}: {fault}")?;
        }
    }
    Ok(())
}

/// The value that a half, nine tenths, and all but a hundredth do not exceed, and the greatest.
fn quantiles(out: &mut dyn Write, name: &str, values: impl Iterator<Item = f64>) -> io::Result<()> {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    let at = |q: f64| sorted.get(((sorted.len() as f64 * q).ceil() as usize).saturating_sub(1)).copied();
    write!(out, "{name:<34}")?;
    for value in [0.5, 0.9, 0.99, 1.0].map(at) {
        write!(out, "{:>9}", value.map_or("-".into(), |v| format!("{v:.2}")))?;
    }
    writeln!(out)
}
