//! A vessel drawn at random, on which nothing is wrong: bank, sources, loads and when they run.
//!
//! Sizes are those of common practice (no source): lithium banks charged at 0.2 to 0.5 of their capacity per hour,
//! lead-acid at 0.12 to 0.22.

use super::Dice;
use ampwake_analyzer::demo::{AcInput, Input, NamedLoad, Scenario, SourcePlan};
use ampwake_analyzer::model::{Bank, Body, ChargeProfile, Curve, Source};
use ampwake_schemas::intent::{Chemistry, Coordination, Sense, SourceKind};
use ampwake_schemas::quantity::{AmpereHours, Amperes, Celsius, Ohms, Seconds, Volts};
use ampwake_schemas::time::Timestamp;

/// What the second source is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Second {
    /// Anything.
    Any,
    /// A charger on shore or generator power.
    Charger,
    /// A charger on shore power like the first.
    Twin,
    /// An alternator.
    Alternator,
}

/// A vessel and its programme.
#[derive(Debug, Clone)]
pub struct Vessel {
    /// The bank's chemistry.
    pub chemistry: Chemistry,
    /// What happens. Source 0 is a shore charger on AC input 0, and the leader once it runs.
    pub scenario: Scenario,
    /// When the AC inputs come alive, seconds from the start.
    pub plugged_in: f64,
}

/// How the vessels are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Vessels {
    /// Good sensors, and a bank of ordinary make.
    #[default]
    Ordinary,
    /// Sensors that are barely what the intent says of them and late, and a worn, sluggish bank.
    Rough,
}

impl Vessel {
    /// Another bank than the model's authors had in mind: what it answers late is more and later, and it loses more.
    pub(super) fn wear(&mut self) {
        let bank = &mut self.scenario.bank;
        (bank.r0, bank.r1, bank.tau) = (bank.r0 * 1.3, bank.r1 * 2.5, Seconds(1200.0));
        bank.acceptance_ohm_ah *= 1.6;
        bank.charge_efficiency = if self.chemistry.is_lead_acid() { 0.85 } else { 0.99 };
    }
}

const fn min(minutes: f64) -> f64 {
    minutes * 60.0
}

/// Draws a vessel.
pub fn draw(dice: &mut Dice, second: Second) -> Vessel {
    use Chemistry::{Agm, Flooded, Gel, Lfp, Nmc};
    let chemistry = dice.pick(&[Lfp, Lfp, Nmc, Flooded, Agm, Gel]);
    let defaults = chemistry.defaults();
    let nominal = dice.pick(&[12.0, 24.0, 48.0]);
    let cells = (nominal / defaults.nominal_v).round();
    let capacity = dice.rounded(120.0, 700.0, 10.0);
    let per_hour = if chemistry.is_lead_acid() { dice.between(0.12, 0.22) } else { dice.between(0.2, 0.5) };
    let soc = if chemistry.is_lead_acid() { dice.between(0.45, 0.70) } else { dice.between(0.30, 0.88) };
    let profile = profile(dice, chemistry, cells, capacity);

    let kinds = kinds(dice, second);
    let under_engine = kinds.contains(&SourceKind::Alternator);
    let cast_off = min(dice.between(2.0, 5.0));
    let stop = cast_off + min(dice.between(30.0, 45.0));
    let plugged_in = if under_engine { stop + min(dice.between(2.0, 8.0)) } else { min(dice.between(5.0, 12.0)) };
    let seconds = (plugged_in + min(dice.between(85.0, 115.0))) as u32;

    let weights: Vec<f64> = kinds.iter().map(|_| dice.between(0.6, 1.4)).collect();
    let unit = capacity * per_hour / weights.iter().sum::<f64>();
    // Somebody trips over the shore lead now and then, and everybody starts anew.
    let unplugged = dice.chance(0.25).then(|| {
        let from = (plugged_in + min(dice.between(20.0, 60.0))).round();
        (from, (from + min(dice.between(1.0, 25.0))).round())
    });
    let mut build = Builder { profile, seconds, plugged_in, unplugged, ac: Vec::new(), sources: Vec::new() };
    for (kind, weight) in kinds.into_iter().zip(weights) {
        build.source(dice, kind, (unit * weight).round().max(8.0));
    }
    let Builder { ac, sources, .. } = build;
    let rated: f64 = sources.iter().map(|s| s.source.rated.0).sum();
    let bank = Bank::new(chemistry, cells as u32, AmpereHours(capacity));
    let worn = dice.between(0.8, 1.3);
    let scenario = Scenario {
        start: Timestamp::from_millis(1_700_000_000_000),
        seconds,
        bank: Bank { r0: bank.r0 * worn, r1: bank.r1 * worn, ..bank },
        soc,
        ambient: Celsius(dice.between(14.0, 27.0)),
        profile,
        max_charge: Amperes((1.15 * rated).ceil()),
        sources,
        loads: loads(dice, rated, seconds, (!under_engine).then_some(plugged_in)),
        engines: if under_engine { vec![engine(dice, cast_off, stop)] } else { Vec::new() },
        ac,
    };
    Vessel { chemistry, scenario, plugged_in }
}

