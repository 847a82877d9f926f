//! The battery bank: open-circuit voltage over state of charge, a resistance, one slow polarisation, heat.

use super::{BankPort, Body, Curve};
use ampwake_schemas::intent::Chemistry;
use ampwake_schemas::quantity::{AmpereHours, Amperes, Celsius, Ohms, Seconds, Volts, Watts};

/// LFP/graphite, V per cell at 25 degC over state of charge: electrode functions of Prada et al. 2013,
/// J. Electrochem. Soc. 160 A616, full cell between 2.0 and 3.6 V. The end points are the model's voltage
/// limits, not rest voltages.
const OCV_LFP: [(f64, f64); 13] = [
    (0.0, 2.0),
    (0.05, 2.7853),
    (0.1, 2.9781),
    (0.2, 3.1685),
    (0.3, 3.2058),
    (0.4, 3.2525),
    (0.5, 3.266),
    (0.6, 3.2688),
    (0.7, 3.274),
    (0.8, 3.3097),
    (0.9, 3.3142),
    (0.95, 3.3164),
    (1.0, 3.6),
];

/// NMC811/graphite-SiOx, the same for Chen et al. 2020, J. Electrochem. Soc. 167 080534, 2.5 to 4.2 V.
const OCV_NMC: [(f64, f64); 13] = [
    (0.0, 2.5),
    (0.05, 3.1094),
    (0.1, 3.2959),
    (0.2, 3.4852),
    (0.3, 3.5814),
    (0.4, 3.667),
    (0.5, 3.7509),
    (0.6, 3.8406),
    (0.7, 3.9479),
    (0.8, 4.0421),
    (0.9, 4.0967),
    (0.95, 4.1236),
    (1.0, 4.2),
];

/// The open-circuit curve of a chemistry, V per cell over state of charge 0..1.
///
/// LFP and NMC from the papers named beside their tables. Lead-acid is the straight line
/// 1.96 V + 0.16 V x SOC and titanate the line 2.20 V + 0.35 V x SOC, both from memory.
pub fn ocv(chemistry: Chemistry) -> Curve {
    match chemistry {
        Chemistry::Lfp => Curve::new(OCV_LFP),
        Chemistry::Nmc => Curve::new(OCV_NMC),
        Chemistry::Lto => Curve::new([(0.0, 2.20), (1.0, 2.55)]),
        Chemistry::Flooded | Chemistry::Agm | Chemistry::Gel => Curve::new([(0.0, 1.96), (1.0, 2.12)]),
    }
}

/// A bank; resistances are those of the whole bank.
#[derive(Debug, Clone, PartialEq)]
pub struct Bank {
    /// Open-circuit V per cell over state of charge 0..1.
    pub ocv: Curve,
    /// Cells in series.
    pub cells_in_series: u32,
    /// Capacity.
    pub capacity: AmpereHours,
    /// What answers a current step at once.
    pub r0: Ohms,
    /// What answers it later (diffusion), with time constant `tau`.
    pub r1: Ohms,
    /// Time constant of `r1`.
    pub tau: Seconds,
    /// Lead-acid takes less the fuller it is: charge resistance grows by `acceptance` / (1 - SOC)^1.2 per
    /// cell and ampere-hour of capacity, in ohm Ah. 0 for lithium.
    pub acceptance_ohm_ah: f64,
    /// Charge stored per charge put in, 0..1.
    pub charge_efficiency: f64,
    /// Its heat.
    pub heat: Body,
}

/// What changes in a bank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BankState {
    /// State of charge, 0..1.
    pub soc: f64,
    /// Voltage over `r1`.
    pub polarisation: Volts,
    /// Temperature.
    pub temperature: Celsius,
}

impl Bank {
    /// A bank of ordinary make: resistances, efficiency and heat as is common practice (no source). The
    /// lead-acid acceptance term has the shape and coefficient of Copetti, Lorenzo, Chenlo 1993, Progress in
    /// Photovoltaics 1:283 (from memory).
    pub fn new(chemistry: Chemistry, cells_in_series: u32, capacity: AmpereHours) -> Self {
        // Fast and slow resistance in ohm Ah per cell, acceptance, efficiency, and kg per cell and Ah.
        let (fast, slow, acceptance, efficiency, kg) = match chemistry {
            Chemistry::Lfp => (0.14, 0.10, 0.0, 0.998, 0.020),
            Chemistry::Nmc => (0.12, 0.10, 0.0, 0.998, 0.015),
            Chemistry::Lto => (0.05, 0.04, 0.0, 0.998, 0.030),
            Chemistry::Flooded => (0.09, 0.12, 0.48, 0.90, 0.050),
            Chemistry::Agm | Chemistry::Gel => (0.06, 0.10, 0.48, 0.94, 0.050),
        };
        let cells = f64::from(cells_in_series);
        Self {
            ocv: ocv(chemistry),
            cells_in_series,
            capacity,
            r0: Ohms(fast * cells / capacity.0),
            r1: Ohms(slow * cells / capacity.0),
            tau: Seconds(300.0),
            acceptance_ohm_ah: acceptance,
            charge_efficiency: efficiency,
            // About 1 kJ/(kg K) for any cell; a boxed bank loses its heat with a time constant of hours.
            heat: Body {
                capacity_j_per_k: kg * cells * capacity.0 * 1000.0,
                loss_w_per_k: kg * cells * capacity.0 * 1000.0 / 14_400.0,
            },
        }
    }

