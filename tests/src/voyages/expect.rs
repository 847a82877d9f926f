//! What an analysis of a voyage owes, and whether the voyage is clear enough to ask for it.

use super::{Dice, Plot, Trouble};
use ampwake_analyzer::demo::{Instant, Scenario, Trace, Truth, What, Wiring};
use ampwake_schemas::findings::{Cause, Kind, Severity};
use ampwake_schemas::quantity::Amperes;

/// One finding that must be there.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// What sort.
    pub kind: Kind,
    /// Why.
    pub cause: Option<Cause>,
    /// Whose; `None`: the bank or the whole.
    pub source: Option<String>,
    /// At least so bad.
    pub severity: Severity,
    /// Seconds from the start in which it held; the finding has to overlap them.
    pub span: (f64, f64),
    /// What was not delivered, Ah, where the finding owes that.
    pub lost_ah: Option<f64>,
}

/// A source that misses less than this share of the bank is not worth a word, and its voyage is a healthy one.
const NOTHING_LOST: f64 = 0.004;
/// One that misses more than this share is a clear case.
const MUCH_LOST: f64 = 0.025;

/// What happened to a voyage's vessel.
pub struct Sailed<'a> {
    /// The programme.
    pub scenario: &'a Scenario,
    /// How it went.
    pub trace: &'a Trace,
    /// What is true of it.
    pub truth: &'a Truth,
}

/// Arranges the recording for `plot` and says what has to be found in it; `None` where the draw did not come out
/// clear enough to demand an answer.
pub fn expect(
    plot: Plot,
    dice: &mut Dice,
    sailed: &Sailed,
    trouble: &Trouble,
    wiring: &mut Wiring,
) -> Option<Vec<Expected>> {
    let capacity = sailed.scenario.bank.capacity.0;
    let innocent = |j: usize| {
        trouble.source != Some(j)
            || matches!(plot, Plot::DataGap | Plot::ReversedShunt | Plot::SensorSwapped | Plot::EnergyLoop)
    };
    for (j, s) in sailed.truth.sources.iter().enumerate() {
        let cool = s.too_hot.is_empty() || (plot == Plot::TooHot && !innocent(j));
        let works = s.lost.0 < NOTHING_LOST * capacity && s.held_off.is_empty();
        if !cool || (innocent(j) && !works) {
            return None;
        }
    }
    if sailed.truth.bank.charge.0 < 0.08 * capacity {
        return None;
    }
    let end = sailed.trace.instants.len() as f64;
    let j = trouble.source;
    let finding = |kind, cause| Expected {
        kind,
        cause,
        source: j.map(|j| sailed.truth.sources[j].name.clone()),
        severity: Severity::Caution,
        span: (trouble.from, end),
        lost_ah: None,
    };
    let idle = |cause| {
        let lost = sailed.truth.sources[j?].lost.0;
        let rated = sailed.scenario.sources[j?].source.rated.0;
        // More than twenty minutes of its full output.
        let clear = lost > MUCH_LOST * capacity && lost > rated / 3.0;
        clear.then(|| vec![Expected { lost_ah: Some(lost), ..finding(Kind::NonContributingSource, Some(cause)) }])
    };
    match plot {
        Plot::Healthy => Some(Vec::new()),
        Plot::HeldOff => idle(Cause::HeldOffByBusVoltage).filter(|_| gave_little(sailed, j, 0.0)),
        Plot::LinkLost => idle(Cause::LinkLost).filter(|_| gave_little(sailed, j, trouble.from + 80.0)),
        Plot::FaultReported => idle(Cause::FaultReported),
        Plot::SwitchedOff => idle(Cause::SwitchedOff),
        Plot::Thermal => {
            let (seconds, given, rated) = short_of_rating(sailed, j?);
            let clear = seconds > 1500.0 && given < 0.83 * rated;
            clear.then(|| vec![finding(Kind::ThermalDerating, Some(Cause::ThermalDerating))])
        }
        Plot::LimitedBySetting => {
            let rated = sailed.scenario.sources[j?].source.rated * 0.97;
            let flat = count(sailed, |i| below(sailed, i) && i.plant.sources[j.unwrap_or(0)].current > rated);
            (flat > 1500.0).then(|| vec![finding(Kind::UnderContributingSource, Some(Cause::LimitedBySetting))])
        }
        Plot::InputMissing => {
            let asking = count_from(sailed, trouble.from, |i| below(sailed, i) && i.available[0] > Amperes(0.0));
            let missed = asking * sailed.scenario.sources[j?].source.rated.0 / 3600.0;
            (asking > 1200.0 && missed > MUCH_LOST * capacity)
                .then(|| vec![finding(Kind::NonContributingSource, Some(Cause::NoInput))])
        }
        Plot::TooHot => too_hot(sailed, j, finding(Kind::TemperatureExcursion, None)),
        Plot::DataGap => data_gap(dice, sailed, j, wiring, &finding),
        Plot::SensorSwapped => told_apart(sailed).then(|| vec![finding(Kind::SensorSwapped, None)]),
        Plot::EnergyLoop => {
            let fed_from_itself = |i: &Instant| {
                i.ac[0].hertz <= 0.0 && i.plant.sources[1].current.0 > 0.25 * sailed.scenario.sources[1].source.rated.0
            };
            let seconds = count_from(sailed, trouble.from, fed_from_itself);
            (seconds > 660.0).then(|| vec![finding(Kind::EnergyLoop, None)])
        }
        Plot::ReversedShunt => reversed(sailed, j, wiring)
            .then(|| vec![Expected { span: (0.0, end), ..finding(Kind::ReversedCurrentSensor, None) }]),
    }
}

