//! A charging source: its limits, its set-points, and the state machine that picks between them.

use super::{Body, Branch, Curve};
use ampwake_schemas::intent::{Coordination, Sense};
use ampwake_schemas::quantity::{Amperes, Celsius, Ohms, Seconds, Volts};

/// What a source believes the bank to be in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SourceStage {
    /// Switched off, without input, or still starting.
    Off,
    /// As much current as it may give.
    Bulk,
    /// Absorption voltage.
    Absorption,
    /// Float voltage.
    Float,
    /// Done, where the profile knows no float: it waits for the re-bulk voltage.
    Idle,
    /// Its own fault.
    Fault,
}

impl SourceStage {
    /// True where it holds a voltage or gives its limit.
    pub const fn is_charging(self) -> bool {
        matches!(self, Self::Bulk | Self::Absorption | Self::Float | Self::Idle)
    }
}

/// The set-points of one source, whole-bank volts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChargeProfile {
    /// Bulk goes up to this and absorption holds it.
    pub absorption: Volts,
    /// Float holds this; `None`: no float.
    pub float: Option<Volts>,
    /// Charging starts again below this. A source that decides by voltage alone also looks at it when it is
    /// switched on: above, it takes the bank for full.
    pub rebulk: Volts,
    /// How long the volts must stay below `rebulk`.
    pub rebulk_hold: Seconds,
    /// Absorption ends when the current has been below this ...
    pub tail: Amperes,
    /// ... for this long ...
    pub tail_hold: Seconds,
    /// ... or after this time in any case.
    pub absorption_max: Seconds,
}

/// A charging source and its leads.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// Rated output.
    pub rated: Amperes,
    /// Networked sources share the stage of the first of them that runs; the others see their own volts only.
    pub coordination: Coordination,
    /// Set-points.
    pub profile: ChargeProfile,
    /// How far its voltage falls per ampere.
    pub droop: Ohms,
    /// Its leads to the bank.
    pub cable: Ohms,
    /// Where it senses: the drop over its leads is compensated only when it senses at the bank.
    pub sense: Sense,
    /// How fast its output may rise, A/s.
    pub ramp_a_per_s: f64,
    /// From input present to first output.
    pub start_delay: Seconds,
    /// Fraction of its rating over its temperature in degC.
    pub derate: Curve,
    /// DC output power over input power; the rest is its own heat.
    pub efficiency: f64,
    /// Its heat.
    pub heat: Body,
}

/// What the world gives a source at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions {
    /// Switched on.
    pub on: bool,
    /// What its input allows; 0 is no input.
    pub available: Amperes,
    /// It hears the other networked sources.
    pub linked: bool,
    /// It has a fault.
    pub fault: bool,
    /// 1 when air passes as it should, less when it does not.
    pub cooling: f64,
    /// Temperature of its surroundings.
    pub ambient: Celsius,
}

/// What changes in a source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SourceState {
    /// Its stage.
    pub stage: SourceStage,
    /// What it may give now: rating, input and derating, and the ramp.
    pub limit: Amperes,
    /// Its temperature.
    pub temperature: Celsius,
    /// Time in this stage (while off: time with input).
    in_stage: Seconds,
    /// How long the current has been below the tail.
    tail_for: Seconds,
    /// How long the volts have been below re-bulk.
    low_for: Seconds,
}

impl SourceState {
    /// Off, at `temperature`.
    pub fn off(temperature: Celsius) -> Self {
        let none = Seconds(0.0);
        let (stage, limit) = (SourceStage::Off, Amperes(0.0));
        Self { stage, limit, temperature, in_stage: none, tail_for: none, low_for: none }
    }

    fn go(&mut self, stage: SourceStage) {
        if self.stage != stage {
            let Self { limit, temperature, .. } = *self;
            *self = Self { stage, limit, ..Self::off(temperature) };
        }
    }
}

impl Source {
    /// A plain source: 3 mOhm of droop, no leads, at once at its limit, never derating.
    pub fn new(rated: Amperes, coordination: Coordination, profile: ChargeProfile) -> Self {
        Self {
            rated,
            coordination,
            profile,
            droop: Ohms(0.003),
            cable: Ohms(0.0),
            sense: Sense::Terminals,
            ramp_a_per_s: f64::INFINITY,
            start_delay: Seconds(0.0),
            derate: Curve::constant(1.0),
            efficiency: 0.93,
            heat: Body { capacity_j_per_k: 10_000.0, loss_w_per_k: 20.0 },
        }
    }