    /// At rest with `soc` and `temperature`.
    pub fn at_rest(&self, soc: f64, temperature: Celsius) -> BankState {
        BankState { soc, polarisation: Volts(0.0), temperature }
    }

    /// What the DC bus sees of the bank at this moment.
    pub fn port(&self, state: &BankState) -> BankPort {
        let cells = f64::from(self.cells_in_series);
        // Nothing is ever quite full: keeps the acceptance term finite.
        let room = (1.0 - state.soc).max(0.005);
        let acceptance = cells * self.acceptance_ohm_ah / self.capacity.0 / room.powf(1.2);
        BankPort {
            emf: Volts(cells * self.ocv.at(state.soc)) + state.polarisation,
            charge: self.r0 + Ohms(acceptance),
            discharge: self.r0,
        }
    }

    /// Carries `current` (into the bank positive) for `dt`.
    ///
    /// Coulomb counting with charge efficiency; the RC pair in its exact solution for constant current; heat
    /// from both resistances. Explicit in the open-circuit voltage: steps of 10 s and less are far from the
    /// limit of stability for any real bank.
    pub fn advance(&self, state: &mut BankState, current: Amperes, ambient: Celsius, dt: Seconds) {
        let stored = if current.0 > 0.0 { current * self.charge_efficiency } else { current };
        state.soc = (state.soc + (stored * dt).0 / self.capacity.0).clamp(0.0, 1.0);
        let resistance = if current.0 > 0.0 { self.port(state).charge } else { self.r0 };
        let heat = Watts(current.0 * current.0 * resistance.0)
            + if self.r1.0 > 0.0 { Watts(state.polarisation.0.powi(2) / self.r1.0) } else { Watts(0.0) };
        state.temperature = self.heat.after(state.temperature, heat, ambient, 1.0, dt);
        let settled = current * self.r1;
        state.polarisation = settled + (state.polarisation - settled) * (-dt.0 / self.tau.0).exp();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bank() -> Bank {
        Bank::new(Chemistry::Lfp, 16, AmpereHours(400.0))
    }

    #[test]
    fn an_hour_at_a_tenth_of_capacity_is_a_tenth_of_charge() {
        let bank = Bank { charge_efficiency: 0.9, ..bank() };
        let mut state = bank.at_rest(0.5, Celsius(20.0));
        for _ in 0..3600 {
            bank.advance(&mut state, Amperes(40.0), Celsius(20.0), Seconds(1.0));
        }
        assert!((state.soc - 0.59).abs() < 1e-9, "only what is stored counts");
        for _ in 0..3600 {
            bank.advance(&mut state, Amperes(-40.0), Celsius(20.0), Seconds(1.0));
        }
        assert!((state.soc - 0.49).abs() < 1e-9, "what is drawn counts in full");
    }

    #[test]
    fn polarisation_builds_and_goes_with_its_time_constant() {
        let bank = bank();
        let mut state = bank.at_rest(0.5, Celsius(20.0));
        bank.advance(&mut state, Amperes(100.0), Celsius(20.0), bank.tau);
        let full = 100.0 * bank.r1.0;
        assert!((state.polarisation.0 - full * (1.0 - (-1.0f64).exp())).abs() < 1e-12);
        bank.advance(&mut state, Amperes(0.0), Celsius(20.0), bank.tau * 50.0);
        assert!(state.polarisation.0.abs() < 1e-12);
    }

    #[test]
    fn current_warms_the_bank_by_its_losses() {
        let bank = Bank { r1: Ohms(0.0), heat: Body { capacity_j_per_k: 1000.0, loss_w_per_k: 0.0 }, ..bank() };
        let mut state = bank.at_rest(0.5, Celsius(20.0));
        bank.advance(&mut state, Amperes(-100.0), Celsius(20.0), Seconds(10.0));
        let expected = 20.0 + 100.0 * 100.0 * bank.r0.0 * 10.0 / 1000.0;
        assert!((state.temperature.0 - expected).abs() < 1e-9);
    }

    #[test]
    fn a_full_lead_acid_bank_takes_little() {
        let bank = Bank::new(Chemistry::Flooded, 12, AmpereHours(600.0));
        let at = |soc| {
            let port = bank.port(&bank.at_rest(soc, Celsius(25.0)));
            (28.8 - port.emf.0) / port.charge.0
        };
        // Common practice, no source: about a tenth of capacity at 80 %, a hundredth when nearly full.
        assert!((30.0..90.0).contains(&at(0.80)), "{}", at(0.80));
        assert!((1.0..8.0).contains(&at(0.98)), "{}", at(0.98));
    }
}