/// The bank asks for charge, by a margin that no sensor blurs.
fn below(sailed: &Sailed, i: &Instant) -> bool {
    i.plant.bus < sailed.scenario.profile.absorption * 0.985
}

fn count(sailed: &Sailed, test: impl Fn(&Instant) -> bool) -> f64 {
    count_from(sailed, 0.0, test)
}

fn count_from(sailed: &Sailed, from: f64, test: impl Fn(&Instant) -> bool) -> f64 {
    sailed.trace.instants.iter().skip(from as usize).filter(|i| test(i)).count() as f64
}

/// After some minutes at the most it gave nothing any more.
fn gave_little(sailed: &Sailed, j: Option<usize>, from: f64) -> bool {
    j.is_some_and(|j| count_from(sailed, from, |i| i.plant.sources[j].current > Amperes(0.5)) < 480.0)
}

/// Seconds in which the bank asked and source `j` gave clearly less than its input allows; its mean then, and that
/// of what was allowed.
fn short_of_rating(sailed: &Sailed, j: usize) -> (f64, f64, f64) {
    let rated = sailed.scenario.sources[j].source.rated;
    let mut found = (0.0, 0.0, 0.0);
    for i in sailed.trace.instants.iter().filter(|i| below(sailed, i)) {
        let (given, could) = (i.plant.sources[j].current, i.available[j].min(rated));
        if given > could * 0.05 && given < could * 0.85 {
            found = (found.0 + 1.0, found.1 + given.0, found.2 + could.0);
        }
    }
    (found.0, found.1 / found.0, found.2 / found.0)
}

fn too_hot(sailed: &Sailed, j: Option<usize>, finding: Expected) -> Option<Vec<Expected>> {
    let Some(j) = j else {
        let hot = |i: &Instant| i.plant.temperature.0 > 45.0;
        let seconds = count(sailed, hot);
        let peak = sailed.truth.bank.temperature.1.0;
        let charged = count(sailed, |i| hot(i) && i.plant.bank.0 > 0.05 * sailed.scenario.bank.capacity.0);
        let from = sailed.trace.instants.iter().position(hot)? as f64;
        let clear = seconds > 600.0 && charged > 300.0 && (47.5..65.0).contains(&peak);
        return clear.then(|| vec![Expected { severity: Severity::Danger, span: (from, from + seconds), ..finding }]);
    };
    let [hot] = sailed.truth.sources[j].too_hot[..] else { return None };
    let span = (f64::from(hot.from), f64::from(hot.to));
    (span.1 - span.0 > 240.0).then(|| vec![Expected { span, ..finding }])
}

