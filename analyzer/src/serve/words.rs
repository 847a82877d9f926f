//! Every word that the live page says by itself, in one place, but for those that the terminal shows too (`live::words`)
//! and those of the report (`report::words`).

// The program's own line.
/// Where it listens, on the terminal.
pub fn listening(address: &str, db: &str) -> String {
    format!("The page of {db} is at http://{address}/ ; Ctrl-C ends it. It only reads.")
}

// Refusals.
pub const NO_PAGE: &str = "There is no such page.";
pub const OTHER_NAME: &str =
    "The page does not answer under this name. Use its address, or start it with --name for the name that you use.";
pub const OTHER_SITE: &str = "This came from another site.";
pub const NEEDS_TOKEN: &str = "The token is needed: open the page itself first.";
pub const TOO_MANY: &str = "Too many listen already; the page itself still shows the latest state.";
pub const NO_REPORT: &str = "There is nothing to report yet.";

// The form for the token.
pub const DOOR_TITLE: &str = "Token needed";
pub const DOOR_TEXT: &str =
    "This page listens beyond its own computer, so it asks for the token that stands in its token file.";
pub const DOOR_LABEL: &str = "Token";
pub const DOOR_BUTTON: &str = "Enter";
pub const DOOR_WRONG: &str = "That is not the token.";

// The page.
/// Title.
pub fn title(vessel: Option<&str>) -> String {
    vessel.map_or_else(|| "Ampwake, live".to_owned(), |v| format!("{v}, live"))
}
pub const SKIP: &str = "Skip to what is going on now";
pub const NO_VESSEL: &str = "Ampwake";
pub const NO_SCRIPT: &str =
    "Without script this page renews itself every five seconds, and the charts stand in the report.";
pub const REPORT: &str = "Report of these hours";
pub const FOOT: &str = "Ampwake listens and advises: it controls nothing and certifies nothing. Work on batteries, DC and AC is for people \
    who are licensed or competent for it; local codes and the makers' limits hold.";
pub const LOST: &str = "This page has lost the program that feeds it; it tries again by itself. What is shown is old.";
pub const NEXT: &str = "Next: ";

/// How old the data are.
pub fn age(text: &str) -> String {
    format!("data {text} old")
}
/// A time with its zone.
pub fn as_of(time: &str, zone: &str) -> String {
    format!("as of {time} ({zone})")
}
pub const RECORDING: &str = "recording";
pub const NOT_RECORDING: &str = "nobody is recording";

pub const NOW: &str = "Now";
pub const STAGE: &str = "Stage";
pub const VOLTAGE: &str = "Voltage";
pub const CURRENT: &str = "Current";
pub const TEMPERATURE: &str = "Temperature";
pub const CHARGE: &str = "State of charge";
pub const LOADS: &str = "Loads";
pub const SESSION: &str = "This session";
pub const NOT_KNOWN: &str = "not known";

/// Since when, and how sure.
pub fn since(time: &str, confidence: &str) -> String {
    format!("since {time}, confidence {confidence}")
}
/// What the profile asks for.
pub fn asked(volts: &str) -> String {
    format!("{volts} asked for")
}
pub const INTO_BANK: &str = "into the bank";
pub const OUT_OF_BANK: &str = "out of the bank";
/// What went in since the session began.
pub fn session(into: &str, start: &str) -> String {
    format!("{into} since {start}")
}

pub const SOURCES: &str = "Charging sources";
pub const SOURCES_NOTE: &str =
    "Solid: what it gives. Dashed: what it could give. The whole width is the largest rating.";
pub const NO_SOURCES: &str = "The intent names no source for this bank.";
/// A source's figure.
pub fn of(gives: &str, could: &str) -> String {
    format!("{gives} of {could}")
}
/// A bar in words.
pub fn bar(gives: &str, could: Option<&str>, rated: &str) -> String {
    match could {
        Some(could) => format!("gives {gives}, could give {could}, rated {rated}"),
        None => format!("gives {gives}, rated {rated}"),
    }
}
pub const SINCE: &str = "Since";
pub const SURE: &str = "Confidence";
pub const SAYS: &str = "It says of itself";
pub const GAVE: &str = "Gave this session";
pub const LEFT: &str = "Could have given besides";
pub const RATED: &str = "Rated";
pub const MORE: &str = "Figures";
pub const INFERRED: &str = "inferred";
pub const CHECK: &str = "Check next: ";

pub const HISTORY: &str = "The last hours";
pub const HISTORY_LABEL: &str =
    "Charts; arrow keys move the reading line, Page Up and Page Down the time, + and - zoom, End goes to now";
pub const EARLIER: &str = "Earlier";
pub const LATER: &str = "Later";
pub const CLOSER: &str = "Zoom in";
pub const WIDER: &str = "Zoom out";
pub const TO_NOW: &str = "Now";
pub const LOADING: &str = "Loading…";
pub const NO_TILE: &str = "This part could not be loaded; it is tried again.";

pub const FINDINGS: &str = "Findings of these hours";
pub const NO_FINDINGS: &str = "Nothing was found in these hours. Findings about sources need ten minutes of evidence.";
pub const ONGOING: &str = "goes on";
pub const NEW: &str = "new";

pub const WANTS: &str = "Requirements so far";
pub const TESTS: &str = "Commissioning tests";
pub const WANTS_NOTE: &str = "From these hours alone; the report over the whole recording decides.";

pub const BUSES: &str = "Data buses";
pub const BUS_COLUMNS: [&str; 6] = ["Bus", "Heard last", "Signals heard", "Frames", "Errors, lost", "Remark"];
pub const NO_FRAMES: &str = "–";
/// Signals of the intent that are heard.
pub fn signals(heard: usize, of: usize) -> String {
    format!("{heard} of {of}")
}
/// Frames a second and load.
pub fn frames(rate: &str, load: Option<&str>) -> String {
    match load {
        Some(load) => format!("{rate}/s, load {load}"),
        None => format!("{rate}/s"),
    }
}
/// Error frames and lost frames.
pub fn losses(errors: &str, lost: &str) -> String {
    format!("{errors} errors, {lost} lost")
}
/// Devices heard.
pub fn devices(n: usize) -> String {
    if n == 1 { "1 device".to_owned() } else { format!("{n} devices") }
}
pub const HAPPENED: &str = "What the recorder noted last";
/// How quick it is.
pub fn judged(hours: &str, ms: u64) -> String {
    format!("Judged from the last {hours}, in {ms} ms.")
}
