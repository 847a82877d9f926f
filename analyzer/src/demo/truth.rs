//! What an analysis of a voyage should find, taken from its trace and not from its recording.
//!
//! The definitions are those that the findings use, applied to exact values: no noise, no resolution, no
//! missing messages. A reader of the recording can come as close as its sensors allow, and not closer.

use super::scenario::{Instant, Scenario, SourcePlan, Trace};
use crate::model::SourceStage;
use ampwake_schemas::findings::Stage;
use ampwake_schemas::quantity::{AmpereHours, Amperes, Celsius, Seconds, Volts, WattHours};

/// This share of a set-point is as good as the set-point (common practice, no source).
const AT_SET_POINT: f64 = 0.005;
/// Bank currents below this share of capacity per hour are rest (common practice, no source).
const REST_PER_AH: f64 = 0.005;
/// Stretches of the bank shorter than this belong to the one before.
const SHORTEST_STAGE_S: u32 = 60;
/// Volts that stay away from the set-point for longer than this are a new bulk, and no load that came and went.
const LONGEST_DIP_S: u32 = 600;
/// A source that gives less than this gives nothing.
const NOTHING: Amperes = Amperes(0.5);
const SECOND: Seconds = Seconds(1.0);

/// The truth of a voyage.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Of the bank.
    pub bank: BankTruth,
    /// Of every source, in the scenario's order.
    pub sources: Vec<SourceTruth>,
}

/// Something that held from one second (inclusive) to another (exclusive), counted from the start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch<T> {
    /// What held.
    pub what: T,
    /// First second.
    pub from: u32,
    /// The second after the last.
    pub to: u32,
}

/// What became of the bank.
#[derive(Debug, Clone, PartialEq)]
pub struct BankTruth {
    /// Its stages, without gaps.
    pub stages: Vec<Stretch<Stage>>,
    /// What went in.
    pub charge: AmpereHours,
    /// What went in less what went out.
    pub charge_net: AmpereHours,
    /// State of charge at the start and at the end.
    pub soc: (f64, f64),
    /// Lowest and highest temperature.
    pub temperature: (Celsius, Celsius),
}

/// What became of one source.
#[derive(Debug, Clone, PartialEq)]
pub struct SourceTruth {
    /// Its name.
    pub name: String,
    /// What it gave.
    pub charge: AmpereHours,
    /// The same as energy at its terminals.
    pub energy: WattHours,
    /// Its highest current.
    pub highest: Amperes,
    /// What it believed, without gaps.
    pub stages: Vec<Stretch<SourceStage>>,
    /// Time in which it had input and the bank's profile asked for more than the bus had.
    pub opportunity: Seconds,
    /// What it could have given in that time, within the bank's limit, less what it gave.
    pub lost: AmpereHours,
    /// When it was charging in its own opinion, gave nothing while it had an opportunity, and the bus stood at or
    /// above its own set-point.
    pub held_off: Vec<HeldOff>,
    /// When it was above its temperature limit.
    pub too_hot: Vec<TooHot>,
}

/// A source held off by the voltage of the bus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeldOff {
    /// First second.
    pub from: u32,
    /// The second after the last.
    pub to: u32,
    /// How much of it was opportunity.
    pub opportunity: Seconds,
    /// What it could have given.
    pub lost: AmpereHours,
}

/// A source above its temperature limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TooHot {
    /// First second.
    pub from: u32,
    /// The second after the last.
    pub to: u32,
    /// Highest temperature.
    pub peak: Celsius,
}

impl Truth {
    /// Of a trace that this scenario sailed.
    pub fn of(scenario: &Scenario, trace: &Trace) -> Self {
        let asked = asked(scenario, trace);
        let sources = scenario.sources.iter().enumerate().map(|(j, plan)| source(scenario, trace, &asked, j, plan));
        Self { sources: sources.collect(), bank: bank(scenario, trace, &asked) }
    }

    /// The source of this name.
    pub fn source(&self, name: &str) -> Option<&SourceTruth> {
        self.sources.iter().find(|s| s.name == name)
    }
}

