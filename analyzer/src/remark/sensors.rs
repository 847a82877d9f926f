//! Trust in sensors, before any blame: reversed shunts, broken temperature sensors, a balance that does not close.

use super::{FindingExt, finding};
use crate::recording::Recording;
use crate::report::format;
use crate::stats;
use crate::temperature::{CELLS, EQUIPMENT, plausible};
use crate::view::BankView;
use ampwake_schemas::findings::{Finding, Kind, Severity};
use ampwake_schemas::intent::{Intent, Signal, SourceKind};

/// A current sensor that reads with the wrong sign.
#[derive(Debug, Clone, PartialEq)]
pub struct Reversed {
    /// The source's name; `None`: the bank's own sensor.
    pub source: Option<String>,
    /// The finding that says so.
    pub finding: Finding,
}

/// Sensors that read with the wrong sign: a source that can only give reads negative, and the rest of the balance
/// mirrors it (slope −1 of what the others leave unexplained against its reading, correlation beyond −0.8;
/// Kirchhoff's current law; thresholds common practice, no source).
pub fn reversed(view: &BankView) -> Vec<Reversed> {
    let mut out: Vec<Reversed> = (0..view.sources.len()).filter_map(|j| reversed_source(view, j)).collect();
    if out.is_empty() {
        out.extend(reversed_bank(view));
    }
    out
}

fn mirrored(points: impl Iterator<Item = (f64, f64)>) -> Option<stats::Line> {
    stats::line(points).filter(|l| l.correlation < -0.8 && (-1.35..=-0.65).contains(&l.slope))
}

fn reversed_source(view: &BankView, j: usize) -> Option<Reversed> {
    let s = &view.sources[j];
    let both_ways = matches!(
        s.intent.kind,
        SourceKind::InverterCharger | SourceKind::Regeneration | SourceKind::DcDc | SourceKind::Other
    );
    if both_ways || !s.measured {
        return None;
    }
    let negative: Vec<usize> = (0..view.grid.len)
        .filter(|k| s.current[*k] < -(3.0 * view.u_current(s.current[*k])).max(0.03 * s.intent.rated_a))
        .collect();
    let positive = s.gives.iter().filter(|g| **g).count();
    if negative.len() < view.grid.cells(300.0) || negative.len() < 4 * positive {
        return None;
    }
    let rest = |k: usize| {
        let others: f64 = view.sources.iter().enumerate().filter(|(o, _)| *o != j).map(|(_, s)| s.current[k]).sum();
        view.current[k] + view.loads[k] - others
    };
    let line = mirrored((0..view.grid.len).map(|k| (s.current[k], rest(k))));
    // Without the bank's word it takes a current that is no offset.
    let strong = negative.iter().filter(|k| s.current[**k] < -0.1 * s.intent.rated_a).count();
    if line.is_none() && strong < view.grid.cells(300.0) {
        return None;
    }
    let mean = stats::mean(negative.iter().map(|k| s.current[*k]))?;
    let address = &s.intent.signals.current.as_ref()?.address;
    let seconds = negative.len() as f64 * view.grid.step_s();
    let summary = format!(
        "The current sensor of {} reads {} on average for {}, and a charging source cannot take current: it is mounted the \
         wrong way round{}. Its sign is turned in everything that follows.",
        format::plain(&s.intent.name),
        format::amps(mean),
        format::duration(seconds),
        if line.is_some() { ", as the bank's current confirms" } else { " or its sign is configured wrongly" }
    );
    let period = (view.grid.at(negative[0]), view.grid.at(*negative.last()?));
    let mut finding = finding(
        Kind::ReversedCurrentSensor,
        Severity::Caution,
        period,
        if line.is_some() { 0.95 } else { 0.7 },
        summary,
    )
    .about(&s.intent.name)
    .at(address)
    .with("current_mean_a", mean, 1)
    .check(&["turn the shunt or its sense wires round, or say `scale = -1` in the intent, after switching it alone to be sure"]);
    if let Some(l) = line {
        finding = finding.with("slope", l.slope, 3).with("correlation", l.correlation, 3);
    }
    Some(Reversed { source: Some(s.intent.name.clone()), finding })
}

