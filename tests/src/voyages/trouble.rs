//! How each plot comes about: what is changed on a healthy vessel before it sails.

use super::vessel::{Vessel, body};
use super::{Dice, Plot};
use ampwake_analyzer::demo::Input;
use ampwake_analyzer::model::{ChargeProfile, Curve};
use ampwake_schemas::intent::{Coordination, SourceKind};
use ampwake_schemas::quantity::{Celsius, Seconds, Volts};

/// Who is in trouble, and what the designer says besides what the vessel shows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Trouble {
    /// The source; `None`: the bank, the recorder, or nobody.
    pub source: Option<usize>,
    /// Lines for the sections of sources.
    pub lines: Vec<(usize, String)>,
    /// A rating that the design promises although the source is set to less.
    pub promised: Option<(usize, f64)>,
    /// When it began, seconds from the start.
    pub from: f64,
    /// Further sections of the intent.
    pub sections: String,
}

/// Changes `vessel` so that `plot` happens on it.
pub fn brew(plot: Plot, dice: &mut Dice, vessel: &mut Vessel) -> Trouble {
    if matches!(plot, Plot::LinkLost | Plot::InputMissing) {
        // These have a story of their own to tell about one of the supplies; the others are there all the time.
        vessel.scenario.ac.iter_mut().for_each(|ac| ac.volts = Curve::steps(0.0, [(vessel.plugged_in, 230.0)]));
    }
    match plot {
        Plot::Healthy => Trouble::default(),
        Plot::HeldOff => held_off(dice, vessel),
        Plot::LinkLost => link_lost(dice, vessel),
        Plot::FaultReported | Plot::SwitchedOff => {
            let trouble = one_of_them(dice, vessel);
            let plan = &mut vessel.scenario.sources[trouble.source.unwrap_or(0)];
            match plot {
                Plot::FaultReported => plan.fault = Curve::steps(0.0, [(trouble.from, 1.0)]),
                _ => plan.on = Curve::steps(1.0, [(trouble.from, 0.0)]),
            }
            trouble
        }
        Plot::Thermal => thermal(dice, vessel),
        Plot::TooHot if dice.chance(0.3) => hot_bank(dice, vessel),
        Plot::TooHot => hot_source(dice, vessel),
        Plot::InputMissing => input_missing(dice, vessel),
        Plot::LimitedBySetting => limited(dice, vessel),
        Plot::EnergyLoop => energy_loop(dice, vessel),
        Plot::SensorSwapped => Trouble { source: Some(0), ..Trouble::default() },
        // These are about what is recorded, not about what happens.
        Plot::DataGap => Trouble { source: steady(dice, vessel).filter(|_| dice.chance(0.5)), ..Trouble::default() },
        Plot::ReversedShunt => {
            let n = vessel.scenario.sources.len();
            let source = (!dice.chance(0.3)).then(|| (dice.between(0.0, n as f64) as usize).min(n - 1));
            Trouble { source, ..Trouble::default() }
        }
    }
}

/// A source that can give its rating whenever its input is there.
fn steady(dice: &mut Dice, vessel: &Vessel) -> Option<usize> {
    let sources = &vessel.scenario.sources;
    let able: Vec<usize> =
        (0..sources.len()).filter(|&j| matches!(sources[j].input, Input::Ac(_) | Input::Engine(..))).collect();
    (!able.is_empty()).then(|| dice.pick(&able))
}

/// When source `j` gets its input.
fn begins(vessel: &Vessel, j: usize) -> f64 {
    match vessel.scenario.sources[j].input {
        Input::Ac(_) => vessel.plugged_in,
        _ => vessel.scenario.engines.first().and_then(|rpm| rpm.points().first()).map_or(0.0, |p| p.0),
    }
}

/// A steady source, in trouble from the start of the voyage or from some minutes after it began to work.
fn one_of_them(dice: &mut Dice, vessel: &Vessel) -> Trouble {
    let source = steady(dice, vessel);
    let begins = source.map_or(0.0, |j| begins(vessel, j));
    let from = if dice.chance(0.5) { 0.0 } else { (begins + 60.0 * dice.between(5.0, 15.0)).round() };
    Trouble { source, from, ..Trouble::default() }
}