/// What the bank's profile asks for at every second, whatever the sources believe: absorption until the tail
/// (or the longest absorption), then float until the volts fall below re-bulk.
fn asked(scenario: &Scenario, trace: &Trace) -> Vec<Volts> {
    let profile = &scenario.profile;
    let (mut full, mut tail_for, mut absorbing, mut low_for) = (false, 0.0, 0.0, 0.0);
    let next = |i: &Instant| {
        let set = if full { profile.float.unwrap_or(profile.rebulk) } else { profile.absorption };
        let at_absorption = i.plant.bus >= profile.absorption * (1.0 - AT_SET_POINT);
        absorbing = if at_absorption { absorbing + 1.0 } else { 0.0 };
        tail_for = if at_absorption && i.plant.bank < profile.tail { tail_for + 1.0 } else { 0.0 };
        low_for = if i.plant.bus < profile.rebulk { low_for + 1.0 } else { 0.0 };
        full = if full {
            low_for < profile.rebulk_hold.0.max(1.0)
        } else {
            tail_for >= profile.tail_hold.0.max(1.0) || absorbing >= profile.absorption_max.0
        };
        set
    };
    trace.instants.iter().map(next).collect()
}

fn bank(scenario: &Scenario, trace: &Trace, asked: &[Volts]) -> BankTruth {
    let rest = Amperes(scenario.bank.capacity.0 * REST_PER_AH);
    let is_near = |(i, set): (&Instant, &Volts)| (i.plant.bus - *set).abs() <= *set * AT_SET_POINT;
    let near = stretches(trace.instants.iter().zip(asked).map(is_near));
    let dips = near.iter().flat_map(|s| {
        let dip = !s.what && s.to - s.from <= LONGEST_DIP_S;
        (s.from..s.to).map(move |_| (s.what, dip))
    });
    let mut absorbing = false;
    let stages = trace.instants.iter().zip(asked).zip(dips).map(|((i, &set), (near, dip))| {
        let amps = i.plant.bank;
        let full = set != scenario.profile.absorption;
        absorbing = !full && amps > -rest && (near || (absorbing && dip));
        match () {
            () if full && near && scenario.profile.float.is_some() => Stage::Float,
            () if amps <= -rest => Stage::Discharge,
            () if absorbing => Stage::Absorption,
            () if amps < rest => Stage::Rest,
            () => Stage::Bulk,
        }
    });
    let moments = || trace.instants.iter().map(|i| &i.plant);
    let temperatures = || moments().map(|m| m.temperature);
    let soc = |i: Option<&Instant>| i.map_or(scenario.soc, |i| i.plant.soc);
    BankTruth {
        stages: without_short(stretches(stages)),
        charge: moments().map(|m| m.bank.max(Amperes(0.0)) * SECOND).sum(),
        charge_net: moments().map(|m| m.bank * SECOND).sum(),
        soc: (soc(trace.instants.first()), soc(trace.instants.last())),
        temperature: (
            temperatures().reduce(Celsius::min).unwrap_or(scenario.ambient),
            temperatures().reduce(Celsius::max).unwrap_or(scenario.ambient),
        ),
    }
}

