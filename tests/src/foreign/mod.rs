//! Foreign bytes, and what must hold whatever they are: one function per way in, from bytes to nothing, that fails
//! by panicking. The fuzz targets in `tests/fuzz` and the replay in `tests/faults.rs` call the same functions.
//!
//! Owes its reader: a function here asserts what its decoder promises, and not only that it does not panic.

mod analysis;
mod block;
mod can_bus;
pub mod corpus;
mod database;
mod feed;
mod files;
mod framing;
mod message;
mod modbus_line;
mod raw;
mod recording;
mod registers;
mod sentences;

use ampwake_schemas::channel::ChannelAddress;
use tokio::runtime::Runtime;

/// What the functions need beside the bytes.
#[derive(Debug)]
pub struct Ground {
    /// A runtime whose time does not pass by itself.
    paused: Runtime,
}

impl Ground {
    /// Over a runtime that was built with its time paused (which takes a feature of tokio that the programs do not
    /// have).
    pub fn new(paused: Runtime) -> Self {
        Self { paused }
    }
}

/// A way in: its name, which is also that of its fuzz target, its corpus and its faults, and its function.
pub type Way = (&'static str, fn(&Ground, &[u8]));

/// Every way in.
pub const WAYS: &[Way] = &[
    ("message", |_, bytes| message::run(bytes)),
    ("framing", |_, bytes| framing::run(bytes)),
    ("can_bus", |_, bytes| can_bus::run(bytes)),
    ("candump", |_, bytes| recording::candump(bytes)),
    ("capture", |_, bytes| recording::capture(bytes)),
    ("container", |_, bytes| recording::container(bytes)),
    ("sentences", |_, bytes| sentences::run(bytes)),
    ("modbus_line", |ground, bytes| modbus_line::run(&ground.paused, bytes)),
    ("registers", |_, bytes| registers::run(bytes)),
    ("dbc", |_, bytes| files::dbc(bytes)),
    ("intent", |_, bytes| files::intent(bytes)),
    ("configuration", |_, bytes| files::configuration(bytes)),
    ("analysis", |_, bytes| analysis::run(bytes)),
    ("block", |_, bytes| block::run(bytes)),
    ("raw", |_, bytes| raw::run(bytes)),
];

/// The way in of this name.
///
/// # Panics
/// When there is none.
pub fn way(name: &str) -> fn(&Ground, &[u8]) {
    WAYS.iter().find(|(n, _)| *n == name).unwrap_or_else(|| panic!("no way in is called {name}")).1
}

fn must_be_an_address(text: &str) {
    let read = text.parse::<ChannelAddress>();
    assert!(read.as_ref().is_ok_and(|a| a.to_string() == text), "{text}: {read:?}");
}
