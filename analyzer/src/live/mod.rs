//! What is going on now: the database that the recorder is writing, followed and judged again every few seconds.
//!
//! Owes its reader: one thread reads, in short transactions, and judges; everybody else gets its finished [`Snapshot`]s and
//! can neither slow it down nor be heard by the recorder. What is missing (no database, no intent, nothing heard) is a
//! snapshot too, which says so in plain words with the next step. The judging is the pure analysis on the last hours.

mod buses;
mod follow;
mod history;
mod missing;
mod now;
mod snapshot;
mod window;
pub(crate) mod words;

pub(crate) use follow::clock;
pub use follow::{Options, follow};
pub use history::{COLUMNS, History, LEVELS_MS, Tile};
pub use snapshot::{
    Advice, BankNow, BusNow, ChartSeries, FindingNow, Happening, Kept, Panel, SCHEMA, SessionNow, Snapshot, SourceNow,
    SourceState, StageNow, Standing,
};
