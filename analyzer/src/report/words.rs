//! Every word that a report says by itself, in one place: what names and figures of the vessel are set into.
//!
//! Owes its reader: the terms of the trade, one word for one thing ("DC bus" for the copper, "bus" for data), and no
//! sentence that promises more than was measured.

pub mod marks;
pub mod trend;
pub mod trial;

use super::answer::Tally;
use ampwake_schemas::findings::{Cause, Kind, Severity, Stage, VerdictWord};
use ampwake_schemas::intent::{Chemistry, Coordination, Limit, SourceKind};

pub const NO_CALENDAR: &str = "time beyond the calendar";
pub const NOT_KNOWN: &str = "not known";
pub const NONE: &str = "none";
pub const YES: &str = "yes";
pub const NO: &str = "no";
pub const DASH: &str = "\u{2013}";

/// `A to B`.
pub fn from_to(a: &str, b: &str) -> String {
    format!("{a} to {b}")
}
/// Both offsets of a period in which the clocks change.
pub fn offsets_change(a: &str, b: &str) -> String {
    format!("{a}, then {b}")
}
/// `1 session`, `2 sessions`: the plural by adding an s.
pub fn counted(n: usize, noun: &str) -> String {
    if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") }
}

// The head of the report and the answer.
pub const TITLE: &str = "Charging report";
pub const ANSWER: &str = "The answer";
pub const CHECK_NEXT: &str = "Check next:";
pub const CHECK_NEXT_ALL: &str = "What a qualified person should check next";
pub const DELIVERED: &str = "Contributed, nothing found against them:";
pub const IDLE: &str = "Nothing can be said (no opportunity to contribute was seen):";
pub const INFERRED: &str = "Without a current sensor of their own, figures inferred:";
pub const REQUIREMENTS_COUNT: &str = "Design requirements";
pub const NO_REQUIREMENTS: &str = "The intent file holds no requirements, so nothing was compared with a promise.";
pub const JUMP: &str = "In this report";

/// Title of the page.
pub fn page_title(vessel: &str) -> String {
    format!("{vessel}: {}", TITLE.to_lowercase())
}
/// How much was seen, beside the period.
pub fn seen(share: &str) -> String {
    format!("data heard in {share} of this time")
}
/// What else there is about a source.
pub fn further(n: usize) -> String {
    format!("{} about this source.", counted(n, "more finding"))
}
/// Cautions that are not part of the answer.
pub fn other_cautions(n: usize) -> String {
    format!("{} about the bank, the installation or the data: see below.", counted(n, "more caution"))
}
/// More points than the answer shows.
pub fn more_points(n: usize) -> String {
    format!("and {n} more in the full report")
}
/// A list that was cut.
pub fn more_rows(n: usize) -> String {
    format!("and {n} more, all of them in the findings file")
}
/// The one sentence: `short` of `sources` gave too little, `dangers`, `found` points in all.
pub fn headline(short: usize, sources: usize, dangers: usize, found: usize, tally: Tally) -> String {
    let danger = match dangers {
        0 => String::new(),
        1 => " One finding is a danger.".to_owned(),
        n => format!(" {n} findings are dangers."),
    };
    if short > 0 {
        return format!("{short} of {} did not contribute as designed.{danger}", counted(sources, "charging source"));
    }
    let mut but = Vec::new();
    if tally.not_met > 0 {
        but.push(format!("{} not met", requirements_are(tally.not_met)));
    }
    if found > 0 {
        but.push(format!("there {} {} to look at", if found == 1 { "is" } else { "are" }, counted(found, "finding")));
    }
    if !but.is_empty() {
        return format!("No charging source was found to hold back, but {}.{danger}", but.join(" and "));
    }
    match tally.undetermined + tally.not_tested {
        0 => "Nothing was found against the design in what was recorded.".to_owned(),
        n => format!("Nothing was found against the design in what was recorded; {} not shown.", requirements_are(n)),
    }
}
fn requirements_are(n: usize) -> String {
    format!("{} {}", counted(n, "requirement"), if n == 1 { "is" } else { "are" })
}

