//! An inverter that feeds a charger of the bank that it draws from: the boat gets warm and the bank empty.

use super::{FindingExt, finding};
use crate::recording::Recording;
use crate::report::format;
use crate::stats;
use crate::view::BankView;
use ampwake_schemas::findings::{Cause, Finding, Kind, Severity};
use ampwake_schemas::intent::{AcSource, AcSourceKind};

/// A change-over takes seconds, and a charger some more to notice: only what lasts counts, s.
const LEAST_S: f64 = 600.0;
/// A bank whose current rises by less than this part of what the charger gives is fed from itself.
const PART: f64 = 0.5;

/// Chargers on an inverter: seen at work (a caution), or possible by the drawing (info).
///
/// What the intent says of the inverter's own bank nobody can read from it; with several banks the words say so.
pub fn remarks(view: &BankView, recording: &Recording) -> Vec<Finding> {
    let inverters: Vec<&AcSource> =
        view.vessel.ac_sources.iter().filter(|a| a.kind == AcSourceKind::Inverter).collect();
    let mut out = Vec::new();
    for (j, s) in view.sources.iter().enumerate().filter(|(_, s)| s.intent.kind.is_ac_fed()) {
        for a in &inverters {
            let drawn = s.intent.fed_by.as_ref() == Some(&a.name);
            if let Some(f) = seen(view, recording, j, a, drawn) {
                out.push(f);
            } else if drawn {
                out.push(possible(view, &s.intent.name, a));
            }
        }
    }
    out
}

fn alive(view: &BankView, recording: &Recording, a: &AcSource) -> Option<Vec<Option<bool>>> {
    let volts = view.grid.means(&recording.signal(a.signals.get("voltage")?));
    // Half of its volts is no supply for any charger (common practice, no source).
    let least = 0.5 * a.nominal_v.unwrap_or(120.0);
    Some(volts.into_iter().map(|v| v.is_finite().then_some(v > least)).collect())
}

/// The charger gives while the inverter is the only AC source that is alive, and the bank gets little or nothing of it.
fn seen(view: &BankView, recording: &Recording, j: usize, inverter: &AcSource, drawn: bool) -> Option<Finding> {
    let s = &view.sources[j];
    let on = alive(view, recording, inverter)?;
    // What nobody hears may be what feeds it.
    let others: Vec<Vec<Option<bool>>> = view
        .vessel
        .ac_sources
        .iter()
        .filter(|a| a.name != inverter.name)
        .map(|a| alive(view, recording, a))
        .collect::<Option<_>>()?;
    // Without a word on what feeds it, its supply is known only where every AC source of the vessel is in the intent.
    if !drawn && others.is_empty() {
        return None;
    }
    let alone = |k: usize| on[k] == Some(true) && others.iter().all(|o| o[k] == Some(false));
    let least = (0.1 * s.intent.rated_a).max(6.0 * view.u_current(0.0));
    let cells: Vec<usize> = (0..view.grid.len).filter(|k| alone(*k) && s.current[*k] > least).collect();
    let seconds = cells.len() as f64 * view.grid.step_s();
    if seconds < LEAST_S {
        return None;
    }
    let gave = stats::median(cells.iter().map(|k| s.current[*k]))?;
    let nothing_else = |k: usize| others.iter().all(|o| o[k] == Some(false));
    let gains = gain(view, j, &nothing_else);
    // The drawing says it, or the bank does.
    let fed_from_itself = gains.is_some_and(|g| g < PART);
    if !drawn && !fed_from_itself || gains.is_some_and(|g| g > 0.8) {
        return None;
    }
    let got = match gains {
        Some(g) => format!(" When it started, the bank got {} of what it gives.", format::percent(g.max(0.0))),
        None => String::new(),
    };
    let summary = format!(
        "{} gave {} for {} while the inverter ({}) was the only AC source: the bank feeds its own charger.{got}",
        format::sentence_start(&s.intent.name),
        format::amps(gave),
        format::duration(seconds),
        format::plain(&inverter.name)
    );
    let (first, last) = (*cells.first()?, *cells.last()?);
    let confidence = if fed_from_itself && drawn { 0.95 } else { 0.85 };
    let mut f = finding(Kind::EnergyLoop, Severity::Caution, (view.grid.at(first), view.grid.at(last)), confidence, summary)
        .about(&s.intent.name)
        .with("loop_s", seconds, 0)
        .with("charger_current_median_a", gave, 1)
        .check(&[
            "move the charger to an AC circuit that the inverter does not feed, or let the inverter's supply lock it out (licensed electrician)",
            "see whether the change-over switch can put shore and inverter on the same distribution",
        ]);
    if let Some(g) = gains {
        f = f.with("bank_gained_share", g, 2);
    }
    f.evidence.insert("inverter".to_owned(), serde_json::json!(inverter.name));
    Some(f)
}