/// Set-points for a smaller or another bank: above the bank at rest, below it under charge.
fn foreign_profile(dice: &mut Dice, vessel: &Vessel, j: usize) -> ChargeProfile {
    let s = &vessel.scenario;
    let emf = f64::from(s.bank.cells_in_series) * s.bank.ocv.at(s.soc);
    let others: f64 = s.sources.iter().enumerate().filter(|(k, _)| *k != j).map(|(_, p)| p.source.rated.0).sum();
    let jump = others * s.bank.r0.0;
    let rebulk = emf + dice.between(0.2, 0.6) * jump;
    let floats = dice.chance(0.6);
    ChargeProfile {
        rebulk: Volts(rebulk),
        float: floats.then(|| Volts(rebulk + dice.between(0.05, 0.25) * jump)),
        ..s.profile
    }
}

fn held_off(dice: &mut Dice, vessel: &mut Vessel) -> Trouble {
    let profile = foreign_profile(dice, vessel, 1);
    let source = &mut vessel.scenario.sources[1].source;
    source.coordination = Coordination::VoltageSensing;
    source.profile = profile;
    // It looks at the bus when the leader has already raised it.
    source.start_delay = Seconds(dice.between(70.0, 150.0));
    Trouble { source: Some(1), from: vessel.plugged_in, ..Trouble::default() }
}

fn link_lost(dice: &mut Dice, vessel: &mut Vessel) -> Trouble {
    let profile = foreign_profile(dice, vessel, 1);
    let source = &mut vessel.scenario.sources[1].source;
    source.coordination = Coordination::Networked;
    source.profile = profile;
    source.start_delay = Seconds(dice.between(70.0, 150.0));
    let mut from = 0.0;
    if dice.chance(0.5) {
        // The link fails under way, and nobody notices until its supply has blinked and it starts anew.
        from = (vessel.plugged_in + 60.0 * dice.between(8.0, 20.0)).round();
        if let Input::Ac(input) = vessel.scenario.sources[1].input {
            let (on, volts) = (vessel.plugged_in, 230.0);
            vessel.scenario.ac[input].volts =
                Curve::steps(0.0, [(on, volts), (from + 60.0, 0.0), (from + 80.0, volts)]);
        }
    }
    vessel.scenario.sources[1].linked = Curve::steps(1.0, [(from, 0.0)]);
    let group = "group = \"pair\"".to_owned();
    Trouble { source: Some(1), from, lines: vec![(0, group.clone()), (1, group)], ..Trouble::default() }
}

fn thermal(dice: &mut Dice, vessel: &mut Vessel) -> Trouble {
    let Some(j) = steady(dice, vessel) else { return Trouble::default() };
    let from = begins(vessel, j);
    let volts = vessel.scenario.profile.absorption.0;
    let plan = &mut vessel.scenario.sources[j];
    let (ambient, rise) = (plan.ambient.at(0.0), dice.between(42.0, 60.0));
    let loss = plan.source.rated.0 * volts * (1.0 / plan.source.efficiency - 1.0);
    plan.source.heat = body(loss, rise, dice.between(7.0, 11.0));
    // At three quarters of the rise that full output would bring it gives some two thirds.
    plan.source.derate = Curve::new([(ambient + 0.55 * rise, 1.0), (ambient + dice.between(0.75, 0.9) * rise, 0.3)]);
    plan.max = Some(Celsius((ambient + 1.3 * rise).round()));
    Trouble { source: Some(j), from, ..Trouble::default() }
}

fn hot_source(dice: &mut Dice, vessel: &mut Vessel) -> Trouble {
    let Some(j) = steady(dice, vessel) else { return Trouble::default() };
    let from = (begins(vessel, j) + 60.0 * dice.between(4.0, 12.0)).round();
    let to = from + 60.0 * dice.between(15.0, 25.0);
    let plan = &mut vessel.scenario.sources[j];
    plan.cooling = Curve::steps(1.0, [(from, dice.between(0.35, 0.55)), (to, 1.0)]);
    // Its limit is set where this heat is an excursion and its usual warmth is not.
    let usual = plan.ambient.at(0.0);
    let trace = vessel.scenario.sail();
    let hottest = trace.instants.iter().map(|i| i.plant.sources[j].temperature.0).fold(usual, f64::max);
    vessel.scenario.sources[j].max = Some(Celsius((hottest - dice.between(4.0, 8.0)).round()));
    Trouble { source: Some(j), from, ..Trouble::default() }
}