// Requirements.
pub const VERDICTS: &str = "Requirements of the design";
pub const VERDICTS_NOTE: &str = "\u{b1} is the expanded uncertainty (coverage factor 2, about 95 %). Met and not met are said only \
    where the whole interval lies on one side of the limit; otherwise the requirement is undetermined. The picture shows the limit \
    as an upright line, the permitted side shaded, and the measured value with its interval.";
pub const VERDICT_COLUMNS: [&str; 4] = ["Verdict", "Requirement", "Limit", "Measured"];
pub const NOT_MEASURED: &str = "not measured";

/// `at least 98 A`.
pub fn limit(limit: Option<Limit>, figure: &str) -> String {
    match limit {
        Some(Limit::AtLeast(_)) => format!("at least {figure}"),
        Some(Limit::AtMost(_)) => format!("at most {figure}"),
        None => figure.to_owned(),
    }
}
/// The margin picture in words.
pub fn margin(measured: &str, limit: &str) -> String {
    format!("measured {measured}, limit {limit}")
}
/// A verdict.
pub const fn verdict(word: VerdictWord) -> &'static str {
    match word {
        VerdictWord::Met => "met",
        VerdictWord::NotMet => "not met",
        VerdictWord::Undetermined => "undetermined",
        VerdictWord::NotTested => "not tested",
    }
}
/// A severity.
pub const fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Info => "Info",
        Severity::Caution => "Caution",
        Severity::Danger => "Danger",
    }
}

// Charts.
pub const CHARTS: &str = "What happened";
pub const CHART_KEYS: &str =
    "Charts; with the keyboard the left and right arrows move the reading line, + and - zoom, 0 shows all";
pub const ZOOM_IN: &str = "Zoom in";
pub const ZOOM_OUT: &str = "Zoom out";
pub const ZOOM_WHOLE: &str = "All";
pub const STAGES_PANEL: &str = "Charge stage of the bank";
pub const VOLTAGE_PANEL: &str = "Bank voltage, V";
pub const CURRENT_PANEL: &str = "Bank current, A (into the bank is positive)";
pub const STACK_PANEL: &str = "What the sources give together, A (one upon the other, the first one lowest)";
pub const MEASURED_VOLTAGE: &str = "measured";
pub const ABSORPTION_SET: &str = "absorption set-point";
pub const FLOAT_SET: &str = "float set-point";
pub const NET_CURRENT: &str = "net current";
pub const MAX_CHARGE: &str = "highest charge current";
pub const LIMIT: &str = "limit";
pub const GAP: &str = "no data";
pub const FINDING_MARK: &str = "time of a finding";
pub const NO_CHARTS: &str = "There was nothing to draw.";
pub const NO_STAGES: &str = "No stage could be worked out.";

/// Heading of a bank's charts.
pub fn chart_of(bank: &str, span: &str, zone: &str) -> String {
    format!("{bank}, {span} ({zone})")
}
/// Heading of a source's strip.
pub fn source_panel(name: &str) -> String {
    format!("{name}, A")
}
/// Heading of a temperature's strip.
pub fn temperature_panel(name: &str) -> String {
    format!("{name} temperature, °C")
}
/// A panel in words, for those who do not see it.
pub fn panel_alt(title: &str, low: &str, high: &str) -> String {
    format!("{title}: from {low} to {high}")
}
/// A stage.
pub const fn stage(stage: Stage) -> &'static str {
    match stage {
        Stage::Bulk => "bulk",
        Stage::Absorption => "absorption",
        Stage::Float => "float",
        Stage::Equalisation => "equalisation",
        Stage::Rest => "rest",
        Stage::Discharge => "discharge",
        Stage::Unexplained => "unexplained",
    }
}