/// What the bank gained when the charger started or stopped alone, as a part of what the charger's current moved by: 1 for a
/// charger that is fed from elsewhere, about nothing for a loop. Over all occasions, by least squares through nothing: loads
/// that nobody measures switch too, and the larger step is the better witness.
fn gain(view: &BankView, j: usize, alone: &dyn Fn(usize) -> bool) -> Option<f64> {
    let s = &view.sources[j];
    let (before, after, rise) = (view.grid.cells(20.0), view.grid.cells(90.0), view.grid.cells(60.0));
    let change = |x: &[f64], k: usize| {
        let middle = |r: std::ops::Range<usize>| stats::median(x[r].iter().copied());
        Some(middle(k + after - before..k + after)? - middle(k - before..k)?)
    };
    let moved = |k: usize| change(&s.current, k).filter(|d| d.abs() > 0.2 * s.intent.rated_a);
    // Nothing but the inverter is alive on both sides of the step, and no other source moves.
    let calm = |k: usize| {
        let still =
            |o: &crate::view::SourceView| change(&o.current, k).is_some_and(|d| d.abs() < 0.1 * s.intent.rated_a);
        (k - before..k + after).all(alone) && view.sources.iter().enumerate().all(|(o, x)| o == j || still(x))
    };
    let measured = view.loads.iter().any(|l| l.is_finite());
    let (mut moves, mut squares) = (0.0, 0.0);
    let mut k = before;
    while k + after + rise < view.grid.len {
        if moved(k).is_none() || !calm(k) {
            k += view.grid.cells(5.0);
            continue;
        }
        // Of the moments about it the one from which it moved most: the whole step, and not its beginning.
        let steps = (k..k + rise).step_by(view.grid.cells(5.0)).filter_map(|c| Some((c, moved(c)?)));
        let Some((c, d)) = steps.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).filter(|(c, _)| calm(*c)) else {
            k += rise;
            continue;
        };
        let loads = if measured { change(&view.loads, c).unwrap_or(0.0) } else { 0.0 };
        if let Some(b) = change(&view.current, c) {
            (moves, squares) = (moves + (b + loads) * d, squares + d * d);
        }
        k = c + after + before;
    }
    (squares > 0.0).then(|| moves / squares)
}

/// While a bank feeds its own charger, that charger's supply is no sign that the others should have theirs.
pub fn excuse(findings: &mut Vec<Finding>) {
    const AROUND_MS: i64 = 600_000;
    let loops: Vec<(i64, i64, Option<String>)> = findings
        .iter()
        .filter(|f| f.kind == Kind::EnergyLoop && f.severity >= Severity::Caution)
        .map(|f| (f.start.millis() - AROUND_MS, f.end.millis() + AROUND_MS, f.source.clone()))
        .collect();
    findings.retain(|f| {
        let within =
            |l: &(i64, i64, Option<String>)| f.start.millis() >= l.0 && f.end.millis() <= l.1 && f.source != l.2;
        f.cause != Some(Cause::NoInput) || !loops.iter().any(within)
    });
}