fn reversed_bank(view: &BankView) -> Option<Reversed> {
    if view.sources.iter().any(|s| !s.measured) {
        return None;
    }
    let net = |k: usize| view.source_sum(k) - view.loads[k];
    let line = mirrored((0..view.grid.len).map(|k| (net(k), view.current[k])))?;
    // It must have been charged hard enough to tell, for long enough.
    let hard = (0..view.grid.len)
        .filter(|k| net(*k) > 0.05 * view.intent.capacity_ah && view.current[*k] < -0.02 * view.intent.capacity_ah)
        .count();
    if hard < view.grid.cells(300.0) {
        return None;
    }
    let address = &view.intent.signals.current.as_ref()?.address;
    let summary = "The bank's current sensor reads the wrong way round: it shows discharge while the sources charge. Its sign is \
                   turned in everything that follows.";
    Some(Reversed {
        source: None,
        finding: finding(
            Kind::ReversedCurrentSensor,
            Severity::Caution,
            (view.grid.start, view.grid.at(view.grid.len)),
            0.9,
            summary,
        )
        .at(address)
        .with("slope", line.slope, 3)
        .with("correlation", line.correlation, 3)
        .check(&["turn the shunt or its sense wires round, or say `scale = -1` in the intent, after a load alone was switched to be sure"]),
    })
}

/// The intent with the signs of these sensors turned.
pub fn corrected(intent: &Intent, bank: &str, reversed: &[Reversed]) -> Intent {
    let mut out = intent.clone();
    for r in reversed {
        let signal: Option<&mut Signal> = match &r.source {
            Some(name) => out.sources.iter_mut().find(|s| s.name == *name).and_then(|s| s.signals.current.as_mut()),
            None => out.banks.iter_mut().find(|b| b.name == bank).and_then(|b| b.signals.current.as_mut()),
        };
        if let Some(s) = signal {
            s.scale = -s.scale;
        }
    }
    out
}

/// Temperature sensors whose readings cannot be temperatures, or that stand still while the bank works.
pub fn temperature_faults(view: &BankView, recording: &Recording) -> Vec<Finding> {
    let mut out = Vec::new();
    let bank = view.intent.signals.temperature.iter().map(|s| (None, s));
    let sources = view
        .sources
        .iter()
        .filter_map(|s| Some((Some(s.intent.name.as_str()), s.intent.signals.temperature.as_ref()?)));
    for (owner, signal) in bank.chain(sources) {
        let series = recording.signal(signal);
        let who = owner.map_or("the bank".to_owned(), format::plain);
        let faults = plausible(&series, if owner.is_none() { CELLS } else { EQUIPMENT }).1;
        if let (Some(first), Some(last)) = (faults.first(), faults.last()) {
            let samples: usize = faults.iter().map(|f| f.samples).sum();
            let summary = format!(
                "The temperature sensor of {who} gave {samples} readings that cannot be a temperature (first {}): an open or \
                 shorted sensor rather than heat or cold. They are left out.",
                format::celsius(first.value)
            );
            let mut f = finding(Kind::SensorFault, Severity::Caution, (first.start, last.end), 0.9, summary)
                .at(&signal.address)
                .with("implausible_samples", samples as f64, 0)
                .with("first_value_c", first.value, 1)
                .check(&["check the sensor's plug and cable, and compare it with a second thermometer"]);
            f.source = owner.map(str::to_owned);
            out.push(f);
        }
        if owner.is_none() {
            out.extend(stuck(view, signal, &series));
        }
    }
    out
}