fn hot_bank(dice: &mut Dice, vessel: &mut Vessel) -> Trouble {
    let s = &mut vessel.scenario;
    let most: f64 = s.sources.iter().map(|p| p.source.rated.0).sum();
    let watts = most * most * (s.bank.r0.0 + s.bank.r1.0);
    s.bank.heat = body(watts, dice.between(14.0, 22.0), dice.between(40.0, 60.0));
    s.ambient = Celsius(dice.between(34.0, 38.0));
    Trouble { from: vessel.plugged_in, ..Trouble::default() }
}

fn input_missing(dice: &mut Dice, vessel: &mut Vessel) -> Trouble {
    let on = vessel.plugged_in;
    let from = if dice.chance(0.5) { 0.0 } else { (on + 60.0 * dice.between(5.0, 20.0)).round() };
    if let Input::Ac(input) = vessel.scenario.sources[1].input {
        let steps = if from > 0.0 { vec![(on, 230.0), (from, 0.0)] } else { Vec::new() };
        vessel.scenario.ac[input].volts = Curve::steps(0.0, steps);
    }
    Trouble { source: Some(1), from, ..Trouble::default() }
}

/// Shore power goes, somebody switches the inverter on for the kettle, and the second charger hangs on the same sockets.
fn energy_loop(dice: &mut Dice, vessel: &mut Vessel) -> Trouble {
    let on = vessel.plugged_in;
    let from = (on + 60.0 * dice.between(15.0, 40.0)).round();
    let to = from + 60.0 * dice.between(14.0, 25.0);
    let (shore, sockets) = match (&vessel.scenario.sources[0].input, &vessel.scenario.sources[1].input) {
        (Input::Ac(a), Input::Ac(b)) => (*a, *b),
        _ => (0, 1),
    };
    vessel.scenario.ac[shore].volts = Curve::steps(0.0, [(on, 230.0), (from, 0.0), (to, 230.0)]);
    // A short blink while the change-over switch moves.
    vessel.scenario.ac[sockets].volts =
        Curve::steps(0.0, [(on, 230.0), (from, 0.0), (from + 150.0, 230.0), (to, 0.0), (to + 5.0, 230.0)]);
    vessel.scenario.ac[sockets].inverting = Curve::steps(0.0, [(from, 1.0), (to, 0.0)]);
    let ac = |name: &str, kind: &str, n: usize| {
        format!(
            "\n[[ac_source]]\nname = \"{name}\"\nkind = \"{kind}\"\nnominal_v = 230\nsignals = {{ voltage = \"can0/n2k/127503/{n}/voltage\" }}\n"
        )
    };
    let mut lines = vec![(0, "fed_by = \"shore\"".to_owned())];
    // Half of the drawings say it.
    if dice.chance(0.5) {
        lines.push((1, "fed_by = \"sockets\"".to_owned()));
    }
    let sections = ac("shore", "shore", shore) + &ac("sockets", "inverter", sockets);
    Trouble { source: Some(1), from, lines, sections, ..Trouble::default() }
}

fn limited(dice: &mut Dice, vessel: &mut Vessel) -> Trouble {
    let chargers: Vec<usize> = (0..vessel.scenario.sources.len())
        .filter(|&j| matches!(vessel.scenario.sources[j].kind, SourceKind::ShoreCharger | SourceKind::GensetCharger))
        .collect();
    let j = dice.pick(&chargers);
    let rated = vessel.scenario.sources[j].source.rated.0;
    let promised = (rated / dice.between(0.45, 0.75)).ceil();
    // The bank has room for what was promised.
    vessel.scenario.max_charge.0 += (1.15 * (promised - rated)).ceil();
    Trouble { source: Some(j), from: vessel.plugged_in, promised: Some((j, promised)), ..Trouble::default() }
}
