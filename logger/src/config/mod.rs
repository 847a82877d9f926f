//! The logger's configuration file: which buses are recorded, where to, and what is kept for how long.
//!
//! Read with all its mistakes at once, each with line, column and fix. What a configuration may ask for and this
//! version cannot do yet is said as clearly as a mistake: a bus that is silently not recorded is lost for ever.

mod dbc;
pub mod maps;
pub mod serial;

use crate::asking::Questions;
use crate::dbc::Definitions;
use crate::dialect;
use ampwake_schemas::message;
use ampwake_schemas::toml_read::{self, Homes, Item, Key, Limits, Mistakes, Table, key, quoted};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The file's schema name.
pub const SCHEMA: &str = "ampwake-logger/1";

/// What the daemon does.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// The database; a relative path starts at the configuration's folder.
    pub database: PathBuf,
    /// Seconds between two commits: what a power cut costs.
    pub commit_every_s: u32,
    /// How long and how much is kept.
    pub keep: Keep,
    /// The loopback address at which figures are shown; `None`: nowhere.
    pub metrics: Option<SocketAddr>,
    /// The CAN buses; of these and the lines there is at least one.
    pub can: Vec<CanBus>,
    /// The serial lines, and what speaks like one over a network.
    pub serial: Vec<serial::SerialLine>,
}

/// How long and how much is kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Keep {
    /// Days of raw frames; 0: none.
    pub raw_days: u32,
    /// Days in full resolution; rollups are kept for ever.
    pub full_days: u32,
    /// The most that the database and the raw frames may take, in GB (10^9 bytes).
    pub max_gb: f64,
}

impl Default for Keep {
    /// Two seasons in full, half of a 32 GB card. No raw frames: they take several times what samples take, and nobody's
    /// card is to be filled or worn out by what was not asked for.
    fn default() -> Self {
        Self { raw_days: 0, full_days: 730, max_gb: 16.0 }
    }
}

/// A CAN interface.
#[derive(Debug, Clone, PartialEq)]
pub struct CanBus {
    /// The name of the interface, which is also the name of the bus in channel addresses.
    pub name: String,
    /// What is decoded on it.
    pub protocols: Vec<Protocol>,
    /// The files that describe the maker's own messages, for [`Protocol::Dbc`].
    pub dbc: Vec<PathBuf>,
    /// What they describe.
    pub definitions: Arc<Definitions>,
    /// Whether devices are asked for their address claims and their product information.
    pub ask: bool,
}

/// What a CAN bus may speak.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Protocol {
    /// NMEA 2000.
    N2k,
    /// RV-C.
    Rvc,
    /// SAE J1939.
    J1939,
    /// CANopen.
    CanOpen,
    /// Messages that a DBC file describes.
    Dbc,
}

impl Protocol {
    /// Every protocol that a configuration may name.
    pub const ALL: &[Protocol] = &[Self::N2k, Self::Rvc, Self::J1939, Self::CanOpen, Self::Dbc];

    /// The word as it stands in the file and in channel addresses.
    pub const fn text(self) -> &'static str {
        match self {
            Self::N2k => "n2k",
            Self::Rvc => "rvc",
            Self::J1939 => "j1939",
            Self::CanOpen => "canopen",
            Self::Dbc => "dbc",
        }
    }

    /// Its tables, where its messages are rows of tables.
    pub const fn table(self) -> Option<message::Protocol> {
        match self {
            Self::N2k => Some(message::Protocol::N2k),
            Self::Rvc => Some(message::Protocol::Rvc),
            Self::J1939 => Some(message::Protocol::J1939),
            Self::CanOpen => Some(message::Protocol::Canopen),
            Self::Dbc => None,
        }
    }
}

const DATABASE: Key = key("database", "the file that is recorded into", "\"/var/lib/ampwake/voyage.db\"");
const COMMIT: Key = key("commit_every_s", "the seconds between two commits", "10");
const KEEP: Key = key("keep", "how long and how much is kept", "{ raw_days = 7, full_days = 730, max_gb = 16 }");
const RAW_DAYS: Key = key("raw_days", "the days of raw frames that are kept", "7");
const FULL_DAYS: Key = key("full_days", "the days that are kept in full resolution", "730");
const MAX_GB: Key = key("max_gb", "the most that the recording may take, in GB", "16");
const METRICS: Key = key("metrics", "where figures are shown to this computer", "\"127.0.0.1:9733\"");
const CAN: Key = key("can", "a CAN interface to record", "[[can]]");
const SERIAL: Key = key("serial", "a serial line to record", "[[serial]]");
const CAN_NAME: Key = key("name", "the CAN interface", "\"can0\"");
const PROTOCOLS: Key = key("protocols", "what the bus speaks", "[\"n2k\"]");
const DBC: Key = key("dbc", "files that describe the maker's own messages", "[]");
const ASK: Key = key("ask", "whether devices are asked what they are", "false");

