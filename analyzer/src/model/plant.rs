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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::ChargeProfile;
    use ampwake_schemas::intent::{Chemistry, Coordination};
    use ampwake_schemas::quantity::{AmpereHours, Ohms};

    const PROFILE: ChargeProfile = ChargeProfile {
        absorption: Volts(56.0),
        float: Some(Volts(54.0)),
        rebulk: Volts(52.5),
        rebulk_hold: Seconds(20.0),
        tail: Amperes(5.0),
        tail_hold: Seconds(30.0),
        absorption_max: Seconds(3600.0),
    };
    const FED: Conditions = Conditions {
        on: true,
        available: Amperes(1000.0),
        linked: true,
        fault: false,
        cooling: 1.0,
        ambient: Celsius(20.0),
    };
    use Coordination::{Networked, VoltageSensing};

    fn source(mode: Coordination) -> Source {
        Source::new(Amperes(100.0), mode, PROFILE)
    }

    fn plant(soc: f64, sources: Vec<Source>) -> Plant {
        Plant::new(Bank::new(Chemistry::Lfp, 16, AmpereHours(200.0)), soc, sources, Celsius(20.0))
    }

    /// The last of `seconds` moments.
    fn run(plant: &mut Plant, seconds: u32, load: f64, conditions: &[Conditions]) -> Moment {
        let step = |_| plant.step(conditions, Amperes(load), Celsius(20.0), Seconds(1.0));
        (0..seconds).map(step).last().expect("at least one second")
    }

    fn stages(moment: &Moment) -> Vec<SourceStage> {
        moment.sources.iter().map(|s| s.stage).collect()
    }

    #[test]
    fn a_whole_cycle() {
        let mut plant = plant(0.85, vec![source(Networked)]);
        let mut seen = Vec::new();
        let mut go = |plant: &mut Plant, seconds, load| {
            for _ in 0..seconds {
                let stage = run(plant, 1, load, &[FED]).sources[0].stage;
                if seen.last() != Some(&stage) {
                    seen.push(stage);
                }
            }
        };
        go(&mut plant, 3600, 0.0);
        // More load than the source can carry pulls the bank down until charging starts again.
        go(&mut plant, 3600, 180.0);
        use SourceStage::{Absorption, Bulk, Float};
        assert_eq!(seen, [Bulk, Absorption, Float, Bulk]);
    }

    #[test]
    fn absorption_ends_by_the_clock_when_the_tail_never_comes() {
        let profile = ChargeProfile { tail: Amperes(0.0), absorption_max: Seconds(600.0), float: None, ..PROFILE };
        let mut plant = plant(0.97, vec![Source { profile, ..source(Networked) }]);
        let begun = (0..3600).find(|_| run(&mut plant, 1, 0.0, &[FED]).sources[0].stage == SourceStage::Absorption);
        assert!(begun.is_some());
        assert_eq!(stages(&run(&mut plant, 599, 0.0, &[FED])), [SourceStage::Absorption]);
        let idle = run(&mut plant, 1, 0.0, &[FED]);
        assert_eq!((idle.sources[0].stage, idle.sources[0].current), (SourceStage::Idle, Amperes(0.0)), "no float");
    }

    #[test]
    fn output_rises_no_faster_than_it_may() {
        let slow = Source { ramp_a_per_s: 2.0, start_delay: Seconds(10.0), ..source(Networked) };
        let mut plant = plant(0.5, vec![slow]);
        assert_eq!(run(&mut plant, 10, 0.0, &[FED]).sources[0].current, Amperes(0.0));
        let amps: Vec<f64> = (0..3).map(|_| run(&mut plant, 1, 0.0, &[FED]).sources[0].current.0).collect();
        assert_eq!(amps, [2.0, 4.0, 6.0]);
        assert_eq!(run(&mut plant, 60, 0.0, &[FED]).sources[0].current, Amperes(100.0));
        // Input that fails takes all of it at once, and the delay begins anew.
        let dark = Conditions { available: Amperes(0.0), ..FED };
        assert_eq!(stages(&run(&mut plant, 1, 0.0, &[dark])), [SourceStage::Off]);
        assert_eq!(run(&mut plant, 10, 0.0, &[FED]).sources[0].current, Amperes(0.0));
    }

    #[test]
    fn a_follower_does_as_its_leader_until_the_link_is_lost() {
        let late = Conditions { on: false, ..FED };
        let both = [FED, FED];
        let mut linked = plant(0.6, vec![source(Networked), source(Networked)]);
        assert!(run(&mut linked, 300, 0.0, &[FED, late]).bus > PROFILE.rebulk);
        let m = run(&mut linked, 1, 0.0, &both);
        assert_eq!(stages(&m), [SourceStage::Bulk; 2]);
        assert_eq!(m.sources[1].current, Amperes(100.0));

        // Without the link it looks at the volts and takes the bank for full, as a source that never had one.
        let alone = Conditions { linked: false, ..FED };
        for (second, conditions) in [(Networked, [FED, alone]), (VoltageSensing, both)] {
            let float = Some(Volts(52.6));
            let low = Source { profile: ChargeProfile { float, ..PROFILE }, ..source(second) };
            let mut plant = plant(0.6, vec![source(Networked), low]);
            run(&mut plant, 300, 0.0, &[FED, late]);
            let m = run(&mut plant, 600, 0.0, &conditions);
            assert_eq!(stages(&m), [SourceStage::Bulk, SourceStage::Float]);
            assert_eq!(m.sources[1].current, Amperes(0.0));
            // When the leader stops, the bus falls and the other one comes after its hold time.
            let stop = [Conditions { on: false, ..FED }, conditions[1]];
            let m = run(&mut plant, 120, 120.0, &stop);
            assert_eq!(stages(&m), [SourceStage::Off, SourceStage::Bulk]);
            assert_eq!(m.sources[1].current, Amperes(100.0));
        }
    }

    #[test]
    fn a_fault_stops_a_source_for_as_long_as_it_lasts() {
        let mut plant = plant(0.6, vec![source(Networked)]);
        run(&mut plant, 5, 0.0, &[FED]);
        let m = run(&mut plant, 5, 0.0, &[Conditions { fault: true, ..FED }]);
        assert_eq!((m.sources[0].stage, m.sources[0].current), (SourceStage::Fault, Amperes(0.0)));
        assert_eq!(stages(&run(&mut plant, 1, 0.0, &[FED])), [SourceStage::Bulk]);
    }

    #[test]
    fn a_hot_source_derates_and_recovers() {
        let derate = crate::model::Curve::new([(60.0, 1.0), (80.0, 0.2)]);
        let heat = crate::model::Body { capacity_j_per_k: 3000.0, loss_w_per_k: 6.0 };
        let mut plant = plant(0.2, vec![Source { derate, heat, ..source(Networked) }]);
        let hot = run(&mut plant, 1800, 0.0, &[FED]).sources[0];
        assert!(hot.current < Amperes(90.0) && hot.temperature > Celsius(60.0), "{hot:?}");
        let fan = Conditions { cooling: 4.0, ..FED };
        let cool = run(&mut plant, 900, 0.0, &[fan]).sources[0];
        assert_eq!(cool.current, Amperes(100.0), "{cool:?}");
    }

    #[test]
    fn a_lead_takes_its_volts() {
        let lead = Source { cable: Ohms(0.004), ..source(Networked) };
        let m = run(&mut plant(0.5, vec![lead]), 1, 0.0, &[FED]);
        assert!(((m.sources[0].terminal - m.bus).0 - 0.4).abs() < 1e-12);
    }
}
