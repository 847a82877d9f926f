//! Every word of the live page and the terminal, in one place.
//!
//! Owes its reader: plain words first; nothing that was not seen called fine; no source accused where its time is too short
//! to tell. Terms that the report uses too stand in `report::words`.

use super::snapshot::{Panel, SourceState, Standing};
use ampwake_schemas::trial::{Coverage, TestKind, TestStanding};

// What is missing, and the next step.
pub const NO_DATABASE: &str = "There is no database yet.";
pub const NO_DATABASE_NEXT: &str = "Start the recorder with this file in its configuration (`ampwaked --config FILE`), or import a recording \
    (`ampwake import LOG --db FILE`). This view begins by itself as soon as it is there.";
pub const BAD_DATABASE: &str = "The database cannot be read.";
pub const BAD_DATABASE_NEXT: &str =
    "Name the file that the recorder writes. This view goes on by itself once it can be read.";
pub const NO_INTENT: &str = "There is no design intent, so nothing is known of bank and sources.";
pub const NO_INTENT_NEXT: &str = "Let Ampwake draft one from what the buses carried (`ampwake intent draft DB > FILE`), then correct it. This view reads it again by itself.";
pub const BAD_INTENT: &str = "The design intent has mistakes.";
pub const BAD_INTENT_NEXT: &str =
    "Mend the lines above; this view reads the file again by itself. `ampwake intent check FILE` says the same.";
pub const EMPTY: &str = "The database is there, and nothing was heard yet.";
pub const EMPTY_NEXT: &str = "Are the devices switched on? `ampwaked check --config FILE` says whether the interface is up and its bit rate set.";
pub const EMPTY_NOBODY_NEXT: &str = "No program is recording into it: start the recorder (`ampwaked --config FILE`).";
pub const NOT_NAMED: &str = "The buses speak, but none of the intent's signals was heard. Heard are, for example:";
pub const NOT_NAMED_NEXT: &str = "Compare the addresses of the intent with `ampwake channels DB`.";
pub const UNHEARD: &str = "Some signals of the intent were not heard in these hours:";
pub const UNHEARD_NEXT: &str =
    "Is the device on, and its address the one in the intent file? `ampwake channels DB` lists what was heard.";
pub const STILL: &str = "No new data come in.";
pub const STILL_NEXT: &str = "The recorder runs and hears nothing new: look at the data buses below, at the interface's plug and at the devices.";
pub const STILL_NOBODY_NEXT: &str =
    "No program is recording into this database; what is shown is the end of what it holds.";
pub const NO_PERIOD: &str =
    "Everything was recorded at a time that is still to come: the clock of this computer or of the recorder is wrong.";

// Standing.
/// How things stand with the data.
pub const fn standing(standing: Standing) -> &'static str {
    match standing {
        Standing::Missing => "Something is missing",
        Standing::Reading => "Reading the database",
        Standing::Live => "Live",
        Standing::Still => "No new data",
    }
}

// Sources.
/// What a source is doing, in a few words.
pub const fn state(state: SourceState) -> &'static str {
    match state {
        SourceState::Gives => "gives",
        SourceState::GivesLess => "gives less than it could",
        SourceState::Idle => "gives nothing",
        SourceState::NotNeeded => "not needed",
        SourceState::NoInput => "no input",
        SourceState::Refused => "battery takes none",
        SourceState::NotHeard => "not heard",
        SourceState::Unknown => "not known",
    }
}
pub const GIVES_ASKED: &str = "It gives what is asked of it.";
pub const GIVES_AT_SET_POINT: &str = "The bank is at its set-point and takes only what it needs.";
pub const NOT_NEEDED: &str = "The bank is at its set-point: nothing is asked of it.";
pub const NO_SET_POINT: &str = "The bank is full and its profile has no float: nothing is asked of it.";
pub const NO_ROOM: &str = "The bank takes all it may from the other sources.";
pub const NO_INPUT: &str = "It has no input (supply, engine, sun or water).";
pub const NO_VOLTAGE: &str = "The bank's voltage is not known, so nobody can say what is asked of it.";
pub const NOT_HEARD: &str = "Nothing is heard of its current.";
pub const NO_SENSOR: &str = "It has no current sensor of its own, and the balance of the others leaves it open.";
pub const INPUT_UNKNOWN: &str = "Nothing says whether it has its input.";
pub const WEATHER: &str = "It gives what sun, wind or water give.";
pub const TOO_SHORT: &str = "For too short a time to say why.";
pub const LESS: &str = "Why is not clear yet.";

/// The battery's refusal.
pub fn refused(why: &str) -> String {
    format!("The battery takes no charge: {why}.")
}
/// A cause that is judged from little.
pub fn so_far(because: &str) -> String {
    format!("So far it looks like this: {because}")
}

/// Heading of a picture.
pub const fn panel(panel: Panel) -> &'static str {
    match panel {
        Panel::Voltage => "Bank voltage",
        Panel::Current => "Bank current, into the bank positive",
        Panel::Source => "What each source gives",
        Panel::Temperature => "Temperatures",
        Panel::Charge => "State of charge",
    }
}

/// `3 of 17 covered, 1 failed, since this was opened`, requirements apart; `None` without any test.
pub fn tests(all: &[TestStanding]) -> Option<String> {
    let own = || all.iter().filter(|t| t.kind != TestKind::Requirement);
    let count = |c: Coverage| own().filter(|t| t.coverage == c).count();
    let failed = match count(Coverage::Failed) {
        0 => String::new(),
        n => format!(", {n} failed"),
    };
    (own().count() > 0)
        .then(|| format!("{} of {} covered{failed}, since this was opened", count(Coverage::Covered), own().count()))
}