const HOMES: Homes = &[
    ("raw_days", "`keep = { … }`"),
    ("full_days", "`keep = { … }`"),
    ("max_gb", "`keep = { … }`"),
    ("protocols", "[[can]]"),
    ("dbc", "[[can]]"),
    ("ask", "[[can]]"),
    ("port", "[[serial]]"),
    ("baud", "[[serial]]"),
    ("modbus", "[[serial]]"),
    ("parity", "[[serial]]"),
    ("stop_bits", "[[serial]]"),
    ("protocol", "[[serial]]"),
    ("database", "the top of the file, before the first section"),
    ("commit_every_s", "the top of the file, before the first section"),
    ("keep", "the top of the file, before the first section"),
    ("metrics", "the top of the file, before the first section"),
];

/// Longest name of a network interface in characters (Linux `if.h`: IFNAMSIZ is 16 with the closing zero).
const INTERFACE_CHARS: usize = 15;

/// Reads the text of a configuration; `file_name` is for the messages, `base_dir` is where relative paths start.
///
/// # Errors
/// Every mistake of the file, in the order of their places.
pub fn read(file_name: &str, text: &str, base_dir: &Path) -> Result<Config, Mistakes> {
    toml_read::read(file_name, text, HOMES, |root| config(root, base_dir))
}

fn config(root: &Table<'_>, base_dir: &Path) -> Option<Config> {
    root.schema(SCHEMA, "a configuration of the logger");
    let database = root.need(DATABASE).and_then(|i| database(&i, base_dir));
    let commit_every_s = root.take(COMMIT).map_or(Some(10), |i| i.whole(Limits::within(1.0, 3600.0, "s")));
    let keep = root.take(KEEP).map_or(Some(Keep::default()), |i| i.table(keep).flatten());

    let metrics = root.take(METRICS).map_or(Some(None), |i| metrics(&i).map(Some));
    let (can_sections, serial_sections) = (root.sections(CAN), root.sections(SERIAL));
    if can_sections.is_empty() && serial_sections.is_empty() {
        root.need(CAN);
    }
    let mut names = Names::default();
    let can: Vec<Option<CanBus>> =
        can_sections.iter().map(|item| item.table(|t| can_bus(t, base_dir, &mut names)).flatten()).collect();
    let serial: Vec<Option<serial::SerialLine>> =
        serial_sections.iter().map(|item| item.table(|t| serial::line(t, base_dir, &mut names)).flatten()).collect();
    names.check();
    let can: Option<Vec<CanBus>> = can.into_iter().collect();
    let serial: Option<Vec<serial::SerialLine>> = serial.into_iter().collect();
    let (database, commit_every_s, keep, metrics) = (database?, commit_every_s?, keep?, metrics?);
    Some(Config { database, commit_every_s, keep, metrics, can: can?, serial: serial? })
}

/// Figures are for this computer: nobody needs a password, and nothing is encrypted.
fn metrics(item: &Item<'_>) -> Option<SocketAddr> {
    match item.text()?.parse::<SocketAddr>() {
        Ok(address) if address.ip().is_loopback() && address.port() > 0 => Some(address),
        Ok(address) if !address.ip().is_loopback() => {
            item.wrong("figures are shown on a loopback address only", &item.write(METRICS.example));
            None
        }
        _ => {
            item.wrong("this is no address and port", &item.write(METRICS.example));
            None
        }
    }
}

fn database(item: &Item<'_>, base_dir: &Path) -> Option<PathBuf> {
    let text = item.text()?;
    let path = base_dir.join(text);
    if text.ends_with('/') || path.is_dir() {
        let inside = format!("\"{}/voyage.db\"", text.trim_end_matches('/'));
        item.wrong("this is a folder, not a file", &item.write(&inside));
        return None;
    }
    Some(path)
}

