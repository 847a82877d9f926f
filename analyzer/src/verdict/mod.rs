//! A verdict for every requirement: measured value, uncertainty, and what that proves.

mod charge;
mod current;
mod extreme;
mod over;
mod sync;
mod timing;

pub use over::{Tested, over};

use crate::battery::Life;
use crate::opportunity::Opportunity;
use crate::report::format;
use crate::sessions::SessionSpan;
use crate::stages::{Progress, Span};
use crate::view::BankView;
use ampwake_schemas::findings::{Evidence, Verdict, VerdictWord};
use ampwake_schemas::intent::{Limit, Quantity, Requirement};

/// What the evaluation of a requirement may look at.
pub struct Context<'a> {
    /// The bank and its sources.
    pub view: &'a BankView<'a>,
    /// The recording, for signals that no view holds.
    pub recording: &'a crate::recording::Recording,
    /// The bank's stages.
    pub spans: &'a [Span],
    /// Where the bank stands with its profile.
    pub progress: &'a Progress,
    /// The opportunity of every source.
    pub opportunity: &'a [Opportunity],
    /// The charging sessions.
    pub sessions: &'a [SessionSpan],
    /// What the bank lived through.
    pub life: &'a Life,
}

/// A measured value in the quantity's base unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// One standard uncertainty.
    pub u: f64,
    /// What it rests on, in plain words.
    pub how: String,
    /// Figures.
    pub evidence: Evidence,
    /// The true value can only be larger (something had not happened by the end).
    pub at_least: bool,
    /// How much it rests on (seconds, days, energy, charge: what its mean is over), to join it with others of its kind.
    pub weight: f64,
}

/// What came of measuring a requirement's quantity: a value, or why it was not tested.
pub type Outcome = Result<Measured, String>;

impl Measured {
    fn new(value: f64, u: f64, how: impl Into<String>) -> Self {
        Self { value, u, how: how.into(), evidence: Evidence::new(), at_least: false, weight: 1.0 }
    }
    fn weighing(self, weight: f64) -> Self {
        Self { weight, ..self }
    }
    fn with(mut self, name: &str, value: f64, decimals: i32) -> Self {
        crate::cause::put(&mut self.evidence, name, value, decimals);
        self
    }
}

/// Coverage factor of the expanded uncertainty: about 95 % (JCGM 100, 6.2).
const K: f64 = 2.0;

/// The decision rule of JCGM 106 / ISO 14253-1 with the expanded uncertainty U = 2u as guard band on both sides:
/// met when the whole interval y ± U lies on the good side, not met when it lies on the bad side.
pub fn decide(value: f64, u: f64, limit: Limit) -> VerdictWord {
    let margin = match limit {
        Limit::AtLeast(l) => value - l,
        Limit::AtMost(l) => l - value,
    };
    if margin >= K * u {
        VerdictWord::Met
    } else if margin < -K * u {
        VerdictWord::NotMet
    } else {
        VerdictWord::Undetermined
    }
}

/// Probability that the true value conforms, for a normal distribution (JCGM 106, 7.2).
pub fn conformance_probability(value: f64, u: f64, limit: Limit) -> f64 {
    let margin = match limit {
        Limit::AtLeast(l) => value - l,
        Limit::AtMost(l) => l - value,
    };
    if u <= 0.0 {
        return if margin >= 0.0 { 1.0 } else { 0.0 };
    }
    0.5 * erfc(-margin / u / std::f64::consts::SQRT_2)
}

/// Complementary error function, relative error below 1.2e-7 (W. J. Cody's style rational Chebyshev fit as given in
/// Press et al., Numerical Recipes, `erfcc`; from memory, held by the check values of the tests).
pub(crate) fn erfc(x: f64) -> f64 {
    let z = x.abs();
    let t = 1.0 / (1.0 + 0.5 * z);
    const C: [f64; 10] = [
        -1.26551223,
        1.00002368,
        0.37409196,
        0.09678418,
        -0.18628806,
        0.27886807,
        -1.13520398,
        1.48851587,
        -0.82215223,
        0.17087277,
    ];
    let poly = C.iter().rev().fold(0.0, |acc, c| acc * t + c);
    let r = t * (-z * z + poly).exp();
    if x >= 0.0 { r } else { 2.0 - r }
}