fn source(scenario: &Scenario, trace: &Trace, asked: &[Volts], j: usize, plan: &SourcePlan) -> SourceTruth {
    let moments = || trace.instants.iter().map(|i| &i.plant.sources[j]);
    let lost: Vec<Option<Amperes>> =
        trace.instants.iter().zip(asked).map(|(i, &set)| missed(scenario, i, set, j)).collect();
    let sums = |from: u32, to: u32| {
        let missed = lost[from as usize..to as usize].iter().flatten();
        (Seconds(missed.clone().count() as f64), missed.map(|&a| a * SECOND).sum::<AmpereHours>())
    };
    let held = trace.instants.iter().map(|i| {
        let s = &i.plant.sources[j];
        let set = plan.source.set_point(s.stage);
        s.stage.is_charging() && s.current < NOTHING && i.plant.bus >= set
    });
    let hot = moments().map(|s| plan.max.is_some_and(|max| s.temperature > max));
    let (opportunity, lost_ah) = sums(0, trace.instants.len() as u32);
    SourceTruth {
        name: plan.name.clone(),
        charge: moments().map(|s| s.current * SECOND).sum(),
        energy: moments().map(|s| (s.terminal * s.current) * SECOND).sum(),
        highest: moments().map(|s| s.current).fold(Amperes(0.0), Amperes::max),
        stages: stretches(moments().map(|s| s.stage)),
        opportunity,
        lost: lost_ah,
        held_off: stretches(held)
            .into_iter()
            .filter(|s| s.what)
            .map(|s| {
                let (opportunity, lost) = sums(s.from, s.to);
                HeldOff { from: s.from, to: s.to, opportunity, lost }
            })
            // A source whose work is done also gives nothing; only a missed opportunity makes it held off.
            .filter(|held| held.opportunity.0 >= f64::from(SHORTEST_STAGE_S))
            .collect(),
        too_hot: stretches(hot)
            .into_iter()
            .filter(|s| s.what)
            .map(|s| {
                let inside = &trace.instants[s.from as usize..s.to as usize];
                let peak = inside.iter().map(|i| i.plant.sources[j].temperature).fold(Celsius(f64::MIN), Celsius::max);
                TooHot { from: s.from, to: s.to, peak }
            })
            .collect(),
    }
}

/// What source `j` could have given more at this instant; `None` where it had no opportunity.
fn missed(scenario: &Scenario, i: &Instant, set: Volts, j: usize) -> Option<Amperes> {
    if i.plant.bus >= set * (1.0 - AT_SET_POINT) || i.available[j] <= Amperes(0.0) {
        return None;
    }
    // Every source's unused part, then this one's share of the room in proportion to rating.
    let unused = |k: usize| {
        let (plan, s) = (&scenario.sources[k].source, &i.plant.sources[k]);
        let could = (plan.rated * plan.derate.at(s.temperature.0)).min(i.available[k]);
        (could - s.current).max(Amperes(0.0))
    };
    let idle_rating: f64 =
        (0..scenario.sources.len()).filter(|&k| unused(k) > NOTHING).map(|k| scenario.sources[k].source.rated.0).sum();
    let room = (scenario.max_charge - i.plant.bank).max(Amperes(0.0));
    let mine = unused(j);
    if mine <= NOTHING {
        return Some(Amperes(0.0));
    }
    Some(mine.min(room * (scenario.sources[j].source.rated.0 / idle_rating)))
}

/// Runs of equal values, one value per second.
fn stretches<T: Copy + PartialEq>(values: impl IntoIterator<Item = T>) -> Vec<Stretch<T>> {
    let mut out: Vec<Stretch<T>> = Vec::new();
    for (second, what) in (0u32..).zip(values) {
        match out.last_mut() {
            Some(last) if last.what == what => last.to = second + 1,
            _ => out.push(Stretch { what, from: second, to: second + 1 }),
        }
    }
    out
}

/// Short stretches join the one before them, and what is then equal becomes one.
fn without_short<T: Copy + PartialEq>(stretches: Vec<Stretch<T>>) -> Vec<Stretch<T>> {
    let mut out: Vec<Stretch<T>> = Vec::new();
    for s in stretches {
        match out.last_mut() {
            Some(last) if last.what == s.what || s.to - s.from < SHORTEST_STAGE_S => last.to = s.to,
            _ => out.push(s),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_and_short_runs() {
        let runs = stretches([1, 1, 2, 2, 2, 1]);
        let text: Vec<_> = runs.iter().map(|s| (s.what, s.from, s.to)).collect();
        assert_eq!(text, [(1, 0, 2), (2, 2, 5), (1, 5, 6)]);
        let values =
            std::iter::repeat_n('a', 100).chain(std::iter::repeat_n('b', 10)).chain(std::iter::repeat_n('a', 100));
        assert_eq!(without_short(stretches(values)), [Stretch { what: 'a', from: 0, to: 210 }]);
    }
}
