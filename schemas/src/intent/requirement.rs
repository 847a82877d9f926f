//! Requirements: what the design promises, and in which units.

use super::model::ValidFrom;
use crate::findings::{Stage, words};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

words! {
    /// What a requirement measures.
    #[allow(missing_docs)] // the words are the contract's own and read as they stand
    Quantity {
        ChargeTime = "charge_time",
        SourceCurrent = "source_current",
        CombinedCurrent = "combined_current",
        ContributionShare = "contribution_share",
        SourceEnergyPerDay = "source_energy_per_day",
        BankTemperature = "bank_temperature",
        SourceTemperature = "source_temperature",
        StageVoltage = "stage_voltage",
        AbsorptionTime = "absorption_time",
        VoltageDrop = "voltage_drop",
        InputCurrent = "input_current",
        ChargerEfficiency = "charger_efficiency",
        SpecificFuel = "specific_fuel",
        GensetLoad = "genset_load",
        SyncVoltage = "sync_voltage",
        SyncFrequency = "sync_frequency",
        SyncPhase = "sync_phase",
        TransferTime = "transfer_time",
        RestartTime = "restart_time",
        JoinTime = "join_time",
        CellVoltage = "cell_voltage",
        BankCapacity = "bank_capacity",
        RegenerationPower = "regeneration_power",
    }
}

impl Quantity {
    /// The units a requirement may use, the base unit first, each with what one of it is in base units.
    pub const fn units(self) -> &'static [(&'static str, f64)] {
        const AMPS: &[(&str, f64)] = &[("A", 1.0)];
        const TEMPERATURE: &[(&str, f64)] = &[("degC", 1.0)];
        const MINUTES: &[(&str, f64)] = &[("min", 1.0), ("s", 1.0 / 60.0), ("h", 60.0)];
        const SECONDS: &[(&str, f64)] = &[("s", 1.0), ("min", 60.0), ("ms", 0.001)];
        const VOLTS: &[(&str, f64)] = &[("V", 1.0), ("mV", 0.001)];
        const FRACTION: &[(&str, f64)] = &[("fraction", 1.0), ("%", 0.01)];
        const WATTS: &[(&str, f64)] = &[("W", 1.0), ("kW", 1000.0)];
        match self {
            Self::SourceCurrent | Self::CombinedCurrent | Self::InputCurrent => AMPS,
            Self::ContributionShare | Self::ChargerEfficiency => FRACTION,
            Self::SourceEnergyPerDay => &[("Wh", 1.0), ("kWh", 1000.0)],
            Self::BankTemperature | Self::SourceTemperature => TEMPERATURE,
            Self::StageVoltage | Self::VoltageDrop | Self::SyncVoltage | Self::CellVoltage => VOLTS,
            Self::ChargeTime | Self::AbsorptionTime | Self::JoinTime | Self::RestartTime => MINUTES,
            Self::TransferTime => SECONDS,
            Self::SpecificFuel => &[("g/kWh", 1.0)],
            Self::GensetLoad => &[("fraction", 1.0), ("%", 0.01)],
            Self::SyncFrequency => &[("Hz", 1.0)],
            Self::SyncPhase => &[("deg", 1.0)],
            Self::BankCapacity => &[("Ah", 1.0)],
            Self::RegenerationPower => WATTS,
        }
    }
}

/// What the limit of a requirement is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// The measured value must be at least this.
    AtLeast(f64),
    /// The measured value must be at most this.
    AtMost(f64),
}

impl Limit {
    /// The number.
    pub const fn value(self) -> f64 {
        match self {
            Self::AtLeast(v) | Self::AtMost(v) => v,
        }
    }
}

/// One thing that the design promises.
#[derive(Debug, Clone, PartialEq)]
pub struct Requirement {
    /// Short name.
    pub id: String,
    /// In the designer's words.
    pub text: String,
    /// What is measured.
    pub quantity: Quantity,
    /// The limit, in `unit`.
    pub limit: Limit,
    /// The unit, one of [`Quantity::units`].
    pub unit: String,
    /// The sources (or AC sources) concerned; empty: all, or the bank.
    pub sources: Vec<String>,
    /// The bank concerned; `None`: the only one.
    pub bank: Option<String>,
    /// The stage in which it is measured.
    pub stage: Stage,
    /// How long a value must be held, min.
    pub hold_min: f64,
    /// For charge_time.
    pub from_soc: Option<f64>,
    /// For charge_time.
    pub to_soc: Option<f64>,
    /// From when this section holds.
    pub valid_from: ValidFrom,
}
