//! `--dbc BUS=FILE`: messages of a maker's own, beside what a bus speaks otherwise.

use super::{Failure, Streams};
use ampwake_logger::dbc::{Definitions, PROTOCOL};
use ampwake_logger::dialect::{Dialect, Dialects};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::message::Protocol;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

/// Reads `NAME=FILE` of `--dbc`.
pub fn bus_file(text: &str) -> Result<(String, PathBuf), String> {
    match text.split_once('=') {
        Some((bus, file)) if !bus.is_empty() && !file.is_empty() => Ok((bus.to_owned(), file.into())),
        _ => Err(format!("`{text}`: write BUS=FILE, for example can0=pack.dbc")),
    }
}

/// Adds the files to what the buses speak: first, as the user's own words about single identifiers. A bus of which
/// nothing else is said speaks NMEA 2000 too.
pub fn add(
    dialects: &mut Dialects,
    files: &[(String, PathBuf)],
    intent: Option<&Intent>,
    streams: &mut Streams,
) -> Result<(), Failure> {
    let mut by_bus: BTreeMap<&str, Vec<PathBuf>> = BTreeMap::new();
    for (bus, file) in files {
        by_bus.entry(bus).or_default().push(file.clone());
    }
    for (_, _, signal) in intent.map(crate::quality::signals).unwrap_or_default() {
        let address = &signal.address;
        if address.protocol == PROTOCOL && !by_bus.contains_key(address.bus.as_str()) {
            return Err(Failure::Input(format!(
                "the intent names {address}, but no DBC file of that bus: add --dbc {}=FILE",
                address.bus
            )));
        }
    }
    for (bus, paths) in by_bus {
        let definitions = Definitions::read(&paths).map_err(|e| Failure::Input(e.to_string()))?;
        for remark in definitions.remarks() {
            writeln!(streams.err, "{remark}")?;
        }
        let spoken = dialects.entry(bus.to_owned()).or_insert_with(|| vec![Protocol::N2k.into()]);
        spoken.insert(0, Dialect::Frames(Arc::new(definitions)));
    }
    Ok(())
}
