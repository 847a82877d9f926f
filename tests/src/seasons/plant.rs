//! Bank, sources and loads on one DC bus, second by second.

use super::Ageing;
use super::days::{Day, Offer, limits};
use ampwake_analyzer::model::Curve;
use ampwake_analyzer::model::ocv;
use ampwake_schemas::intent::Chemistry;

/// Number of sources.
pub(super) const SOURCES: usize = 7;
/// Cells in series.
const CELLS: f64 = 16.0;
/// When it was new.
const CAPACITY_AH: f64 = 560.0;
/// Resistances when new, ohm: at once, and slowly with `TAU_S`.
const R0: f64 = 0.007;
const R1: f64 = 0.004;
const TAU_S: f64 = 400.0;
/// Charge profile, V, A and s.
const ABSORPTION_V: f64 = 56.8;
const FLOAT_V: f64 = 54.0;
const REBULK_V: f64 = 52.8;
const TAIL_A: f64 = 28.0;
const ABSORPTION_S: f64 = 5400.0;

/// What the sensors would see if they were perfect.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Now {
    pub offer: Offer,
    pub bus_v: f64,
    pub bank_a: f64,
    pub soc: f64,
    pub bank_c: f64,
    pub source_a: [f64; SOURCES],
    pub source_v: [f64; SOURCES],
    pub source_c: [f64; SOURCES],
    /// `operating_state` of 127507: 0 not charging, 1 bulk, 2 absorption, 5 float (as in the open message databases).
    pub state: [i64; SOURCES],
}

#[derive(Clone, Copy, PartialEq)]
enum Phase {
    Bulk,
    Absorption { since: f64, low: f64 },
    Float { low: f64 },
}

/// The vessel's DC side.
pub(super) struct Plant {
    ocv: Curve,
    pub soc: f64,
    capacity_ah: f64,
    stiffness: f64,
    polarisation: f64,
    phase: Phase,
    lead_ohm: [f64; SOURCES],
    string_lost: bool,
    bank_c: f64,
    source_c: [f64; SOURCES],
    bus_v: f64,
}

impl Plant {
    pub fn new() -> Self {
        Self {
            ocv: ocv(Chemistry::Lfp),
            soc: 0.7,
            capacity_ah: CAPACITY_AH,
            stiffness: 1.0,
            polarisation: 0.0,
            phase: Phase::Bulk,
            lead_ohm: [0.002, 0.002, 0.002, 0.003, 0.004, 0.004, 0.006],
            string_lost: false,
            bank_c: 15.0,
            source_c: [15.0; SOURCES],
            bus_v: 52.8,
        }
    }

    /// The state of wear on a day.
    pub fn age(&mut self, ageing: Ageing, day: u32) {
        let born = ageing.battery_swapped.filter(|swapped| day >= *swapped).unwrap_or(0);
        let years = |days: u32| f64::from(days) / 365.0;
        self.capacity_ah = CAPACITY_AH * (1.0 - ageing.fade_per_year * years(day - born));
        self.stiffness = 1.0 + ageing.stiffening_per_year * years(day - born);
        self.lead_ohm[0] = 0.002 + 0.001 * ageing.cable_mohm_per_year * years(day);
        self.string_lost = ageing.string_lost.is_some_and(|lost| day >= lost);
    }

    pub fn step(&mut self, day: &Day, second: f64) -> Now {
        let offer = day.at(second / 3600.0);
        let limit = limits(&offer, self.string_lost);
        let load: f64 = offer.loads_a.iter().sum();
        let set = if matches!(self.phase, Phase::Float { .. }) { FLOAT_V } else { ABSORPTION_V };
        let r0 = R0 * self.stiffness * (1.0 + 0.008 * (25.0 - self.bank_c).max(0.0));
        let emf = CELLS * self.ocv.at(self.soc) + self.polarisation;
        let given =
            |v: f64| -> f64 { limit.iter().zip(self.lead_ohm).map(|(l, r)| ((set - v) / r).clamp(0.0, *l)).sum() };
        // All at their limits, or somewhere between: the sources give less with rising volts, the bank takes more.
        let most: f64 = limit.iter().sum();
        let mut v = emf + r0 * (most - load);
        if given(v) < most - 1e-9 {
            let (mut low, mut high) = (40.0, 60.0);
            for _ in 0..30 {
                v = 0.5 * (low + high);
                if given(v) - load > (v - emf) / r0 { low = v } else { high = v }
            }
        }
        let bank_a = (v - emf) / r0;
        self.soc =
            (self.soc + bank_a * if bank_a > 0.0 { 0.995 } else { 1.0 } / 3600.0 / self.capacity_ah).clamp(0.02, 1.0);
        self.polarisation += (bank_a * R1 * self.stiffness - self.polarisation) / TAU_S;
        let room = 4.0 + day.cold_c;
        self.bank_c += (room - self.bank_c) / 20_000.0 + bank_a * bank_a * (r0 + R1) / 180_000.0;
        let mut now = Now { offer, bus_v: v, bank_a, soc: self.soc, bank_c: self.bank_c, ..Now::default() };
        for (j, most) in limit.into_iter().enumerate() {
            let a = ((set - v) / self.lead_ohm[j]).clamp(0.0, most);
            now.source_a[j] = a;
            now.source_v[j] = v + a * self.lead_ohm[j];
            self.source_c[j] += (room + 0.3 * a - self.source_c[j]) / 900.0;
            now.source_c[j] = self.source_c[j];
            now.state[j] = match self.phase {
                _ if most < 0.05 => 0,
                Phase::Bulk => 1,
                Phase::Absorption { .. } => 2,
                Phase::Float { .. } => 5,
            };
        }
        self.bus_v = v;
        self.follow_profile(now.source_a.iter().sum(), bank_a, most);
        now
    }

    /// The sources share one profile: absorption to the tail, then float, and again when the bank has sagged.
    fn follow_profile(&mut self, given: f64, bank_a: f64, most: f64) {
        let sagged = self.bus_v < REBULK_V;
        self.phase = match self.phase {
            Phase::Bulk if self.bus_v > ABSORPTION_V - 0.15 && given > 5.0 => {
                Phase::Absorption { since: 0.0, low: 0.0 }
            }
            Phase::Bulk => Phase::Bulk,
            // Tail, or too little sun to tell: the battery's amperes count, where enough is offered.
            Phase::Absorption { since, low } => {
                let low = if bank_a < TAIL_A && most > given + 1.0 { low + 1.0 } else { 0.0 };
                if low > 180.0 || since > ABSORPTION_S {
                    Phase::Float { low: 0.0 }
                } else if self.bus_v < ABSORPTION_V - 1.0 {
                    Phase::Bulk
                } else {
                    Phase::Absorption { since: since + 1.0, low }
                }
            }
            Phase::Float { low } if sagged && low > 60.0 => Phase::Bulk,
            Phase::Float { low } => Phase::Float { low: if sagged { low + 1.0 } else { 0.0 } },
        };
    }
}