fn keep(t: &Table<'_>) -> Option<Keep> {
    let d = Keep::default();
    let days =
        |key, low, default| t.take(key).map_or(Some(default), |i| i.whole(Limits::within(low, 36_500.0, "days")));
    let raw_days = days(RAW_DAYS, 0.0, d.raw_days);
    let full_days = days(FULL_DAYS, 1.0, d.full_days);
    let max_gb = t.take(MAX_GB).map_or(Some(d.max_gb), |i| i.number(Limits::within(0.1, 100_000.0, "GB")));
    Some(Keep { raw_days: raw_days?, full_days: full_days?, max_gb: max_gb? })
}

fn can_bus<'a>(t: &Table<'a>, base_dir: &Path, names: &mut Names<'a>) -> Option<CanBus> {
    let name = t.need(CAN_NAME).and_then(|i| names.take(i, Some(INTERFACE_CHARS)));
    let spoken = t.take(PROTOCOLS);
    let protocols = spoken.as_ref().map_or(Some(vec![Protocol::N2k]), protocols);
    let dbc = dbc::files(t.take(DBC), base_dir);
    let protocols = protocols.and_then(|p| dbc::among(p, spoken.as_ref(), dbc.as_ref().map(|d| d.paths.len())));
    let ask = t.take(ASK).map_or(Some(false), |i| {
        let ask = i.flag()?;
        let tables = protocols.iter().flatten().filter_map(|p| p.table()).collect::<Vec<_>>();
        if ask && protocols.is_some() && Questions::on(&tables).is_none() {
            i.wrong("there is nothing to ask on a bus without n2k, j1939 or rvc", &i.write("false"));
            return None;
        }
        Some(ask)
    });
    let dbc = dbc?;
    Some(CanBus { name: name?, protocols: protocols?, dbc: dbc.paths, definitions: dbc.definitions, ask: ask? })
}

fn protocols(item: &Item<'_>) -> Option<Vec<Protocol>> {
    let mut read = Vec::new();
    let mut good = true;
    for member in item.list()? {
        let Some(protocol) = member.word(Protocol::ALL, Protocol::text) else {
            good = false;
            continue;
        };
        if read.contains(&protocol) {
            member.wrong("this protocol is in the list twice", "take one of the two out");
        }
        read.push(protocol);
    }
    let tables: Vec<message::Protocol> = read.iter().filter_map(|p| p.table()).collect();
    if let Err(collision) = dialect::check(&tables) {
        item.wrong(&collision.to_string(), &item.write(PROTOCOLS.example));
        good = false;
    }
    if good && read.is_empty() {
        item.wrong("a bus that speaks nothing cannot be decoded", &item.write(PROTOCOLS.example));
    }
    good.then_some(read)
}

/// A file that must exist.
fn file(item: &Item<'_>, base_dir: &Path) -> Option<PathBuf> {
    let path = base_dir.join(item.text()?);
    if path.is_file() {
        return Some(path);
    }
    let problem = if path.is_dir() { "this is a folder, not a file" } else { "there is no such file" };
    item.wrong(problem, "correct the path; a relative one starts at the folder of this configuration");
    None
}

/// The names of all buses, in order.
#[derive(Default)]
struct Names<'a>(Vec<(String, Item<'a>)>);

impl<'a> Names<'a> {
    /// Reads a bus's name and remembers it.
    fn take(&mut self, item: Item<'a>, most_chars: Option<usize>) -> Option<String> {
        let name = item.text()?.to_owned();
        let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '_' | '-' | '.');
        let most = most_chars.unwrap_or(64);
        if !name.chars().all(good) || name.len() > most || matches!(name.as_str(), "." | "..") {
            let problem =
                format!("a bus's name has lower-case letters, digits, `_`, `-` and `.` only, at most {most} of them");
            let lower: String = name.to_lowercase().replace(' ', "_");
            let fix = if lower.chars().all(good) && lower.len() <= most {
                item.write(&format!("\"{lower}\""))
            } else {
                format!("write it like this: `name = {}`", item.key().example)
            };
            item.wrong(&problem, &fix);
            return None;
        }
        self.0.push((name.clone(), item));
        Some(name)
    }

    /// Reports names that are there twice.
    fn check(&mut self) {
        self.0.sort_by_key(|(_, item)| item.offset());
        let mut first = std::collections::BTreeMap::new();
        for (name, item) in &self.0 {
            let line = *first.entry(name).or_insert(item.line());
            if line != item.line() {
                let problem = format!("{} is already the name of the bus in line {line}", quoted(name));
                item.wrong(&problem, "give each bus a name of its own; channel addresses begin with it");
            }
        }
    }
}

#[cfg(test)]
mod tests;