fn kinds(dice: &mut Dice, second: Second) -> Vec<SourceKind> {
    use SourceKind::{Alternator, FuelCell, GensetCharger, ShoreCharger, Solar, Wind};
    let mut kinds = vec![ShoreCharger];
    kinds.push(match second {
        Second::Any => dice.pick(&[ShoreCharger, GensetCharger, Alternator, Solar, Wind, FuelCell]),
        Second::Charger => dice.pick(&[ShoreCharger, GensetCharger]),
        Second::Twin => ShoreCharger,
        Second::Alternator => Alternator,
    });
    for more in [Alternator, Solar, Wind, FuelCell] {
        if kinds.len() < 4 && !kinds.contains(&more) && dice.chance(0.3) {
            kinds.push(more);
        }
    }
    kinds
}

fn profile(dice: &mut Dice, chemistry: Chemistry, cells: f64, capacity: f64) -> ChargeProfile {
    let d = chemistry.defaults();
    let hundredth = |v: f64| Volts((v * 100.0).round() / 100.0);
    let floats = d.float_v.filter(|_| chemistry.is_lead_acid() || dice.chance(0.7));
    ChargeProfile {
        absorption: hundredth(d.absorption_v * cells * dice.between(0.996, 1.004)),
        float: floats.map(|v| hundredth(v * cells)),
        rebulk: hundredth(d.rebulk_v * cells),
        rebulk_hold: Seconds(60.0),
        tail: Amperes((d.tail_per_ah * capacity * dice.between(0.8, 1.2) * 10.0).round() / 10.0),
        tail_hold: Seconds(120.0),
        absorption_max: Seconds(min(d.absorption_max_min)),
    }
}

struct Builder {
    profile: ChargeProfile,
    seconds: u32,
    plugged_in: f64,
    unplugged: Option<(f64, f64)>,
    ac: Vec<AcInput>,
    sources: Vec<SourcePlan>,
}

impl Builder {
    fn source(&mut self, dice: &mut Dice, kind: SourceKind, rated: f64) {
        let volts = self.profile.absorption.0;
        let engine = kind == SourceKind::Alternator;
        let efficiency = if engine { dice.between(0.68, 0.78) } else { dice.between(0.90, 0.95) };
        let rise = if engine { dice.between(40.0, 55.0) } else { dice.between(20.0, 32.0) };
        let source = Source {
            // Some 0.3 % of its volts each at full output: visible in a voltage reading, and no fault.
            droop: Ohms(dice.between(0.001, 0.003) * volts / rated),
            cable: Ohms(dice.between(0.0005, 0.0025) * volts / rated),
            sense: if engine { Sense::Terminals } else { Sense::Bank },
            ramp_a_per_s: rated / dice.between(15.0, 45.0),
            start_delay: Seconds(dice.between(4.0, 40.0)),
            efficiency,
            heat: body(rated * volts * (1.0 / efficiency - 1.0), rise, dice.between(8.0, 14.0)),
            ..Source::new(Amperes(rated), Coordination::Networked, self.profile)
        };
        let ambient = Celsius(dice.between(18.0, if engine { 34.0 } else { 27.0 }));
        let (name, input) = match kind {
            SourceKind::ShoreCharger | SourceKind::GensetCharger => {
                let name = match (kind, self.sources.is_empty()) {
                    (SourceKind::GensetCharger, _) => "genset charger",
                    (_, true) => "shore charger",
                    (_, false) => "second shore charger",
                };
                (name, Input::Ac(self.supply(dice)))
            }
            SourceKind::Alternator => {
                let points = [(700.0, 0.0), (1200.0, 0.55 * rated), (1800.0, 0.9 * rated), (2200.0, rated)];
                ("alternator", Input::Engine(0, Curve::new(points)))
            }
            SourceKind::FuelCell => {
                let from = min(dice.between(3.0, 10.0));
                ("fuel cell", Input::Amperes(Curve::steps(0.0, [(from, rated)])))
            }
            SourceKind::Wind => ("wind turbine", Input::Amperes(self.weather(dice, rated, 0.75))),
            _ => ("solar", Input::Amperes(self.weather(dice, rated, 0.45))),
        };
        // A little above its hottest: nobody specifies for less.
        let limit = Celsius((ambient.0 + rise + 12.0).round());
        let mut plan = SourcePlan { kind, ..SourcePlan::new(name, source, input, ambient) };
        match kind {
            // It was there first, sees the bank before anybody holds it up, and needs nobody's word.
            SourceKind::Solar | SourceKind::Wind if dice.chance(0.3) => {
                plan.source.coordination = Coordination::VoltageSensing;
                plan.source.start_delay = Seconds(0.0);
            }
            SourceKind::FuelCell => plan.source.ramp_a_per_s = rated / 120.0,
            SourceKind::Solar | SourceKind::Wind => {}
            // It needs no word either where it starts before anybody else.
            SourceKind::ShoreCharger | SourceKind::GensetCharger if !self.sources.is_empty() && dice.chance(0.3) => {
                plan.source.coordination = Coordination::VoltageSensing;
                plan.source.start_delay = Seconds(dice.between(0.0, 3.0));
                plan.max = Some(limit);
            }
            _ => plan.max = Some(limit),
        }
        self.sources.push(plan);
    }