// Sources and findings.
pub const SOURCES: &str = "Each charging source";
pub const SOURCES_NOTE: &str = "Opportunity is time in which the source could have contributed: the bank would have taken more, the source \
    had its input, and data were heard. Lost is what it could have given in that time less what it gave. \
    In the bars, solid is given and open is lost.";
pub const SOURCE_COLUMNS: [&str; 6] = ["Session", "Gave", "Share", "Opportunity", "Contributing", "Lost"];
pub const ALL_SESSIONS: &str = "all";
pub const NO_SESSION_OF_SOURCE: &str = "It appears in no charging session.";
pub const NO_SOURCES: &str = "The intent file names no charging source.";
pub const INFERRED_MARK: &str = "inferred";
pub const GAVE_LOST_ALT: &str = "solid: given; open: lost";
pub const SOURCE_PICTURE: &str = "Given / lost";
pub const NOTHING_FOUND: &str = "Nothing was found against it.";
pub const NOTHING_SEEN: &str = "No opportunity to contribute was seen, so nothing can be said about it.";
pub const INSTALLATION: &str = "Bank and installation";
pub const NOTHING_INSTALLATION: &str = "Nothing was found about the bank or the installation as a whole.";
pub const EVIDENCE: &str = "Figures for the electrician";
pub const WHEN: &str = "When";
pub const CHANNEL: &str = "Channel";
pub const BATTERY: &str = "What the recording says about the bank";
pub const BATTERY_ROWS: [&str; 4] = ["Capacity", "Resistance", "Charge efficiency", "Energy efficiency"];
pub const BATTERY_UNKNOWN: &str = "could not be worked out from this recording";

pub const CONTRIBUTION: &str = "Contribution over the sessions";
pub const CONTRIBUTION_NOTE: &str = "One column per charging session, the oldest on the left: the filled height is the part that the \
    source gave of what it could have given. A dash: it had no opportunity.";
pub const SESSION_TIMES: &str = "Sessions from, to";

