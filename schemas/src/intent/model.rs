//! The intent as values, after reading and checking.

use super::chemistry::Chemistry;
use super::requirement::Requirement;
use crate::channel::ChannelAddress;
use crate::findings::words;
use crate::time::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A channel with the designer's correction: value = raw × `scale`.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// Which channel.
    pub address: ChannelAddress,
    /// −1 for a sensor mounted the other way round; 1 when not given.
    pub scale: f64,
}

/// The vessel.
#[derive(Debug, Clone, PartialEq)]
pub struct Vessel {
    /// Its name.
    pub name: String,
    /// IANA time zone for display; everything is stored in UTC.
    pub time_zone: Option<String>,
}

/// What each section may carry: from when it holds.
pub type ValidFrom = Option<Timestamp>;

/// Which of the bank's further signals (see [`BankSignals::further`]).
pub const FURTHER_BANK_SIGNALS: &[&str] = &[
    "charge_current_limit",
    "charge_voltage_limit",
    "discharge_current_limit",
    "charge_permitted",
    "contactor",
    "precharge",
    "cell_voltage_min",
    "cell_voltage_max",
    "cell_temperature_min",
    "cell_temperature_max",
    "isolation_resistance",
];

/// The bank's signals.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct BankSignals {
    /// Volts.
    pub voltage: Option<Signal>,
    /// Net amperes, into the bank positive.
    pub current: Option<Signal>,
    /// One or more temperatures, degC.
    pub temperature: Vec<Signal>,
    /// State of charge, 0..1.
    pub state_of_charge: Option<Signal>,
    /// The rest, by the names of [`FURTHER_BANK_SIGNALS`].
    pub further: BTreeMap<String, Signal>,
}

/// The charge profile: whole-bank volts at 25 degC, defaults of the chemistry filled in.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Absorption set-point, V.
    pub absorption_v: f64,
    /// Float set-point, V; `None`: the bank is not floated.
    pub float_v: Option<f64>,
    /// Charging starts again below this, V.
    pub rebulk_v: f64,
    /// Absorption ends at this current, A.
    pub tail_a: f64,
    /// Longest absorption, min.
    pub absorption_max_min: f64,
    /// Compensation, mV/K per cell (negative for lead-acid).
    pub temp_comp_mv_per_k_cell: f64,
    /// Names of the fields that came from the chemistry's defaults and not from the designer.
    pub defaulted: Vec<&'static str>,
}

/// The bank's temperature limits, defaults of the chemistry filled in.
#[derive(Debug, Clone, PartialEq)]
pub struct BankTemperature {
    /// Lowest temperature for charging, degC.
    pub charge_min_c: f64,
    /// Highest temperature for charging, degC.
    pub charge_max_c: f64,
    /// Distance from a limit at which a remark is made, K.
    pub warn_margin_c: f64,
    /// Fastest rise, K/min.
    pub rise_max_c_per_min: f64,
    /// Largest difference between sensors, K.
    pub spread_max_c: f64,
    /// Names of the fields that came from the defaults.
    pub defaulted: Vec<&'static str>,
}

/// A battery bank on a common DC bus.
#[derive(Debug, Clone, PartialEq)]
pub struct Bank {
    /// Its name; "bank" when the vessel has one only.
    pub name: String,
    /// Chemistry.
    pub chemistry: Chemistry,
    /// Nominal volts.
    pub nominal_v: f64,
    /// Cells in series.
    pub cells_in_series: u32,
    /// Rated capacity, Ah.
    pub capacity_ah: f64,
    /// Highest charge current, A; `None`: not given.
    pub max_charge_a: Option<f64>,
    /// Its signals.
    pub signals: BankSignals,
    /// Its profile.
    pub profile: Profile,
    /// Its temperature limits.
    pub temperature: BankTemperature,
    /// From when this section holds.
    pub valid_from: ValidFrom,
}