/// Exactly the same reading for an hour in which the bank took or gave more than a tenth of its capacity per hour
/// (common practice, no source), from a sensor that shows tenths at other times or never moves at all.
fn stuck(view: &BankView, signal: &Signal, series: &crate::series::Series) -> Option<Finding> {
    let cells = view.grid.means(series);
    // A mean of equal values depends in its last digit on their number.
    let same = |a: f64, b: f64| (a - b).abs() < 1e-6;
    let busy = |k: usize| view.current[k].abs() > 0.1 * view.intent.capacity_ah;
    let hour = view.grid.cells(3600.0);
    let mut best: Option<(usize, usize)> = None;
    let mut start = 0;
    for k in 1..=cells.len() {
        if k == cells.len() || !same(cells[k], cells[start]) {
            let worked = (start..k).filter(|c| busy(*c)).count();
            if worked >= hour && best.is_none_or(|(a, b)| k - start > b - a) {
                best = Some((start, k));
            }
            start = k;
        }
    }
    let (a, b) = best?;
    // A whole-degree sensor may honestly show the same figure for an hour.
    let fine = cells.iter().any(|c| c.is_finite() && (c - c.round()).abs() > 0.02);
    if !fine {
        return None;
    }
    let summary = format!(
        "A temperature sensor of the bank read exactly {} for {} while the bank was working hard: it may be stuck.",
        format::celsius(cells[a]),
        format::duration((b - a) as f64 * view.grid.step_s())
    );
    Some(
        finding(Kind::SensorFault, Severity::Caution, (view.grid.at(a), view.grid.at(b)), 0.6, summary)
            .at(&signal.address)
            .check(&["warm the sensor by hand and see whether its reading moves"]),
    )
}

/// What sources give less what bank and loads take, A, and its standard uncertainty; each current with its own
/// (Kirchhoff's current law; u(r)² = Σu², JCGM 100, 5.1.2).
fn residual(sources: impl Iterator<Item = (f64, f64)>, bank: (f64, f64), loads: (f64, f64)) -> (f64, f64) {
    sources.fold((-bank.0 - loads.0, bank.1.hypot(loads.1)), |(r, u), s| (r + s.0, u.hypot(s.1)))
}

/// What all sources and loads leave unexplained, where everything that the intent names is measured. More current
/// out of the balance than into it is a load that nobody listed; the other way round is a sensor's fault.
pub fn balance(view: &BankView) -> Option<Finding> {
    if !view.loads_measured || view.sources.iter().any(|s| !s.measured) {
        return None;
    }
    let mut residuals: Vec<f64> = Vec::new();
    let mut ratios: Vec<f64> = Vec::new();
    let mut beyond: Vec<usize> = Vec::new();
    for k in 0..view.grid.len {
        let with_u = |amps: f64| (amps, view.u_current(amps));
        let sources = view.sources.iter().map(|s| with_u(s.current[k]));
        let (r, u) = residual(sources, with_u(view.current[k]), with_u(view.loads[k]));
        if r.is_nan() {
            continue;
        }
        residuals.push(r);
        ratios.push(r / u);
        // Unsynchronised senders disagree for seconds at every step: only what lasts counts (see the share below).
        if r < -2.0 * u {
            beyond.push(k);
        }
    }
    if residuals.len() < view.grid.cells(600.0) || beyond.len() * 4 < residuals.len() {
        return None;
    }
    let middle = stats::median(residuals.iter().copied())?;
    let share = beyond.len() as f64 / residuals.len() as f64;
    // The class of a sensor does not average out: twice the uncertainty is exceeded by one honest vessel in forty for as long
    // as it is looked at, three times by one in a thousand.
    let far = stats::median(ratios)? < -3.0;
    let summary = format!(
        "The currents do not add up: for {} of the time more flows into bank and loads than the sources give ({} in the middle). \
         A current sensor reads wrongly, or a source is missing from the intent.",
        format::percent(share),
        format::amps(middle)
    );
    Some(
        finding(
            Kind::CurrentBalance,
            if far { Severity::Caution } else { Severity::Info },
            (view.grid.at(beyond[0]), view.grid.at(*beyond.last()?)),
            0.7,
            summary,
        )
        .with("residual_median_a", middle, 2)
        .with("beyond_uncertainty_share", share, 3)
        .check(&["compare every current sensor with a clamp meter at three currents (qualified person)"]),
    )
}

#[cfg(test)]
#[path = "sensors_tests.rs"]
mod tests;