/// Sessions that are shown.
pub fn last_sessions(shown: usize, all: usize) -> String {
    format!("The last {shown} of {all} sessions.")
}
/// A source's strip in words.
pub fn heat_alt(source: &str, gave: &str, lost: &str) -> String {
    format!("{source}: gave {gave} in all these sessions, could have given {lost} besides")
}
/// One cell of it: what it gave and lost, where it was there.
pub fn heat_cell(session: &str, figures: Option<(String, String)>) -> String {
    match figures {
        Some((gave, lost)) => format!("{session}: gave {gave}, could have given {lost} besides"),
        None => format!("{session}: {NOT_KNOWN}"),
    }
}
/// Rating of a source.
pub fn rated(figure: &str) -> String {
    format!("rated {figure}")
}
/// Deliberate setting of a source.
pub fn set_to(figure: &str) -> String {
    format!("set to {figure} by design")
}
/// Group of a source.
pub fn in_group(group: &str) -> String {
    format!("group \u{201c}{group}\u{201d}")
}
/// How a source knows when to charge.
pub const fn coordination(c: Coordination) -> &'static str {
    match c {
        Coordination::Networked => "networked",
        Coordination::VoltageSensing => "senses voltage only",
    }
}
/// What sort of source.
pub const fn source_kind(kind: SourceKind) -> &'static str {
    match kind {
        SourceKind::ShoreCharger => "shore charger",
        SourceKind::GensetCharger => "genset charger",
        SourceKind::InverterCharger => "inverter-charger",
        SourceKind::DcGenerator => "DC generator",
        SourceKind::Alternator => "alternator",
        SourceKind::Solar => "solar",
        SourceKind::Hydrogenerator => "hydrogenerator",
        SourceKind::Regeneration => "propeller regeneration",
        SourceKind::Wind => "wind generator",
        SourceKind::FuelCell => "fuel cell",
        SourceKind::DcDc => "DC-DC converter",
        SourceKind::Other => "other source",
    }
}
/// A chemistry.
pub const fn chemistry(c: Chemistry) -> &'static str {
    match c {
        Chemistry::Lfp => "lithium iron phosphate",
        Chemistry::Nmc => "lithium nickel manganese cobalt oxide",
        Chemistry::Lto => "lithium titanate",
        Chemistry::Flooded => "vented lead-acid",
        Chemistry::Agm => "absorbed-glass-mat lead-acid",
        Chemistry::Gel => "gelled lead-acid",
    }
}
/// What sort of finding: the word of the file with spaces reads well for nearly all.
pub fn kind(kind: Kind) -> String {
    match kind {
        Kind::NonContributingSource => "source does not contribute".to_owned(),
        Kind::UnderContributingSource => "source contributes too little".to_owned(),
        Kind::TemperatureExcursion => "temperature beyond its limit".to_owned(),
        Kind::AcParallel => "AC sources in parallel".to_owned(),
        Kind::FailedToRestart => "source did not restart".to_owned(),
        Kind::SourceHunting => "source starts and stops again and again".to_owned(),
        Kind::BusSilent => "data bus silent".to_owned(),
        Kind::BusError => "data bus in error".to_owned(),
        Kind::FramesLost => "frames lost while recording".to_owned(),
        other => other.text().replace('_', " "),
    }
}
/// Why a source added too little.
pub const fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::HeldOffByBusVoltage => "held off by the DC bus voltage",
        Cause::LinkLost => "data link to the other chargers lost",
        Cause::NoInput => "no input",
        Cause::SwitchedOff => "switched off",
        Cause::FaultReported => "it reports a fault",
        Cause::ThermalDerating => "reduced by heat",
        Cause::LimitedBySetting => "limited by a setting",
        Cause::InputLimited => "limited by its input",
        Cause::BatteryNotPermitting => "the battery did not permit charging",
        Cause::EndedEarly => "it ended its charge early",
        Cause::WaitingForRebulk => "waiting for a lower voltage before it starts again",
        Cause::VoltageDrop => "voltage drop in its cables",
        Cause::BankLimitReached => "the bank took all it may",
        Cause::NoData => "no data from it",
        Cause::Unknown => "cause not known",
    }
}

// Sessions.
pub const SESSIONS: &str = "Charging sessions and stages";
pub const NO_SESSIONS: &str = "No charging session was seen.";
pub const STAGE_COLUMNS: [&str; 7] =
    ["Stage", "From", "For", "Mean voltage", "Mean current", "Into the bank", "Chargers report"];

/// Heading of a session.
pub fn session(id: u32, bank: Option<&str>) -> String {
    match bank {
        Some(bank) => format!("Session {id}, {bank}"),
        None => format!("Session {id}"),
    }
}
/// What a session came to.
pub fn session_sum(into: &str, net: &str, energy: &str) -> String {
    format!("{into} ({energy}) into the bank, net {net}")
}
/// State of charge at start and end, where heard.
pub fn soc(start: Option<String>, end: Option<String>) -> String {
    match (start, end) {
        (Some(a), Some(b)) => format!("state of charge {a} to {b}"),
        (Some(a), None) => format!("state of charge {a} at the start, not known at the end"),
        (None, Some(b)) => format!("state of charge not known at the start, {b} at the end"),
        (None, None) => "state of charge not known".to_owned(),
    }
}
/// Confidence of a stage or a finding.
pub fn sure(share: &str) -> String {
    format!("Confidence {share}")
}

