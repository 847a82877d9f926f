//! The trial plan (`ampwake-trial/1`): the commissioning tests that a vessel needs, and what a recording has of each.

use crate::findings::{Evidence, Mark, Period, words};
use crate::time::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The document's schema name.
pub const SCHEMA: &str = "ampwake-trial/1";

words! {
    /// How a test stands.
    Coverage {
        /// The recording holds it, and it came out as it should.
        Covered = "covered",
        /// The recording holds it, and it did not.
        Failed = "failed",
        /// Some of it was seen, and not enough.
        Begun = "begun",
        /// Nothing of it was seen.
        ToSail = "to_sail",
        /// Never to be sailed: it is checked on paper, and signed for.
        OnPaper = "on_paper",
    }
}

words! {
    /// What sort of test.
    #[allow(missing_docs)] // the words say it
    TestKind {
        SignalsHeard = "signals_heard",
        RecorderClock = "recorder_clock",
        ZeroAtRest = "zero_at_rest",
        SensorIdentity = "sensor_identity",
        HandReading = "hand_reading",
        SourceAlone = "source_alone",
        SourceWeather = "source_weather",
        EngineSpeeds = "engine_speeds",
        SourcesTogether = "sources_together",
        PairJoin = "pair_join",
        OthersTakeOver = "others_take_over",
        HotSoak = "hot_soak",
        VoltageDrop = "voltage_drop",
        Restart = "restart",
        FullCharge = "full_charge",
        BatteryLimits = "battery_limits",
        LoadDump = "load_dump",
        ColdCharge = "cold_charge",
        AcLimit = "ac_limit",
        GensetLoad = "genset_load",
        AcTransfer = "ac_transfer",
        EnergyLoop = "energy_loop",
        Requirement = "requirement",
    }
}

/// How one test stands, in short: as it stands among the findings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TestStanding {
    /// Number within this document, from 1.
    pub number: u32,
    /// What sort.
    pub kind: TestKind,
    /// In a few words.
    pub title: String,
    /// The sources, AC sources, bank or requirement concerned.
    pub subjects: Vec<String>,
    /// How it stands.
    pub coverage: Coverage,
    /// What was seen, and why that makes it stand so.
    pub seen: String,
}

/// One test in full.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Test {
    /// How it stands.
    #[serde(flatten)]
    pub standing: TestStanding,
    /// Why it is made.
    pub purpose: String,
    /// What has to be true before.
    pub before: Vec<String>,
    /// What is done, in this order.
    pub steps: Vec<String>,
    /// What counts as covered.
    pub accept: String,
    /// When to stop at once, besides what holds for every test.
    pub stop: Vec<String>,
    /// Where it can hurt somebody or something.
    pub cautions: Vec<String>,
    /// What is missing for it to be covered.
    pub missing: Vec<String>,
    /// The figures behind the standing.
    #[schemars(with = "BTreeMap<String, serde_json::Value>")]
    pub evidence: Evidence,
}

/// One line of the set-point sheet: what the design says a device is to be set to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SetPoint {
    /// Bank, source or AC source.
    pub of: String,
    /// What is set.
    pub what: String,
    /// The figure; null where it is a word.
    pub value: Option<f64>,
    /// Its unit, or the word itself.
    pub unit: String,
    /// False where the design says nothing and the chemistry's usual figure stands in.
    pub designed: bool,
}

/// The whole document.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "Ampwake trial plan")]
pub struct Trial {
    /// Always `ampwake-trial/1`.
    #[schemars(extend("const" = SCHEMA))]
    pub schema: String,
    /// The vessel's name.
    pub vessel: String,
    /// The recording that the standings rest on; null before anything was recorded.
    pub period: Option<Period>,
    /// When the plan was made; null: not said.
    pub generated: Option<Timestamp>,
    /// When to stop any test at once.
    pub stop: Vec<String>,
    /// The tests in the order in which they are best made.
    pub tests: Vec<Test>,
    /// What everything is to be set to.
    pub set_points: Vec<SetPoint>,
    /// What was done and read by hand, with the instruments.
    pub marks: Vec<Mark>,
    /// What stays open: tests that failed or are not covered, and what would close them.
    pub open_points: Vec<String>,
}

impl Trial {
    /// The JSON Schema (2020-12) of this document.
    pub fn json_schema() -> serde_json::Value {
        schemars::schema_for!(Trial).to_value()
    }
    /// How many tests stand so.
    pub fn count(&self, coverage: Coverage) -> usize {
        self.tests.iter().filter(|t| t.standing.coverage == coverage).count()
    }
}
