//! How a recording is doing: what its database says, whether somebody holds its lock, and how much room its disk has.
//!
//! Owes its reader: a figure that is not known is not there; nothing here is slow, however long the recording is.

mod text;

pub use text::{write, write_fresh};

use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelInfo, Store, StoreError, writer_of};
use serde::Serialize;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;

/// Rates are those of this time before the newest sample, s.
const LATELY_S: i64 = 600;
/// A recording must be this long before its growth means anything, s.
const SHORTEST_S: f64 = 6.0 * 3600.0;
/// Messages that tell the time of day: NMEA 2000 126992 and 129029, NMEA 0183 ZDA and RMC.
const TELL_TIME: [&str; 4] = ["126992", "129029", "zda", "rmc"];

/// All that can be said.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Status {
    /// Of the program that says it.
    pub version: &'static str,
    /// The file.
    pub database: String,
    /// Who records into it at this moment.
    pub recorded_by: Option<String>,
    /// The last run of the recorder.
    pub run: Option<Run>,
    /// From the first sample to the last.
    pub first: Option<Timestamp>,
    /// The newest sample.
    pub last: Option<Timestamp>,
    /// When something was last written into the file.
    pub last_commit: Option<Timestamp>,
    /// Every bus that was configured or heard.
    pub buses: Vec<Bus>,
    /// What is known of the clock.
    pub clock: Clock,
    /// Sizes and room.
    pub room: Room,
    /// What could not be used, or was lost, since the file was begun.
    pub problems: BTreeMap<String, u64>,
    /// The newest event that speaks of trouble with the disk or the database.
    pub trouble: Option<Happened>,
}

/// A run of the recorder.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Run {
    /// When it began.
    pub started: Timestamp,
    /// When it was stopped; `None` while it runs, and where nobody stopped it.
    pub stopped: Option<Timestamp>,
    /// Of the recorder.
    pub version: Option<String>,
    /// Seconds between two commits.
    pub commit_every_s: Option<f64>,
}

/// A bus.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Bus {
    /// As in channel addresses.
    pub name: String,
    /// What is decoded on it.
    pub protocols: Vec<String>,
    /// The configuration of the last run names it.
    pub configured: bool,
    /// When a value was heard last.
    pub heard: Option<Timestamp>,
    /// Frames per second of the last full minute, where it has frames.
    pub frames_per_s: Option<f64>,
    /// Values per second in the last ten minutes.
    pub samples_per_s: f64,
    /// Part of what the bus can carry, 0 to 1.
    pub load: Option<f64>,
    /// Frames that were lost because they were not fetched in time, in the last day.
    pub lost_frames: Option<f64>,
    /// Error frames in the last day.
    pub error_frames: Option<f64>,
}

/// The clock by which the newest samples are placed.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Clock {
    /// What is added to the recorder's own, s.
    pub offset_s: f64,
    /// How that is known; empty where nothing is added.
    pub note: String,
    /// Somebody on the buses tells the time of day.
    pub told: bool,
    /// The last step of the clock.
    pub step: Option<Happened>,
}

/// An event.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Happened {
    /// When.
    pub time: Timestamp,
    /// In plain words.
    pub text: String,
}

/// Sizes in bytes.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Room {
    /// The database with its log.
    pub database: u64,
    /// Raw frames beside it.
    pub raw: Option<u64>,
    /// What both may take.
    pub most: Option<u64>,
    /// Free on the disk, and all of it.
    pub disk: Option<(u64, u64)>,
    /// What a day of recording takes.
    pub per_day: Option<f64>,
    /// Until the oldest values have to go, or the disk is full.
    pub days_left: Option<f64>,
    /// Before this time there are summaries only.
    pub full_from: Option<Timestamp>,
}

/// Looks at a database and its disk.
///
/// # Errors
/// The file is missing, is no database of ours, or cannot be read.
pub fn look(path: &Path) -> Result<Status, StoreError> {
    // Looked at first: to open it makes an empty log beside it.
    let last_commit = written(path);
    let store = Store::open(path)?;
    let channels = store.channels()?;
    let period = store.period()?;
    let newest = |kinds: &[&str]| store.newest_event(kinds);
    let started = newest(&["recording_started"])?;
    let configured = newest(&["recording_started", "configuration_changed"])?;
    let stopped = newest(&["recording_stopped"])?.filter(|s| started.as_ref().is_some_and(|b| s.time >= b.time));
    let details = |event: &ampwake_store::Event| serde_json::from_str::<Value>(&event.details).unwrap_or_default();
    let configuration = configured.map(|e| details(&e)["configuration"].take()).unwrap_or_default();
    let recorded_by = writer_of(path);
    let run = started.map(|event| Run {
        started: event.time,
        stopped: stopped.filter(|_| recorded_by.is_none()).map(|e| e.time),
        version: details(&event)["version"].as_str().map(str::to_owned),
        commit_every_s: configuration["commit_every_s"].as_f64(),
    });
    let happened = |event: ampwake_store::Event| Happened { time: event.time, text: event.text };
    let segment = store.segments()?.pop();
    let clock = Clock {
        offset_s: segment.as_ref().map_or(0.0, |s| s.offset_ms as f64 / 1000.0),
        note: segment.map(|s| s.note).unwrap_or_default(),
        told: channels.iter().any(|c| TELL_TIME.contains(&c.address.message.as_str())),
        step: newest(&["clock_step"])?.map(happened),
    };
    let trouble = ["disk_back", "database_set_aside", "database_removed", "raw_frames_given_up"];
    let trouble = newest(&trouble)?.map(happened);
    Ok(Status {
        version: env!("CARGO_PKG_VERSION"),
        database: path.display().to_string(),
        recorded_by,
        run,
        first: period.as_ref().map(|p| p.start),
        last: period.as_ref().map(|p| p.end),
        last_commit,
        buses: buses(&store, &channels, &configuration, period.as_ref().map(|p| (p.start, p.end)))?,
        clock,
        room: room(&store, path, &configuration, period.map(|p| p.end.seconds_since(p.start)))?,
        problems: store.problems()?,
        trouble,
    })
}