    /// As the bus sees it.
    pub fn branch(&self, state: &SourceState) -> Branch {
        let idle = !state.stage.is_charging() || state.stage == SourceStage::Idle;
        let leads = if self.sense == Sense::Terminals { self.cable } else { Ohms(0.0) };
        Branch {
            set: self.set_point(state.stage),
            resistance: self.droop + leads,
            limit: if idle { Amperes(0.0) } else { state.limit },
        }
    }

    /// The voltage that it goes for in a stage (while idle: the one below which it starts again).
    pub fn set_point(&self, stage: SourceStage) -> Volts {
        match (stage, self.profile.float) {
            (SourceStage::Float, Some(float)) => float,
            (SourceStage::Idle, _) => self.profile.rebulk,
            _ => self.profile.absorption,
        }
    }

    /// True when it hears the others and is meant to.
    pub fn follows(&self, conditions: &Conditions) -> bool {
        self.coordination == Coordination::Networked && conditions.linked
    }

    /// Start, stop, and the limit of this moment. `sensed` is the voltage that it measured last; `leader` the
    /// stage of the source that it follows.
    pub fn prepare(
        &self,
        state: &mut SourceState,
        now: &Conditions,
        sensed: Volts,
        leader: Option<SourceStage>,
        dt: Seconds,
    ) {
        if now.fault || !now.on || now.available.0 <= 0.0 {
            *state = SourceState::off(state.temperature);
            state.stage = if now.fault { SourceStage::Fault } else { SourceStage::Off };
            return;
        }
        if !state.stage.is_charging() {
            state.go(SourceStage::Off);
            if state.in_stage < self.start_delay {
                state.in_stage += dt;
                return;
            }
            // The whole trouble of chargers on one bus: volts that another source holds up look like a full bank.
            let looks_full = !self.follows(now) && sensed >= self.profile.rebulk;
            state.go(if looks_full { self.rested() } else { SourceStage::Bulk });
        }
        if let Some(stage) = leader {
            state.go(stage);
        }
        let target = (self.rated * self.derate.at(state.temperature.0)).min(now.available);
        state.limit = target.min(state.limit + Amperes(self.ramp_a_per_s * dt.0));
    }

    /// What follows from a moment that lasted `dt`: the next stage and the temperature. `bank` is the bank's
    /// current, which a networked source knows; one that is `led` leaves the stage to its leader.
    pub fn settle(
        &self,
        state: &mut SourceState,
        now: &Conditions,
        (current, terminal, bus): (Amperes, Volts, Volts),
        bank: Amperes,
        led: bool,
        dt: Seconds,
    ) {
        let loss = (terminal * current) * (1.0 / self.efficiency - 1.0);
        state.temperature = self.heat.after(state.temperature, loss, now.ambient, now.cooling, dt);
        if led || !state.stage.is_charging() {
            return;
        }
        state.in_stage += dt;
        // Below its limit it is the set-point that decides, its own or the higher one of another source.
        let regulating = current < state.limit;
        let small = if self.follows(now) { bank } else { current } < self.profile.tail;
        let low = self.sensed(terminal, bus) < self.profile.rebulk;
        state.low_for = if low { state.low_for + dt } else { Seconds(0.0) };
        match state.stage {
            SourceStage::Bulk if regulating => state.go(SourceStage::Absorption),
            SourceStage::Absorption => {
                state.tail_for = if regulating && small { state.tail_for + dt } else { Seconds(0.0) };
                if state.tail_for >= self.profile.tail_hold || state.in_stage >= self.profile.absorption_max {
                    state.go(self.rested());
                }
            }
            SourceStage::Float | SourceStage::Idle if low && state.low_for >= self.profile.rebulk_hold => {
                state.go(SourceStage::Bulk);
            }
            _ => {}
        }
    }

    /// The voltage that it measures.
    pub fn sensed(&self, terminal: Volts, bus: Volts) -> Volts {
        if self.sense == Sense::Terminals { terminal } else { bus }
    }

    fn rested(&self) -> SourceStage {
        if self.profile.float.is_some() { SourceStage::Float } else { SourceStage::Idle }
    }
}
