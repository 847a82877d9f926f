//! Bank, sources and load together, stepped through time.

use super::{Bank, BankState, Branch, Conditions, Source, SourceStage, SourceState, solve};
use ampwake_schemas::quantity::{Amperes, Celsius, Seconds, Volts};

/// A bank with its sources on one DC bus.
#[derive(Debug, Clone, PartialEq)]
pub struct Plant {
    bank: Bank,
    sources: Vec<Source>,
    bank_state: BankState,
    source_states: Vec<SourceState>,
    /// What every source measured last.
    sensed: Vec<Volts>,
}

/// One source at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SourceMoment {
    /// Into the bus.
    pub current: Amperes,
    /// At its own terminals.
    pub terminal: Volts,
    /// Its own idea of the stage.
    pub stage: SourceStage,
    /// What it may give.
    pub limit: Amperes,
    /// Its temperature.
    pub temperature: Celsius,
}

/// The whole plant at one moment; states are those at the moment's beginning.
#[derive(Debug, Clone, PartialEq)]
pub struct Moment {
    /// Volts of the DC bus, at the bank.
    pub bus: Volts,
    /// Into the bank.
    pub bank: Amperes,
    /// State of charge, 0..1.
    pub soc: f64,
    /// Of the bank.
    pub temperature: Celsius,
    /// Every source, in order.
    pub sources: Vec<SourceMoment>,
}

impl Plant {
    /// At rest, with all sources off and everything at `temperature`.
    pub fn new(bank: Bank, soc: f64, sources: Vec<Source>, temperature: Celsius) -> Self {
        let bank_state = bank.at_rest(soc, temperature);
        let source_states = vec![SourceState::off(temperature); sources.len()];
        let sensed = vec![bank.port(&bank_state).emf; sources.len()];
        Self { bank, sources, bank_state, source_states, sensed }
    }

    /// The moment that begins now, then `dt` onward with its currents held.
    ///
    /// `conditions` has one entry per source (a source without one is off); `load` is what flows out of the
    /// bus, `ambient` the temperature around the bank.
    pub fn step(&mut self, conditions: &[Conditions], load: Amperes, ambient: Celsius, dt: Seconds) -> Moment {
        const OFF: Conditions = Conditions {
            on: false,
            available: Amperes(0.0),
            linked: false,
            fault: false,
            cooling: 1.0,
            ambient: Celsius(20.0),
        };
        let conditions = |j: usize| conditions.get(j).copied().unwrap_or(OFF);
        // The first networked source that runs leads; those after it take its stage.
        let mut leader: Option<(usize, SourceStage)> = None;
        for (j, (source, state)) in self.sources.iter().zip(&mut self.source_states).enumerate() {
            let now = conditions(j);
            let follows = source.follows(&now);
            let led_by = if follows { leader.map(|(_, stage)| stage) } else { None };
            source.prepare(state, &now, self.sensed[j], led_by, dt);
            if follows && leader.is_none() && state.stage.is_charging() {
                leader = Some((j, state.stage));
            }
        }
        let branches: Vec<Branch> = self.sources.iter().zip(&self.source_states).map(|(s, x)| s.branch(x)).collect();
        let balance = solve(&branches, &self.bank.port(&self.bank_state), load);
        let sources = self.sources.iter().zip(&self.source_states).zip(&balance.sources);
        let moment = Moment {
            bus: balance.voltage,
            bank: balance.bank,
            soc: self.bank_state.soc,
            temperature: self.bank_state.temperature,
            sources: sources
                .map(|((source, state), &current)| SourceMoment {
                    current,
                    terminal: balance.voltage + current * source.cable,
                    stage: state.stage,
                    limit: state.limit,
                    temperature: state.temperature,
                })
                .collect(),
        };
        for (j, (source, state)) in self.sources.iter().zip(&mut self.source_states).enumerate() {
            let SourceMoment { current, terminal, .. } = moment.sources[j];
            let now = conditions(j);
            let led = source.follows(&now) && leader.is_some_and(|(first, _)| first != j);
            source.settle(state, &now, (current, terminal, moment.bus), moment.bank, led, dt);
            self.sensed[j] = source.sensed(terminal, moment.bus);
        }
        self.bank.advance(&mut self.bank_state, moment.bank, ambient, dt);
        moment
    }
}