words! {
    /// What sort of charging source.
    SourceKind {
        /// Charger on shore power.
        ShoreCharger = "shore_charger",
        /// Charger fed by an AC generator.
        GensetCharger = "genset_charger",
        /// Inverter that also charges.
        InverterCharger = "inverter_charger",
        /// Generator with DC output.
        DcGenerator = "dc_generator",
        /// Alternator on a propulsion engine.
        Alternator = "alternator",
        /// Photovoltaic array with its regulator.
        Solar = "solar",
        /// Turbine in the water.
        Hydrogenerator = "hydrogenerator",
        /// The propulsion motor driven by the propeller.
        Regeneration = "regeneration",
        /// Wind turbine.
        Wind = "wind",
        /// Fuel cell with its converter.
        FuelCell = "fuel_cell",
        /// DC-DC converter from another DC bus.
        DcDc = "dc_dc",
        /// Anything else.
        Other = "other",
    }
}

impl SourceKind {
    /// True where sun, wind or water decide how much there is to give.
    pub const fn depends_on_weather(self) -> bool {
        matches!(self, Self::Solar | Self::Hydrogenerator | Self::Regeneration | Self::Wind)
    }
    /// True where its input is an AC supply.
    pub const fn is_ac_fed(self) -> bool {
        matches!(self, Self::ShoreCharger | Self::GensetCharger | Self::InverterCharger)
    }
    /// True where an engine turns it.
    pub const fn is_engine_driven(self) -> bool {
        matches!(self, Self::Alternator | Self::DcGenerator)
    }
}

words! {
    /// How the source knows when to charge.
    Coordination {
        /// It shares state over a data link.
        Networked = "networked",
        /// It sees nothing but its own terminals' voltage.
        VoltageSensing = "voltage_sensing",
    }
}

words! {
    /// Where a source senses the voltage that it regulates.
    Sense {
        /// At its own output terminals.
        Terminals = "terminals",
        /// At the bank.
        Bank = "bank",
    }
}

words! {
    /// What keeps an alternator safe when its battery is disconnected.
    LoadDump {
        /// A clamp across its output.
        Clamp = "clamp",
        /// Its field is stopped first.
        FieldStop = "field_stop",
        /// A battery that cannot disconnect itself stays in parallel.
        ParallelBattery = "parallel_battery",
        /// Nothing.
        None = "none",
        /// Not known.
        Unknown = "unknown",
    }
}

/// When a source has its input: the signal is above or below a limit (or between the two).
#[derive(Debug, Clone, PartialEq)]
pub struct AvailableWhen {
    /// Which channel says so.
    pub signal: Signal,
    /// It has its input when the value is above this.
    pub above: Option<f64>,
    /// It has its input when the value is below this.
    pub below: Option<f64>,
}

/// A source's signals.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SourceSignals {
    /// Amperes into the DC bus.
    pub current: Option<Signal>,
    /// Volts at its terminals.
    pub voltage: Option<Signal>,
    /// Its reported charging state, in the code of the address's protocol and message.
    pub state: Option<Signal>,
    /// Its temperature, degC.
    pub temperature: Option<Signal>,
    /// AC input voltage, V.
    pub input_voltage: Option<Signal>,
    /// AC input current, A.
    pub input_current: Option<Signal>,
    /// Input power, W.
    pub input_power: Option<Signal>,
}

/// One charging source of the vessel.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// As the designer names it.
    pub name: String,
    /// What sort.
    pub kind: SourceKind,
    /// Rated output, A.
    pub rated_a: f64,
    /// Deliberately set below the rating, A.
    pub set_a: Option<f64>,
    /// How it knows when to charge.
    pub coordination: Option<Coordination>,
    /// Sources that are meant to share one profile.
    pub group: Option<String>,
    /// The bank it charges (name); the only one when there is one.
    pub bank: String,
    /// Its signals.
    pub signals: SourceSignals,
    /// When it has its input; `None`: inferred.
    pub available_when: Option<AvailableWhen>,
    /// Highest temperature, degC.
    pub max_c: Option<f64>,
    /// Its own absorption set-point, V, where it differs from the bank's profile.
    pub absorption_v: Option<f64>,
    /// Its own float set-point, V.
    pub float_v: Option<f64>,
    /// Where it senses voltage.
    pub sense: Option<Sense>,
    /// Name of the AC source that feeds it.
    pub fed_by: Option<String>,
    /// Declared derating: (degC, fraction of rating), ascending.
    pub derate: Vec<(f64, f64)>,
    /// Engine speed, rpm (alternators).
    pub engine_speed: Option<Signal>,
    /// Declared output: (rpm, A), ascending (alternators).
    pub curve: Vec<(f64, f64)>,
    /// The battery's stop signal to this source.
    pub stop_signal: Option<Signal>,
    /// Load-dump protection.
    pub load_dump: Option<LoadDump>,
    /// From when this section holds.
    pub valid_from: ValidFrom,
}

