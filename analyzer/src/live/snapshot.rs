//! One immutable picture of now, as web page, terminal and programs get it (`"schema": "ampwake-live/1"`).

use crate::analyze::Analysis;
use crate::report::Provenance;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::{Finding, Period, Stage, Verdict};
use ampwake_schemas::intent::{Intent, SourceKind};
use ampwake_schemas::time::Timestamp;
use ampwake_schemas::trial::TestStanding;
use ampwake_store::ChannelId;
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::Arc;

/// What [`Snapshot::schema`] says.
pub const SCHEMA: &str = "ampwake-live/1";

/// How things stand with the data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Something is missing, and nothing can be shown: see the advice.
    Missing,
    /// The database is read for the first time.
    Reading,
    /// New data come in.
    Live,
    /// Nothing new has come for a while.
    Still,
}

/// Something that is missing or in doubt, and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Advice {
    /// What is wrong, in one sentence.
    pub what: String,
    /// Places and details, one a line.
    pub details: Vec<String>,
    /// What to do next.
    pub next: String,
}

/// What a source is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SourceState {
    /// It gives what is asked of it.
    Gives,
    /// It gives less than it could.
    GivesLess,
    /// It could give and gives nothing.
    Idle,
    /// Nothing is asked of it.
    NotNeeded,
    /// It has no input.
    NoInput,
    /// The battery takes no charge.
    Refused,
    /// It was not heard.
    NotHeard,
    /// Nobody can say.
    Unknown,
}

/// One source now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SourceNow {
    /// Its name.
    pub name: String,
    /// What sort.
    pub kind: SourceKind,
    /// Its rating, or what the design sets it to, A.
    pub rated_a: f64,
    /// What it gives, A; null when not known.
    pub amps: Option<f64>,
    /// What it could give, A; null where nothing more is asked of it or nobody can say.
    pub could_a: Option<f64>,
    /// What it is doing.
    pub state: SourceState,
    /// Since when it stands idle, where it does.
    pub since: Option<Timestamp>,
    /// Why, in plain words.
    pub why: String,
    /// How sure that is, 0..1, where it is a judgement.
    pub confidence: Option<f64>,
    /// What a qualified person should check first.
    pub check_next: Option<String>,
    /// What it says of itself.
    pub reported: Option<&'static str>,
    /// Its temperature, degC.
    pub temperature_c: Option<f64>,
    /// False when its current is inferred.
    pub measured: bool,
    /// What it gave in the session that is going on, Ah.
    pub session_ah: Option<f64>,
    /// What it could have given besides, Ah.
    pub session_lost_ah: Option<f64>,
}

/// A stretch of one stage.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StageNow {
    /// The stage.
    pub stage: Stage,
    /// Where it begins.
    pub start: Timestamp,
    /// Where it ends, or now.
    pub end: Timestamp,
    /// 0..1.
    pub confidence: f64,
}

/// The charging session that is going on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SessionNow {
    /// Where it began.
    pub start: Timestamp,
    /// What went into the bank since, Ah.
    pub charge_ah: f64,
    /// Net of what came out, Ah.
    pub charge_net_ah: f64,
}

/// One bank now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BankNow {
    /// Its name.
    pub name: String,
    /// Its stage; null when nothing is known.
    pub stage: Option<StageNow>,
    /// V.
    pub volts: Option<f64>,
    /// What its profile asks for now, V.
    pub target_v: Option<f64>,
    /// A, into the bank positive.
    pub amps: Option<f64>,
    /// Highest charge current, A.
    pub charge_limit_a: Option<f64>,
    /// Coldest and hottest place, degC.
    pub temperature_c: Option<(f64, f64)>,
    /// State of charge, 0..1.
    pub state_of_charge: Option<f64>,
    /// Sum of the measured loads, A.
    pub loads_a: Option<f64>,
    /// The session that is going on.
    pub session: Option<SessionNow>,
    /// The stages of the window, for a band.
    pub stages: Vec<StageNow>,
    /// Its sources, in the intent's order.
    pub sources: Vec<SourceNow>,
}