// Data quality.
pub const DATA: &str = "How good the data are";
pub const DATA_NOTE: &str = "What was not seen is never counted as zero, and never as fine.";
pub const COVERAGE_ROWS: [&str; 3] = ["Anything heard", "Bank voltage known", "Bank current known"];
pub const GAPS: &str = "Times in which nothing was heard";
pub const NO_GAPS: &str = "At no time was everything silent.";
pub const PROBLEMS: &str = "Problems counted while reading";
pub const NO_PROBLEMS: &str = "No problem was counted while reading.";
pub const NOTES: &str = "Remarks of the analysis";
pub const DATA_FINDINGS: &str = "Findings about sensors and recording";
pub const SIGNALS: &str = "Signals of the intent";
pub const SIGNAL_COLUMNS: [&str; 5] = ["Signal", "Channel", "Values", "Typical interval", "Known for"];
pub const NEVER_HEARD: &str = "never heard";
pub const UNHEARD: &str = "Named in the intent file but never heard:";
pub const DEFAULTS: &str = "Defaults used where the designer gave no figure";
pub const NO_DEFAULTS: &str = "Set-points and temperature limits are all the designer's own.";
pub const DEFAULTS_NOTE: &str = "These are common practice for the chemistry, from no published source. The battery maker's data for the actual \
    cells override them: write them into the intent file.";
pub const ACCURACY: &str = "Accuracy of the sensors that was assumed (one standard uncertainty)";
pub const ACCURACY_DEFAULT: &str =
    "The intent file does not say how accurate the sensors are; these are defaults (common practice, no source).";

/// A time zone that nobody knows.
pub fn unknown_zone(name: &str) -> String {
    format!(
        "The time zone \u{201c}{name}\u{201d} of the intent file is not in the IANA database: times are shown in UTC."
    )
}
/// An accuracy: percent of the value and a floor.
pub fn accuracy(what: &str, percent: &str, floor: &str) -> String {
    format!("{what}: {percent} of the value and {floor}, combined as root sum of squares")
}
pub const ACCURACY_NAMES: [&str; 3] = ["current", "voltage", "temperature"];

/// A field of profile or temperature limits, with the unit of its figure.
pub fn default_field(field: &str) -> (&str, &str) {
    match field {
        "absorption_v" => ("absorption set-point", "V"),
        "float_v" => ("float set-point", "V"),
        "rebulk_v" => ("charging starts again below", "V"),
        "tail_a" => ("tail current that ends absorption", "A"),
        "absorption_max_min" => ("longest absorption", "min"),
        "temp_comp_mv_per_k_cell" => ("temperature compensation per cell", "mV/K"),
        "charge_min_c" => ("lowest temperature for charging", "degC"),
        "charge_max_c" => ("highest temperature for charging", "degC"),
        "warn_margin_c" => ("distance from a limit at which a remark is made", "K"),
        "rise_max_c_per_min" => ("fastest rise of temperature", "K/min"),
        "spread_max_c" => ("largest difference between temperature sensors", "K"),
        other => (other, ""),
    }
}

// Cautions: the trade's usual ones (common practice, no source; local codes and class rules govern).
pub const CAUTIONS: &str = "Cautions";
pub const CAUTIONS_LEAD: &str = "This report is advice from a recording. It is no inspection and no certificate, and it does not replace \
    local codes, class rules, the insurer's conditions or the makers' instructions; where they differ from it, they hold. Work on batteries of \
    any voltage, on DC and on AC installations is for people who are licensed or competent for it under the law of the place. The program only \
    listens: it neither commands nor protects anything.";