/// Judges one requirement by what was measured for it.
pub fn judge(requirement: &Requirement, outcome: Outcome) -> Verdict {
    let outcome = outcome.and_then(|m| match requirement.quantity {
        Quantity::SourceEnergyPerDay => charge::whole_days(m),
        _ => Ok(m),
    });
    let factor = requirement.quantity.units().iter().find(|u| u.0 == requirement.unit).map_or(1.0, |u| u.1);
    let mut verdict = Verdict {
        id: requirement.id.clone(),
        text: requirement.text.clone(),
        quantity: requirement.quantity.text().to_owned(),
        limit: requirement.limit.value(),
        measured: None,
        uncertainty: None,
        unit: requirement.unit.clone(),
        verdict: VerdictWord::NotTested,
        reason: String::new(),
        evidence: Evidence::new(),
    };
    let sense = match requirement.limit {
        Limit::AtLeast(_) => "at_least",
        Limit::AtMost(_) => "at_most",
    };
    match outcome {
        Err(reason) => verdict.reason = reason,
        Ok(m) => {
            let (value, u) = (m.value / factor, m.u / factor);
            let limit = requirement.limit;
            let mut word = decide(value, u, limit);
            if m.at_least && word != decide(f64::INFINITY, u, limit) {
                // Something that had not happened by the end may yet take any time longer.
                word = VerdictWord::Undetermined;
            }
            let probability = conformance_probability(value, u, limit);
            verdict.evidence = m.evidence;
            crate::cause::put(&mut verdict.evidence, "conformance_probability", probability, 4);
            verdict.measured = Some(round(value));
            verdict.uncertainty = Some(round(K * u));
            verdict.verdict = word;
            verdict.reason = reason(word, &m.how, m.at_least);
        }
    }
    verdict.evidence.insert("sense".into(), sense.into());
    verdict
}

fn round(x: f64) -> f64 {
    (x * 1e6).round() / 1e6
}

fn reason(word: VerdictWord, how: &str, at_least: bool) -> String {
    let bound = if at_least { " (at least: it had not happened by the end of the recording)" } else { "" };
    match word {
        VerdictWord::Undetermined if !at_least => {
            format!("too close to call within the measurement uncertainty: {how}")
        }
        _ => format!("{how}{bound}"),
    }
}

/// Measures a requirement's quantity in its base unit, or says why it was not tested.
pub fn measure(r: &Requirement, c: &Context) -> Outcome {
    match r.quantity {
        Quantity::SourceCurrent | Quantity::CombinedCurrent => current::held(r, c),
        Quantity::InputCurrent => extreme::input_current(r, c),
        Quantity::VoltageDrop => current::voltage_drop(r, c),
        Quantity::ContributionShare => charge::share(r, c),
        Quantity::SourceEnergyPerDay => charge::energy_per_day(r, c),
        Quantity::ChargerEfficiency => charge::efficiency(r, c),
        Quantity::BankTemperature => extreme::bank_temperature(r, c),
        Quantity::SourceTemperature => extreme::source_temperature(r, c),
        Quantity::CellVoltage => extreme::cell_voltage(r, c),
        Quantity::RegenerationPower => current::power(r, c),
        Quantity::StageVoltage => extreme::stage_voltage(r, c),
        Quantity::AbsorptionTime => timing::absorption(r, c),
        Quantity::ChargeTime => timing::charge(r, c),
        Quantity::JoinTime => timing::join(r, c, true),
        Quantity::RestartTime => timing::join(r, c, false),
        Quantity::GensetLoad => extreme::genset_load(r, c),
        Quantity::SpecificFuel => charge::specific_fuel(r, c),
        Quantity::SyncVoltage => sync::voltage(r, c),
        Quantity::SyncFrequency => sync::frequency(r, c),
        Quantity::SyncPhase => sync::phase(r, c),
        Quantity::TransferTime => sync::transfer(r, c),
        Quantity::BankCapacity => charge::bank_capacity(c.life),
    }
}

/// The views of the sources that a requirement names; all of them when it names none.
fn named(r: &Requirement, c: &Context) -> Result<Vec<usize>, String> {
    let picked: Vec<usize> = c
        .view
        .sources
        .iter()
        .enumerate()
        .filter(|(_, s)| r.sources.is_empty() || r.sources.contains(&s.intent.name))
        .map(|(j, _)| j)
        .collect();
    if picked.is_empty() { Err("no source of this bank is named".into()) } else { Ok(picked) }
}

fn need_current(c: &Context, sources: &[usize]) -> Result<(), String> {
    for j in sources {
        let s = &c.view.sources[*j];
        if s.current.iter().all(|i| i.is_nan()) {
            return Err(format!("the current of {} was not measured", format::plain(&s.intent.name)));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values H2 (JCGM 106; ISO 14253-1): limit "at least 98", u = 0.6.
    #[test]
    fn guard_band_and_conformance_probability() {
        let limit = Limit::AtLeast(98.0);
        for (y, p, word) in [
            (95.5, 1.545429688232236e-05, VerdictWord::NotMet),
            (98.5, 0.797671619036357, VerdictWord::Undetermined),
            (99.3, 0.9848698599897641, VerdictWord::Met),
            (102.0, 0.999999999986916, VerdictWord::Met),
        ] {
            assert_eq!(decide(y, 0.6, limit), word, "{y}");
            assert!((conformance_probability(y, 0.6, limit) - p).abs() < 1e-6, "{y}");
        }
    }

    /// Check value H3: 56.8 ± 0.05 V, 100 ± 0.6 A (k = 1): 5680 ± 34.445 W (JCGM 100, product).
    #[test]
    fn power_carries_both_uncertainties() {
        assert!((current::power_uncertainty(56.8, 0.05, 100.0, 0.6) - 34.444831252308376).abs() < 1e-6);
    }
}