/// A load that has its own current sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    /// As the designer names it.
    pub name: String,
    /// The bank it draws from.
    pub bank: String,
    /// Amperes out of the DC bus.
    pub current: Option<Signal>,
    /// From when this section holds.
    pub valid_from: ValidFrom,
}

words! {
    /// What sort of AC source.
    AcSourceKind {
        /// Generator set.
        Genset = "genset",
        /// Shore power.
        Shore = "shore",
        /// Inverter.
        Inverter = "inverter",
    }
}

/// An AC source.
#[derive(Debug, Clone, PartialEq)]
pub struct AcSource {
    /// As the designer names it.
    pub name: String,
    /// What sort.
    pub kind: AcSourceKind,
    /// Nominal volts.
    pub nominal_v: Option<f64>,
    /// Nominal hertz.
    pub nominal_hz: Option<f64>,
    /// Breaker or rating, A.
    pub limit_a: Option<f64>,
    /// Meant to run in parallel with another.
    pub parallel: bool,
    /// voltage, frequency, phase, breaker, power, current, fuel_rate.
    pub signals: BTreeMap<String, Signal>,
    /// From when this section holds.
    pub valid_from: ValidFrom,
}

/// What an AC source's signals may be called.
pub const AC_SOURCE_SIGNALS: &[&str] = &["voltage", "frequency", "phase", "breaker", "power", "current", "fuel_rate"];

/// A converter or combiner between two banks.
#[derive(Debug, Clone, PartialEq)]
pub struct Link {
    /// The bank it draws from.
    pub from: String,
    /// The bank it feeds.
    pub to: String,
    /// current, voltage, state.
    pub signals: BTreeMap<String, Signal>,
    /// From when this section holds.
    pub valid_from: ValidFrom,
}

/// One standard uncertainty of what the sensors report: sqrt((percent of value)^2 + floor^2).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AccuracyOf {
    /// Percent of the value.
    pub percent: f64,
    /// In the unit of the value.
    pub floor: f64,
}

impl AccuracyOf {
    /// One standard uncertainty (k = 1) at `value`, in the unit of the value.
    ///
    /// Root sum of squares of independent contributions: JCGM 100 (GUM), 5.1.2.
    pub fn of(self, value: f64) -> f64 {
        (self.percent / 100.0 * value).hypot(self.floor)
    }
}

/// What the sensors can do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Of currents, A.
    pub current: AccuracyOf,
    /// Of voltages, V.
    pub voltage: AccuracyOf,
    /// Of temperatures, K.
    pub temperature: AccuracyOf,
}

impl Default for Accuracy {
    /// 0.5 % and 0.5 A, 0.05 V, 1 K: common practice, no source; the intent may say better.
    fn default() -> Self {
        Self {
            current: AccuracyOf { percent: 0.5, floor: 0.5 },
            voltage: AccuracyOf { percent: 0.0, floor: 0.05 },
            temperature: AccuracyOf { percent: 0.0, floor: 1.0 },
        }
    }
}

/// The whole file.
#[derive(Debug, Clone, PartialEq)]
pub struct Intent {
    /// The vessel.
    pub vessel: Vessel,
    /// Its banks, at least one.
    pub banks: Vec<Bank>,
    /// Its charging sources.
    pub sources: Vec<Source>,
    /// Its measured loads.
    pub loads: Vec<Load>,
    /// Its AC sources.
    pub ac_sources: Vec<AcSource>,
    /// Links between banks.
    pub links: Vec<Link>,
    /// What the design promises.
    pub requirements: Vec<Requirement>,
    /// What the sensors can do.
    pub accuracy: Accuracy,
}
