//! The database: one SQLite file behind one small interface. Append samples, read series, list channels,
//! keep events. Nothing outside this package knows how samples are laid out.
//!
//! Owes its reader: what is committed is never lost, what is not ours is refused, and a reader sees a
//! consistent state while the recorder writes. [`Store`] reads and cannot write; [`Writer`] does both, and
//! there is at most one per file.
//!
//! Times: samples are stored with the recorder's own clock and a segment number; reading adds the segment's
//! offset. A clock that turns out to have been wrong is mended by one number, never by rewriting samples.

mod error;
mod gather;
mod lock;
mod mark;
mod migrate;
mod open;
mod overview;
pub mod raw;
mod recover;
mod retain;
mod rollup;
mod samples;
mod scan;
mod several;
mod slice;
mod store;
mod streams;
mod tails;
mod trouble;
mod write;
mod writer;

pub use ampwake_blocks::{Coding, Summary};
pub use error::StoreError;
pub use lock::writer_of;
pub use retain::{Keep, MINUTE_DAYS, Retained};
pub use samples::Samples;
pub use several::{Columns, Follower, News};
pub use store::Store;
pub use streams::StreamColumn;
pub use trouble::Place;
pub use writer::Writer;

use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::time::Timestamp;

/// Number of a channel within one database.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelId(pub i64);

/// Number of a stream within one database: channels that arrive together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StreamId(pub i64);

/// Number of a segment within one database: a stretch in which the recorder's clock ran without a jump.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SegmentId(pub i64);

/// A segment and how its clock is corrected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Segment {
    /// Its number.
    pub id: SegmentId,
    /// The file that was imported, or the recorder's run.
    pub source: String,
    /// Added to the recorder's time to get the time that readers see, ms.
    pub offset_ms: i64,
    /// How that is known; empty for a clock that needs no correction.
    pub note: String,
}

/// A channel and what was heard of it.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelInfo {
    /// Its number.
    pub id: ChannelId,
    /// Its address.
    pub address: ChannelAddress,
    /// Its unit.
    pub unit: Unit,
    /// First sample; `None` when there is none.
    pub first: Option<Timestamp>,
    /// Last sample.
    pub last: Option<Timestamp>,
    /// Number of samples, "not available" ones included.
    pub samples: u64,
    /// Number of those in which the sender had no value.
    pub missing: u64,
    /// The latest value, if the latest sample has one.
    pub latest: Option<f64>,
}

/// Something that happened to the recording itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// When.
    pub time: Timestamp,
    /// What: `clock_step`, `recording_started`, `recording_stopped`, `duplicate_instance`, `address_moved`, `bus_error`, `mark` (by hand), ...
    pub kind: String,
    /// The data bus concerned.
    pub bus: Option<String>,
    /// The channel concerned.
    pub channel: Option<ChannelAddress>,
    /// In plain words, with the figures.
    pub text: String,
    /// The figures, as a JSON object.
    pub details: String,
}

/// Who sent something.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Device {
    /// The data bus.
    pub bus: String,
    /// Its address on the bus when last heard.
    pub address: u8,
    /// The 64-bit NAME, if it was ever claimed.
    pub name: Option<u64>,
    /// What it said about itself (product information), as a JSON object.
    pub product: String,
    /// First frame.
    pub first: Timestamp,
    /// Last frame.
    pub last: Timestamp,
}