    /// A supply of its own for every charger, as marinas and distribution boards have breakers.
    fn supply(&mut self, dice: &mut Dice) -> usize {
        let volts = dice.between(224.0, 236.0).round();
        let gap = self.unplugged.iter().flat_map(|&(from, to)| [(from, 0.0), (to, volts)]);
        self.ac.push(AcInput {
            volts: Curve::steps(0.0, std::iter::once((self.plugged_in, volts)).chain(gap)),
            nominal: Volts(230.0),
            hertz: 50.0,
            sag_ohm: dice.between(0.05, 0.2),
            inverting: Curve::constant(0.0),
        });
        self.ac.len() - 1
    }

    /// Amperes over time that wander minute by minute; `gusty` 0..1 is how far down they go.
    fn weather(&self, dice: &mut Dice, rated: f64, gusty: f64) -> Curve {
        let mut cover = dice.between(0.0, 1.0);
        let best = dice.between(0.55, 0.85) * rated;
        let minutes = self.seconds / 60 + 1;
        let points = (0..=minutes).map(|minute| {
            cover = 0.85 * cover + 0.15 * dice.between(0.0, 1.0);
            (min(f64::from(minute)), best * (1.0 - gusty * cover))
        });
        Curve::new(points.collect::<Vec<_>>())
    }
}

/// A body that `watts` warm by `rise` kelvin, with this time constant.
pub fn body(watts: f64, rise: f64, minutes: f64) -> Body {
    let loss_w_per_k = watts / rise;
    Body { capacity_j_per_k: loss_w_per_k * min(minutes), loss_w_per_k }
}

fn engine(dice: &mut Dice, from: f64, to: f64) -> Curve {
    let cruise = dice.rounded(1700.0, 2300.0, 50.0);
    let slow = to - min(dice.between(4.0, 8.0));
    Curve::new([
        (from, 0.0),
        (from + 4.0, 900.0),
        (from + 60.0, 900.0),
        (from + 90.0, cruise),
        (slow, cruise),
        (slow + 20.0, 1200.0),
        (to, 1200.0),
        (to + 4.0, 0.0),
    ])
}

fn loads(dice: &mut Dice, rated: f64, seconds: u32, sails_until: Option<f64>) -> Vec<NamedLoad> {
    let length = f64::from(seconds);
    let runs = |amperes: f64, spans: &[(f64, f64)]| {
        Curve::steps(0.0, spans.iter().flat_map(|&(from, to)| [(from, amperes), (to, 0.0)]))
    };
    let (every, on, first) = (min(dice.between(18.0, 40.0)), min(dice.between(3.0, 9.0)), min(dice.between(0.0, 20.0)));
    let fridge: Vec<(f64, f64)> =
        (0..).map(|n| first + every * f64::from(n)).take_while(|t| *t < length).map(|t| (t, t + on)).collect();
    let galley = min(dice.between(20.0, 60.0));
    let house = vec![
        Curve::constant(dice.between(0.03, 0.07) * rated),
        runs(dice.between(0.03, 0.10) * rated, &fridge),
        runs(dice.between(0.15, 0.35) * rated, &[(galley, galley + min(dice.between(3.0, 8.0)))]),
    ];
    let mut loads = vec![NamedLoad { name: "house".into(), consumers: house }];
    if let Some(until) = sails_until {
        let propulsion = runs(dice.between(0.2, 0.5) * rated, &[(0.0, until - min(2.0))]);
        loads.push(NamedLoad { name: "propulsion".into(), consumers: vec![propulsion] });
    }
    loads
}