fn possible(view: &BankView, charger: &str, a: &AcSource) -> Finding {
    let several = view.vessel.banks.len() > 1;
    let summary = format!(
        "{} is fed by the inverter ({}) in the design{}: whenever both are on and nothing else is, the bank feeds its own charger and \
         loses what both of them waste.",
        format::sentence_start(charger),
        format::plain(&a.name),
        if several { ", and if that inverter draws from this bank" } else { "" }
    );
    let period = (view.grid.start, view.grid.at(view.grid.len));
    let mut f = finding(Kind::EnergyLoop, Severity::Info, period, 0.8, summary)
        .about(charger)
        .check(&["see on the AC drawing what locks the charger out while the inverter feeds its circuit"]);
    f.evidence.insert("inverter".to_owned(), serde_json::json!(a.name));
    f
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{AMPS, Tape, VOLTS, amps, vessel};
    use ampwake_schemas::intent::Intent;

    const INVERTER: &str = "can0/n2k/127503/8/voltage";
    const SHORE: &str = "can0/n2k/127503/1/voltage";

    fn wired(fed_by: Option<&str>) -> Intent {
        let ac = |name: &str, kind: &str, volts: &str| {
            format!(
                "[[ac_source]]\nname = \"{name}\"\nkind = \"{kind}\"\nnominal_v = 230\nsignals = {{ voltage = \"{volts}\" }}\n"
            )
        };
        let mut intent = vessel(&(ac("shore", "shore", SHORE) + &ac("house inverter", "inverter", INVERTER)));
        intent.sources[0].available_when = None;
        intent.sources[0].fed_by = fed_by.map(str::to_owned);
        intent
    }

    /// An hour; from 1000 s to 3000 s the first charger gives 60 A, of which the bank gets `part`.
    fn tape(part: f64, shore: f64) -> Tape {
        let on = |t: i64| (1000..3000).contains(&t);
        Tape::new(3600)
            .with(VOLTS, |_| 53.0)
            .with(INVERTER, |_| 230.0)
            .with(SHORE, move |_| shore)
            .with(&amps(1), move |t| if on(t) { 60.0 } else { 0.0 })
            .with(&amps(2), |_| 0.0)
            .with(AMPS, move |t| -10.0 + if on(t) { part * 60.0 } else { 0.0 })
    }

    fn found(intent: &Intent, tape: &Tape) -> Vec<(Severity, Option<f64>)> {
        let all = remarks(&tape.view(intent), &tape.clone().recording());
        all.iter().map(|f| (f.severity, f.evidence.get("loop_s").and_then(|v| v.as_f64()))).collect()
    }

    #[test]
    fn a_bank_that_feeds_its_own_charger() {
        let drawn = wired(Some("house inverter"));
        assert_eq!(found(&drawn, &tape(-0.15, 0.0)), [(Severity::Caution, Some(2000.0))]);
        // It is the same whatever the drawing says.
        assert_eq!(found(&wired(None), &tape(-0.15, 0.0)), [(Severity::Caution, Some(2000.0))]);
        assert_eq!(found(&wired(Some("shore")), &tape(-0.15, 0.0)), [(Severity::Caution, Some(2000.0))]);
    }

    #[test]
    fn a_charger_that_the_bank_gains_from_is_fed_from_elsewhere() {
        assert_eq!(found(&wired(None), &tape(1.0, 0.0)), []);
        assert_eq!(found(&wired(Some("shore")), &tape(1.0, 230.0)), []);
        // By the drawing it could.
        assert_eq!(found(&wired(Some("house inverter")), &tape(1.0, 230.0)), [(Severity::Info, None)]);
        // Shore power feeds it, whatever else takes the bank's current.
        assert_eq!(found(&wired(None), &tape(-0.15, 230.0)), []);
        // Nobody heard the shore.
        assert_eq!(found(&wired(None), &tape(-0.15, f64::NAN)), []);
    }
}