/// The bank was below its set-point, and source `j` or anybody gave, for all of these seconds.
fn busy(sailed: &Sailed, j: Option<usize>, (from, to): (f64, f64)) -> bool {
    let mut inside = sailed.trace.instants.iter().skip(from as usize).take((to - from) as usize);
    inside.all(|i| {
        let given = j.map_or(i.plant.bank, |j| i.plant.sources[j].current);
        below(sailed, i) && given > Amperes(2.0)
    })
}

fn data_gap(
    dice: &mut Dice,
    sailed: &Sailed,
    j: Option<usize>,
    wiring: &mut Wiring,
    finding: &dyn Fn(Kind, Option<Cause>) -> Expected,
) -> Option<Vec<Expected>> {
    let length = sailed.trace.instants.len() as f64;
    let minutes = if j.is_some() { dice.between(22.0, 35.0) } else { dice.between(2.0, 12.0) };
    // Somewhere in the midst of the charge; the draw decides where.
    let from = (dice.between(0.1, 0.8) * length).round();
    let span = (from, from + (60.0 * minutes).round());
    if span.1 > length - 600.0 || !busy(sailed, j, span) {
        return None;
    }
    let Some(j) = j else {
        wiring.silences.push(span);
        return Some(vec![Expected { severity: Severity::Info, span, ..finding(Kind::DataGap, None) }]);
    };
    let own = |w: &What| matches!(w, What::Source { source, .. } | What::ChargerState { source } | What::Temperature { source, .. } if *source == j);
    wiring.senders.iter_mut().filter(|s| own(&s.what)).for_each(|s| s.silences.push(span));
    Some(vec![Expected { span, ..finding(Kind::NonContributingSource, Some(Cause::NoData)) }])
}

/// The alternator starts and stops, and the shore charger starts, each by itself for minutes and with enough current to see.
fn told_apart(sailed: &Sailed) -> bool {
    let Some(engine) = sailed.scenario.engines.first().map(|rpm| rpm.points()) else { return false };
    let (Some(starts), Some(stops)) = (engine.first().map(|p| p.0), engine.last().map(|p| p.0)) else { return false };
    let plugged = sailed.scenario.ac[0].volts.points().iter().find(|p| p.1 > 0.0).map_or(0.0, |p| p.0);
    let gives = |j: usize, t: f64| {
        let at = sailed.trace.instants.get(t as usize).map(|i| i.plant.sources[j].current.0);
        at.is_some_and(|a| a > 0.35 * sailed.scenario.sources[j].source.rated.0)
    };
    plugged - stops > 320.0
        && starts > 100.0
        && [150.0, 200.0].iter().all(|t| gives(1, starts + t))
        && gives(1, stops - 30.0)
        && [90.0, 150.0, 235.0].iter().all(|t| gives(0, plugged + t))
}

/// Turns the sensor round; true where its owner carried enough current for anybody to see it.
fn reversed(sailed: &Sailed, j: Option<usize>, wiring: &mut Wiring) -> bool {
    for sender in &mut wiring.senders {
        match (&mut sender.what, j) {
            (What::Source { source, current, .. }, Some(j)) if *source == j => current.scale *= -1.0,
            (What::Bank { current, .. }, None) => current.scale *= -1.0,
            _ => {}
        }
    }
    let capacity = sailed.scenario.bank.capacity;
    let strong = |i: &Instant| match j {
        Some(j) => i.plant.sources[j].current.0 > 4.0 + 0.1 * sailed.scenario.sources[j].source.rated.0,
        None => i.plant.bank.0 > 0.08 * capacity.0,
    };
    count(sailed, strong) > 1200.0
}
