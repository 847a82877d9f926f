//! The findings document (`ampwake-findings/1`): what the analysis says, in one structure from which every
//! output (JSON, HTML, terminal) is written.

use crate::channel::ChannelAddress;
use crate::time::Timestamp;
pub use crate::trend::{Direction, Trend, TrendOf, TrendPoint};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The document's schema name.
pub const SCHEMA: &str = "ampwake-findings/1";

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        pub enum $name { $($(#[$vdoc])* #[serde(rename = $text)] $variant),+ }
        impl $name {
            /// Every word, in the order of the variants.
            pub const ALL: &'static [$name] = &[$($name::$variant),+];
            /// The word as it stands in files.
            pub const fn text(self) -> &'static str { match self { $($name::$variant => $text),+ } }
            /// Back from [`Self::text`].
            pub fn parse(text: &str) -> Option<Self> { Self::ALL.iter().copied().find(|w| w.text() == text) }
        }
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result { f.pad(self.text()) }
        }
    };
}
pub(crate) use words;

words! {
    /// What the bank is in, worked out from volts and amps.
    Stage {
        /// Constant current: the sources are at their limit, the voltage rises.
        Bulk = "bulk",
        /// Constant voltage at the absorption set-point, the current falls.
        Absorption = "absorption",
        /// Constant voltage at the float set-point.
        Float = "float",
        /// A deliberate charge above absorption (lead-acid only).
        Equalisation = "equalisation",
        /// Next to no current.
        Rest = "rest",
        /// Current out of the bank.
        Discharge = "discharge",
        /// None of these fits, or the data are missing.
        Unexplained = "unexplained",
    }
}

words! {
    /// What sort of thing was found.
    #[allow(missing_docs)] // the words are the contract's own and read as they stand
    Kind {
        NonContributingSource = "non_contributing_source",
        UnderContributingSource = "under_contributing_source",
        TemperatureExcursion = "temperature_excursion",
        TemperatureRise = "temperature_rise",
        TemperatureSpread = "temperature_spread",
        ChargeBelowMinimumTemperature = "charge_below_minimum_temperature",
        BatteryDisconnect = "battery_disconnect",
        OverCurrent = "over_current",
        OverVoltage = "over_voltage",
        StageMismatch = "stage_mismatch",
        CurrentBalance = "current_balance",
        SensorFault = "sensor_fault",
        ReversedCurrentSensor = "reversed_current_sensor",
        DuplicateInstance = "duplicate_instance",
        VoltageDrop = "voltage_drop",
        AcParallel = "ac_parallel",
        ThermalDerating = "thermal_derating",
        DataGap = "data_gap",
        ClockStep = "clock_step",
        CapacityFade = "capacity_fade",
        ResistanceRise = "resistance_rise",
        YieldLoss = "yield_loss",
        BatteryLimitExceeded = "battery_limit_exceeded",
        CellImbalance = "cell_imbalance",
        ContactorCycling = "contactor_cycling",
        IsolationFault = "isolation_fault",
        SourceHunting = "source_hunting",
        FailedToRestart = "failed_to_restart",
        Overcharge = "overcharge",
        NotFullyCharged = "not_fully_charged",
        EnergyLoop = "energy_loop",
        LoadDumpRisk = "load_dump_risk",
        SensorOffset = "sensor_offset",
        SensorSwapped = "sensor_swapped",
        BusSilent = "bus_silent",
        BusError = "bus_error",
        FramesLost = "frames_lost",
    }
}

words! {
    /// Why a source added too little.
    #[allow(missing_docs)] // as above
    Cause {
        HeldOffByBusVoltage = "held_off_by_bus_voltage",
        LinkLost = "link_lost",
        NoInput = "no_input",
        SwitchedOff = "switched_off",
        FaultReported = "fault_reported",
        ThermalDerating = "thermal_derating",
        LimitedBySetting = "limited_by_setting",
        InputLimited = "input_limited",
        BatteryNotPermitting = "battery_not_permitting",
        EndedEarly = "ended_early",
        WaitingForRebulk = "waiting_for_rebulk",
        VoltageDrop = "voltage_drop",
        BankLimitReached = "bank_limit_reached",
        NoData = "no_data",
        Unknown = "unknown",
    }
}

words! {
    /// How much it matters.
    Severity {
        /// Worth knowing; nothing to mend.
        Info = "info",
        /// The design is not delivered, or something wants a check.
        Caution = "caution",
        /// Can hurt people or equipment.
        Danger = "danger",
    }
}