/// When the file or its log was written last.
fn written(path: &Path) -> Option<Timestamp> {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    let at = |path: &Path| std::fs::metadata(path).ok().filter(|m| m.len() > 0)?.modified().ok();
    let latest = at(path).max(at(Path::new(&log)))?;
    let since = latest.duration_since(std::time::UNIX_EPOCH).ok()?;
    Some(Timestamp::from_micros(i64::try_from(since.as_micros()).ok()?))
}

fn buses(
    store: &Store,
    channels: &[ChannelInfo],
    configuration: &Value,
    period: Option<(Timestamp, Timestamp)>,
) -> Result<Vec<Bus>, StoreError> {
    let mut buses: Vec<Bus> = Vec::new();
    let words = |value: &Value| -> Vec<String> {
        value.as_array().into_iter().flatten().filter_map(|v| v.as_str().map(str::to_owned)).collect()
    };
    for bus in ["can", "serial"].iter().flat_map(|kind| configuration[kind].as_array().into_iter().flatten()) {
        let Some(name) = bus["name"].as_str() else { continue };
        let mut protocols = words(&bus["protocols"]);
        protocols.extend(bus["protocol"].as_str().map(str::to_owned));
        buses.push(Bus { name: name.to_owned(), protocols, configured: true, ..Bus::default() });
    }
    let end = period.map(|(_, end)| end);
    // A recording that has just begun has no ten minutes yet.
    let lately_s = period.map_or(1.0, |(start, end)| end.seconds_since(start).clamp(1.0, LATELY_S as f64));
    let ago = |s: i64| end.map(|end| Timestamp::from_micros(end.micros().saturating_sub(s * 1_000_000)));
    for channel in channels {
        let address = &channel.address;
        let place = buses.iter().position(|b| b.name == address.bus).unwrap_or_else(|| {
            buses.push(Bus { name: address.bus.clone(), ..Bus::default() });
            buses.len() - 1
        });
        let bus = &mut buses[place];
        if (address.protocol.as_str(), address.message.as_str()) == ("can", "health") {
            let day =
                |store: &Store| -> Result<f64, StoreError> { Ok(store.summary(channel.id, ago(86_400), None)?.sum) };
            match address.field.as_str() {
                "frame_rate" => bus.frames_per_s = channel.latest,
                "bus_load" => bus.load = channel.latest,
                "lost_frames" => bus.lost_frames = Some(day(store)?),
                "error_frames" => bus.error_frames = Some(day(store)?),
                _ => {}
            }
            continue;
        }
        if !bus.configured && !bus.protocols.contains(&address.protocol) {
            bus.protocols.push(address.protocol.clone());
        }
        bus.heard = bus.heard.max(channel.last);
        if channel.last >= ago(LATELY_S) {
            bus.samples_per_s += store.summary(channel.id, ago(LATELY_S), None)?.count as f64 / lately_s;
        }
    }
    Ok(buses)
}

fn room(store: &Store, path: &Path, configuration: &Value, length_s: Option<f64>) -> Result<Room, StoreError> {
    let database = store.bytes()?;
    let raw = std::fs::metadata(ampwake_store::raw::beside(path)).ok().map(|m| m.len());
    let most = configuration["max_gb"].as_f64().map(|gb| (gb * 1e9) as u64);
    let full_from = store.full_from()?;
    let disk = disk(path);
    // Once old values have gone, size over length says nothing about the growth.
    let per_day = length_s.filter(|s| *s >= SHORTEST_S && full_from.is_none()).map(|s| database as f64 / s * 86_400.0);
    let left = [most.map(|most| most.saturating_sub(database + raw.unwrap_or(0))), disk.map(|(free, _)| free)];
    let days_left =
        per_day.filter(|d| *d > 0.0).and_then(|per_day| Some(left.into_iter().flatten().min()? as f64 / per_day));
    Ok(Room { database, raw, most, disk, per_day, days_left, full_from })
}

/// Bytes that a user of the disk may still write, and all of it.
#[cfg(unix)]
fn disk(path: &Path) -> Option<(u64, u64)> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let disk = rustix::fs::statvfs(folder).ok()?;
    Some((disk.f_bavail * disk.f_frsize, disk.f_blocks * disk.f_frsize))
}

#[cfg(not(unix))]
fn disk(_: &Path) -> Option<(u64, u64)> {
    None
}
