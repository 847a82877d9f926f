//! What happens on a voyage, and the second-by-second trace that follows from it.

use crate::model::{Bank, ChargeProfile, Conditions, Curve, Moment, Plant, Source};
use ampwake_schemas::intent::SourceKind;
use ampwake_schemas::quantity::{Amperes, Celsius, Seconds, Volts, Watts};
use ampwake_schemas::time::Timestamp;

/// A voyage as a programme. Every [`Curve`] here that has no other x is over seconds from the start; switches
/// are on above 0.5.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// Its first moment.
    pub start: Timestamp,
    /// Its length in whole seconds.
    pub seconds: u32,
    /// The bank.
    pub bank: Bank,
    /// Its state of charge at the start.
    pub soc: f64,
    /// Temperature around the bank, and of everything at the start.
    pub ambient: Celsius,
    /// What the bank is meant to get, whatever the sources are set to.
    pub profile: ChargeProfile,
    /// What the bank may be charged with.
    pub max_charge: Amperes,
    /// Its sources; the first networked one that runs leads the others.
    pub sources: Vec<SourcePlan>,
    /// Its loads.
    pub loads: Vec<NamedLoad>,
    /// Speed of each engine, rpm.
    pub engines: Vec<Curve>,
    /// AC inputs.
    pub ac: Vec<AcInput>,
}

/// One source and what happens to it.
#[derive(Debug, Clone, PartialEq)]
pub struct SourcePlan {
    /// Its name.
    pub name: String,
    /// What sort, for the design intent.
    pub kind: SourceKind,
    /// What it is.
    pub source: Source,
    /// Where its power comes from.
    pub input: Input,
    /// Switched on.
    pub on: Curve,
    /// It hears the other networked sources.
    pub linked: Curve,
    /// It has a fault.
    pub fault: Curve,
    /// 1 when air passes as it should.
    pub cooling: Curve,
    /// Temperature around it, degC.
    pub ambient: Curve,
    /// Its temperature limit.
    pub max: Option<Celsius>,
}

impl SourcePlan {
    /// Always on, linked, without fault and well cooled at `ambient`; a shore charger, an alternator or a solar
    /// regulator by its input.
    pub fn new(name: &str, source: Source, input: Input, ambient: Celsius) -> Self {
        let (yes, no) = (Curve::constant(1.0), Curve::constant(0.0));
        let kind = match input {
            Input::Ac(_) => SourceKind::ShoreCharger,
            Input::Engine(..) => SourceKind::Alternator,
            Input::Amperes(_) => SourceKind::Solar,
        };
        Self {
            name: name.to_owned(),
            kind,
            source,
            input,
            on: yes.clone(),
            linked: yes.clone(),
            fault: no,
            cooling: yes,
            ambient: Curve::constant(ambient.0),
            max: None,
        }
    }
}

/// Where a source's power comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// The AC input of this number; it has to have half of its nominal volts.
    Ac(usize),
    /// The engine of this number, with amperes over rpm.
    Engine(usize, Curve),
    /// Sun, wind, water or a tank: amperes over time.
    Amperes(Curve),
}

/// A load with its own sensor: the sum of its consumers.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedLoad {
    /// Its name.
    pub name: String,
    /// Amperes of every consumer.
    pub consumers: Vec<Curve>,
}

/// An AC input.
#[derive(Debug, Clone, PartialEq)]
pub struct AcInput {
    /// Volts without load; 0 is not connected.
    pub volts: Curve,
    /// Nominal volts.
    pub nominal: Volts,
    /// Hertz.
    pub hertz: f64,
    /// Volts lost per ampere.
    pub sag_ohm: f64,
    /// While on, it is an inverter that draws what it gives from the bank.
    pub inverting: Curve,
}

/// What an inverter gives of what it draws (common practice, no source: 0.85 to 0.95).
const INVERTER_EFFICIENCY: f64 = 0.9;

/// An AC input at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AcMoment {
    /// Volts.
    pub voltage: Volts,
    /// Amperes (of alternating current).
    pub current: Amperes,
    /// Real power drawn.
    pub power: Watts,
    /// Hertz; 0 without voltage.
    pub hertz: f64,
}