words! {
    /// What a requirement came to.
    VerdictWord {
        /// Better than the limit by more than the measurement uncertainty.
        Met = "met",
        /// Worse than the limit by more than the measurement uncertainty.
        NotMet = "not_met",
        /// Evidence, but inside the measurement uncertainty.
        Undetermined = "undetermined",
        /// No evidence: not sailed, not measured, or a precondition is missing.
        NotTested = "not_tested",
    }
}

/// Named figures that support a statement. Units are part of the name (`bus_voltage_mean_v`).
pub type Evidence = BTreeMap<String, serde_json::Value>;

/// From `start` to `end`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Period {
    /// First moment.
    pub start: Timestamp,
    /// Last moment.
    pub end: Timestamp,
}

impl Period {
    /// Its length in seconds.
    pub fn seconds(self) -> f64 {
        self.end.seconds_since(self.start)
    }
}

/// What was seen of the period, and what was not.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DataQuality {
    /// Share of the period in which anything at all was heard, 0..1.
    pub coverage: f64,
    /// Share of the period with a known bank voltage, 0..1.
    pub bank_voltage_coverage: f64,
    /// Share of the period with a known bank current, 0..1.
    pub bank_current_coverage: f64,
    /// Periods in which nothing was heard.
    pub gaps: Vec<Period>,
    /// Every signal of the intent with what was heard of it.
    pub signals: Vec<SignalQuality>,
    /// Counted problems of the recordings (damaged lines, lost frames, ...), by name.
    pub problems: BTreeMap<String, u64>,
    /// Remarks in plain words: what was assumed, what was left out and why.
    pub notes: Vec<String>,
}

/// What was heard of one signal of the intent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SignalQuality {
    /// Whose signal: "bank", or the name of the source, load or AC source.
    pub owner: String,
    /// Which of its signals: `voltage`, `current`, ...
    pub role: String,
    /// The channel's address.
    #[schemars(with = "String")]
    pub channel: ChannelAddress,
    /// Number of values.
    pub samples: u64,
    /// Share of the period in which its value was known, 0..1.
    pub coverage: f64,
    /// Typical distance between two samples, seconds; null with fewer than two.
    pub interval_s: Option<f64>,
}

/// One stretch of a session in one stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StageSpan {
    /// The stage.
    pub stage: Stage,
    /// Where it begins.
    pub start: Timestamp,
    /// Where it ends.
    pub end: Timestamp,
    /// 0..1: how well the predicate fitted and how much of it was seen.
    pub confidence: f64,
    /// Mean bank voltage, V; null when not seen.
    pub voltage_mean: Option<f64>,
    /// Mean bank current, A; null when not seen.
    pub current_mean: Option<f64>,
    /// What went into the bank (integral of positive current), Ah.
    pub charge_ah: f64,
    /// The stage that the chargers reported for most of it, by source.
    pub reported: BTreeMap<String, String>,
}

/// One source within one session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SourceInSession {
    /// The source's name.
    pub source: String,
    /// What it gave to the DC bus, Ah.
    pub charge_ah: f64,
    /// One standard uncertainty of that, Ah.
    pub charge_uncertainty_ah: f64,
    /// What it gave to the DC bus, Wh.
    pub energy_wh: f64,
    /// Its part of what all sources gave, 0..1; null when nobody gave anything.
    pub share: Option<f64>,
    /// Time in which it could have contributed, s.
    pub opportunity_s: f64,
    /// Time of that in which it did, s.
    pub contributing_s: f64,
    /// What it could have given less what it gave, over the opportunity, Ah.
    pub lost_ah: f64,
    /// False when it has no current sensor and the figures are inferred.
    pub measured: bool,
}

/// One charging session of the bank.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Session {
    /// Number within this document, from 1.
    pub id: u32,
    /// The bank, where the vessel has several.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub bank: Option<String>,
    /// Where it begins.
    pub start: Timestamp,
    /// Where it ends.
    pub end: Timestamp,
    /// What went into the bank: the integral of positive bank current, Ah.
    pub charge_ah: f64,
    /// Integral of the bank current with its sign, Ah.
    pub charge_net_ah: f64,
    /// Energy that went into the bank, Wh.
    pub energy_wh: f64,
    /// State of charge at the start, 0..1, where heard.
    pub soc_start: Option<f64>,
    /// State of charge at the end, 0..1, where heard.
    pub soc_end: Option<f64>,
    /// Its stages in time order.
    pub stages: Vec<StageSpan>,
    /// Every source of the intent.
    pub sources: Vec<SourceInSession>,
}