pub const CAUTION_ITEMS: [(&str, &str); 11] = [
    (
        "Stop charging at once",
        "On smell, hiss, smoke or venting; on a lithium cell above its maker's charging temperature (commonly 45 °C, 55 °C for titanate) or \
         voltage; on a bank above its maker's voltage; on a battery whose temperature rises by 2 °C per minute or differs by 10 °C between \
         sensors; on an alternator case above 120 °C; on AC voltage between parts that should be dead. Keep a fire plan and somebody \
         watching the battery during every trial.",
    ),
    (
        "Hot lithium",
        "A lithium cell that is too hot can run away and burn without air from outside. Do not charge above the maker's limit and do not cool it \
         down only to go on: find out why it is hot.",
    ),
    (
        "Frozen lithium",
        "Charging a lithium cell below the maker's lowest temperature (commonly 0 °C) plates metal inside it, damage that stays and may short the \
         cell later. What counts is the temperature of the cell, not of the air.",
    ),
    (
        "Load dump",
        "Never open a battery switch, breaker or contactor while an alternator charges through it: the voltage jumps and destroys electronics. \
         Field off first, then open. A recording at one value a second is too slow to show such a jump; that none is seen proves nothing.",
    ),
    (
        "Live DC",
        "A battery cannot be switched off. The first hazard is the current of a short circuit, with arc and burns at any voltage; above 60 V DC \
         shock is added. Isolate, prove dead, insulate tools, take off metal that you wear.",
    ),
    (
        "Live AC",
        "Shore power, generator and inverter can each make the same wires live. Isolate and lock off all of them and prove dead. Polarity, \
         earthing and residual-current protection are for the licensed person to check.",
    ),
    (
        "AC sources in parallel",
        "Never join two AC sources unless the equipment is made for it and synchronising equipment closes the breaker. A log of voltage and \
         frequency cannot show the phase at the moment of closing.",
    ),
    (
        "Battery protection",
        "Never bypass or bridge a battery's own protection, not even to prove that it is the cause.",
    ),
    (
        "Lead-acid gas",
        "Lead-acid batteries give off hydrogen, most of all in absorption and equalisation. Ventilate to the code that applies and keep sparks and \
         flames away.",
    ),
    (
        "Other chargers",
        "A test that switches one source off or starts another changes what the rest do. Know before each step what will carry the loads, and \
         let nobody work on a source that may start by itself.",
    ),
    ("Under way", "Do no test that could take away propulsion, steering or navigation where the vessel needs them."),
];
/// The short form for a terminal.
pub const CAUTION_LINE: &str = "This is advice from a recording, no certificate. Batteries, DC and AC are work for licensed people; local codes, class \
    rules and makers' limits hold. Never charge lithium hot or below freezing, never open a battery switch under alternator charge.";

// Provenance.
pub const PROVENANCE: &str = "Where this report comes from";
pub const PROVENANCE_ROWS: [&str; 6] =
    ["Program", "Period, UTC", "Report made, UTC", "Intent file", "Recording", "Format"];
pub const PROGRAM: &str = "Ampwake";
/// A file's hash.
pub fn sha256(hex: &str) -> String {
    format!("SHA-256 {hex}")
}
/// A file's size.
pub fn bytes(n: u64) -> String {
    format!("{n} bytes, not hashed")
}
pub const PALETTE_NOTE: &str = "Colours of the pictures: after the palette of Okabe and Ito (2008) for every kind of colour vision, some of them \
    darkened for contrast. Line styles and patterns say the same without colour.";

// The terminal.
pub const T_SEVERITY: [&str; 3] = ["info", "CAUTION", "DANGER"];
pub const T_SOURCES: [&str; 6] = ["source", "gave", "share", "opportunity", "contributing", "lost"];
pub const T_INFERRED: &str = "* inferred: at least in one session it had no current sensor of its own";
/// Cautions that are not part of the answer, where there is no "below".
pub fn other_cautions_plain(n: usize) -> String {
    format!("{} about the bank, the installation or the data: see the full report.", counted(n, "more caution"))
}
/// One line on data quality.
pub fn heard(all: &str, voltage: &str, current: &str) -> String {
    format!("heard {all} of the period, bank voltage known for {voltage}, bank current for {current}")
}
/// Gaps in one line.
pub fn gaps(n: usize, total: &str) -> String {
    if n == 0 { NO_GAPS.to_owned() } else { format!("{}, {total} in all.", counted(n, "gap")) }
}