/// Everything at one second.
#[derive(Debug, Clone, PartialEq)]
pub struct Instant {
    /// Bank and sources.
    pub plant: Moment,
    /// What each source's input allowed.
    pub available: Vec<Amperes>,
    /// Every load.
    pub loads: Vec<Amperes>,
    /// Every engine's speed, rpm.
    pub engines: Vec<f64>,
    /// Every AC input.
    pub ac: Vec<AcMoment>,
}

/// The voyage as it truly was, one instant per second.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Its first moment.
    pub start: Timestamp,
    /// Its seconds.
    pub instants: Vec<Instant>,
}

impl Trace {
    /// The instant that holds at `t` seconds from the start, the first or last one beyond the ends; `None` in an
    /// empty trace.
    pub fn at(&self, t: f64) -> Option<&Instant> {
        // `as` saturates, which is the clamping at the start.
        self.instants.get(t as usize).or(self.instants.last())
    }
}

impl Scenario {
    /// Sails it.
    pub fn sail(&self) -> Trace {
        let dt = Seconds(1.0);
        let sources: Vec<Source> = self.sources.iter().map(|s| s.source.clone()).collect();
        let mut plant = Plant::new(self.bank.clone(), self.soc, sources, self.ambient);
        // What inverters draw from the bank, as it was a second ago.
        let mut drawn = Amperes(0.0);
        let instants = (0..self.seconds).map(|second| {
            let t = f64::from(second);
            let engines: Vec<f64> = self.engines.iter().map(|rpm| rpm.at(t)).collect();
            let available: Vec<Amperes> = self.sources.iter().map(|s| self.available(s, &engines, t)).collect();
            let conditions: Vec<Conditions> =
                self.sources.iter().zip(&available).map(|(s, &a)| conditions(s, a, t)).collect();
            let loads: Vec<Amperes> =
                self.loads.iter().map(|l| Amperes(l.consumers.iter().map(|c| c.at(t)).sum())).collect();
            let load = loads.iter().copied().sum::<Amperes>() + drawn;
            let moment = plant.step(&conditions, load, self.ambient, dt);
            let ac: Vec<AcMoment> = (0..self.ac.len()).map(|input| self.ac_moment(input, &moment, t)).collect();
            drawn = Amperes(
                self.ac
                    .iter()
                    .zip(&ac)
                    .filter(|(a, _)| a.inverting.at(t) > 0.5)
                    .map(|(_, m)| m.power.0 / INVERTER_EFFICIENCY / moment.bus.0.max(1.0))
                    .sum(),
            );
            Instant { plant: moment, available, loads, engines, ac }
        });
        Trace { start: self.start, instants: instants.collect() }
    }

    fn available(&self, plan: &SourcePlan, engines: &[f64], t: f64) -> Amperes {
        match &plan.input {
            Input::Ac(input) => {
                let live = self.ac.get(*input).is_some_and(|ac| ac.volts.at(t) > ac.nominal.0 / 2.0);
                if live { plan.source.rated } else { Amperes(0.0) }
            }
            Input::Engine(engine, output) => Amperes(engines.get(*engine).map_or(0.0, |&rpm| output.at(rpm))),
            Input::Amperes(amperes) => Amperes(amperes.at(t)),
        }
    }

    /// What the chargers on an input draw from it: power over efficiency, at a power factor of 1.
    fn ac_moment(&self, input: usize, moment: &Moment, t: f64) -> AcMoment {
        let ac = &self.ac[input];
        let open = ac.volts.at(t);
        let power: Watts = (self.sources.iter().zip(&moment.sources))
            .filter(|(plan, _)| plan.input == Input::Ac(input))
            .map(|(plan, s)| s.terminal * s.current / plan.source.efficiency)
            .sum();
        if open <= 0.0 {
            return AcMoment { voltage: Volts(0.0), current: Amperes(0.0), power: Watts(0.0), hertz: 0.0 };
        }
        let current = Amperes(power.0 / open);
        AcMoment { voltage: Volts(open - current.0 * ac.sag_ohm), current, power, hertz: ac.hertz }
    }
}

fn conditions(plan: &SourcePlan, available: Amperes, t: f64) -> Conditions {
    let yes = |curve: &Curve| curve.at(t) > 0.5;
    Conditions {
        on: yes(&plan.on),
        available,
        linked: yes(&plan.linked),
        fault: yes(&plan.fault),
        cooling: plan.cooling.at(t),
        ambient: Celsius(plan.ambient.at(t)),
    }
}