/// One thing that somebody should know.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// What sort of thing.
    pub kind: Kind,
    /// Why, where a source adds too little.
    pub cause: Option<Cause>,
    /// How much it matters.
    pub severity: Severity,
    /// The source's name; null for the bank and the installation as a whole.
    pub source: Option<String>,
    /// The channel, for findings about a sensor.
    #[schemars(with = "Option<String>")]
    pub channel: Option<ChannelAddress>,
    /// First moment concerned.
    pub start: Timestamp,
    /// Last moment concerned.
    pub end: Timestamp,
    /// 0..1.
    pub confidence: f64,
    /// One sentence or two in plain words, with the figures.
    pub summary: String,
    /// The figures behind it.
    #[schemars(with = "BTreeMap<String, serde_json::Value>")]
    pub evidence: Evidence,
    /// What a qualified person should check, most likely first.
    pub check_next: Vec<String>,
}

/// What one requirement of the intent came to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verdict {
    /// The requirement's id.
    pub id: String,
    /// The designer's words.
    pub text: String,
    /// What is measured.
    pub quantity: String,
    /// The limit, in `unit`; the sense stands in `evidence.sense` (`at_least` or `at_most`).
    pub limit: f64,
    /// The measured value, in `unit`.
    pub measured: Option<f64>,
    /// Expanded uncertainty (k = 2) of it, in `unit`.
    pub uncertainty: Option<f64>,
    /// The unit of the three.
    pub unit: String,
    /// The outcome.
    pub verdict: VerdictWord,
    /// Why, in plain words.
    pub reason: String,
    /// The figures behind it.
    #[schemars(with = "BTreeMap<String, serde_json::Value>")]
    pub evidence: Evidence,
}

/// A value and its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// One standard uncertainty (k = 1).
    pub uncertainty: f64,
}

/// What the recording says about the bank itself; null where it cannot say.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BatteryFigures {
    /// Capacity, Ah.
    pub capacity_ah: Option<Estimate>,
    /// Resistance from current steps, milliohm.
    pub resistance_mohm: Option<Estimate>,
    /// Charge out over charge in, over a closed loop.
    pub coulombic_efficiency: Option<Estimate>,
    /// Energy out over energy in, over a closed loop.
    pub energy_efficiency: Option<Estimate>,
}

words! {
    /// What a reading by hand came to beside what the channel said.
    Agreement {
        /// They agree within their uncertainties.
        Agrees = "agrees",
        /// They differ by more than their uncertainties allow.
        Differs = "differs",
        /// The channel said nothing at that moment, or no channel was named.
        NotCompared = "not_compared",
    }
}

/// What somebody did or read by hand, with `ampwake mark`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Mark {
    /// When.
    pub time: Timestamp,
    /// In that person's words.
    pub text: String,
    /// The reading, where there is one.
    pub reading: Option<HandReading>,
}

/// A reading of an instrument that is no part of the vessel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HandReading {
    /// The channel that it is compared with.
    #[schemars(with = "Option<String>")]
    pub channel: Option<ChannelAddress>,
    /// What the instrument showed, in `unit`.
    pub value: f64,
    /// One standard uncertainty of it, in `unit`.
    pub uncertainty: f64,
    /// False where that uncertainty is a usual one for such instruments and nobody's word.
    pub uncertainty_given: bool,
    /// The unit.
    pub unit: String,
    /// Which instrument.
    pub instrument: Option<String>,
    /// When it was last calibrated, `2026-01-31`.
    pub calibrated: Option<String>,
    /// What the channel said at that time, in `unit`.
    pub recorded: Option<f64>,
    /// One standard uncertainty of that, in `unit`.
    pub recorded_uncertainty: Option<f64>,
    /// What the two come to.
    pub agreement: Agreement,
    /// Why, and what is to be said of the calibration, in plain words.
    pub reason: String,
}

/// The whole document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "Ampwake findings")]
pub struct Findings {
    /// Always `ampwake-findings/1`.
    #[schemars(extend("const" = SCHEMA))]
    pub schema: String,
    /// The vessel's name.
    pub vessel: String,
    /// The period analysed.
    pub period: Period,
    /// What was seen of it.
    pub data_quality: DataQuality,
    /// The bank's charging sessions.
    pub sessions: Vec<Session>,
    /// What somebody should know, most severe first.
    pub findings: Vec<Finding>,
    /// One per requirement, in the intent's order.
    pub verdicts: Vec<Verdict>,
    /// The bank.
    pub battery: BatteryFigures,
    /// What was done and read by hand, in time order.
    #[serde(default)]
    pub marks: Vec<Mark>,
    /// How the commissioning tests of this vessel stand after this recording.
    #[serde(default)]
    pub trial: Vec<crate::trial::TestStanding>,
    /// Trends over months; empty where the period is short.
    pub trend: Vec<Trend>,
}

impl Findings {
    /// The JSON Schema (2020-12) of this document.
    pub fn json_schema() -> serde_json::Value {
        schemars::schema_for!(Findings).to_value()
    }
}