/// One data bus.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BusNow {
    /// Its name.
    pub bus: String,
    /// The last sample of any of its channels that is known.
    pub last: Option<Timestamp>,
    /// Devices heard.
    pub devices: usize,
    /// Channels heard.
    pub channels: usize,
    /// Signals of the intent that are on it, and how many of them were heard in the last minute.
    pub signals: (usize, usize),
    /// Frames per second in the last full minute; null where the bus has no frames.
    pub frames_per_s: Option<f64>,
    /// Load, 0..1, in the last full minute.
    pub load: Option<f64>,
    /// Error frames in the window.
    pub error_frames: Option<f64>,
    /// Frames lost in the window.
    pub lost_frames: Option<f64>,
    /// What the recorder said of it last (silence, errors), in the window.
    pub said: Option<String>,
}

/// A finding, and whether it goes on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FindingNow {
    /// The finding.
    #[serde(flatten)]
    pub finding: Finding,
    /// It concerns this very moment.
    pub ongoing: bool,
    /// When this program saw it first.
    pub seen: Timestamp,
}

/// Something that happened to the recording.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Happening {
    /// When.
    pub time: Timestamp,
    /// What, as the recorder words it.
    pub text: String,
}

/// Which picture a line belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Panel {
    /// Bank voltage.
    Voltage,
    /// Bank current.
    Current,
    /// A source's current.
    Source,
    /// A temperature.
    Temperature,
    /// State of charge.
    Charge,
}

/// A line that can be drawn.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChartSeries {
    /// Its picture.
    pub panel: Panel,
    /// What it is, in the user's words.
    pub label: String,
    /// Its unit.
    pub unit: &'static str,
    /// A limit or rating to draw with it.
    pub level: Option<f64>,
    /// The channel.
    pub channel: ChannelAddress,
    /// Its number.
    #[serde(skip)]
    pub id: ChannelId,
    /// The intent's scale.
    #[serde(skip)]
    pub scale: f64,
}

/// What a report of the window is made from.
#[derive(Debug)]
pub struct Kept {
    /// The analysis.
    pub analysis: Analysis,
    /// The intent.
    pub intent: Intent,
    /// Where it comes from.
    pub provenance: Provenance,
}

/// One picture of now.
#[derive(Debug, Clone, Serialize)]
pub struct Snapshot {
    /// Always [`SCHEMA`].
    pub schema: &'static str,
    /// The program's version.
    pub program_version: &'static str,
    /// The vessel, once the intent could be read.
    pub vessel: Option<String>,
    /// The vessel's time zone.
    pub time_zone: Option<String>,
    /// When it was made, by this computer's clock.
    pub made: Timestamp,
    /// How things stand with the data.
    pub standing: Standing,
    /// A program is recording into the database.
    pub recording: bool,
    /// What is missing or in doubt.
    pub advice: Vec<Advice>,
    /// The newest data.
    pub newest: Option<Timestamp>,
    /// How old they were when this was made, s.
    pub age_s: Option<f64>,
    /// The time that was judged.
    pub window: Option<Period>,
    /// Everything that the database holds.
    pub recorded: Option<Period>,
    /// The banks.
    pub banks: Vec<BankNow>,
    /// What was found in the window, most severe first.
    pub findings: Vec<FindingNow>,
    /// The requirements, as far as the window can tell.
    pub verdicts: Vec<Verdict>,
    /// The commissioning tests: each stands as it last stood where it was made since this program looks.
    pub trial: Vec<TestStanding>,
    /// The data buses.
    pub buses: Vec<BusNow>,
    /// Problems counted while recording.
    pub problems: BTreeMap<String, u64>,
    /// What happened to the recording lately, newest first.
    pub happenings: Vec<Happening>,
    /// What can be drawn.
    pub series: Vec<ChartSeries>,
    /// How long the judging took, ms.
    pub judged_in_ms: u64,
    /// For a report of the window.
    #[serde(skip)]
    pub kept: Option<Arc<Kept>>,
}

impl Snapshot {
    /// One in which nothing is known yet.
    pub fn nothing(standing: Standing, made: Timestamp) -> Self {
        Self {
            schema: SCHEMA,
            program_version: env!("CARGO_PKG_VERSION"),
            vessel: None,
            time_zone: None,
            made,
            standing,
            recording: false,
            advice: Vec::new(),
            newest: None,
            age_s: None,
            window: None,
            recorded: None,
            banks: Vec::new(),
            findings: Vec::new(),
            verdicts: Vec::new(),
            trial: Vec::new(),
            buses: Vec::new(),
            problems: BTreeMap::new(),
            happenings: Vec::new(),
            series: Vec::new(),
            judged_in_ms: 0,
            kept: None,
        }
    }
}
