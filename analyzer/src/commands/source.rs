//! Where an analysis gets its data from: a database, or recordings imported into a temporary one.

use super::{Failure, Streams};
use crate::report::{Fingerprint, InputFile};
use ampwake_logger::bus::recording::Input;
use ampwake_logger::dialect::{Dialect, Dialects, check};
use ampwake_logger::import::{ImportOptions, ImportReport};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::message::Protocol;
use ampwake_store::{Store, Writer};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Reads `NAME=PROTOCOL` of `--bus`.
pub fn bus_protocol(text: &str) -> Result<(String, Protocol), String> {
    let (name, word) =
        text.split_once('=').ok_or_else(|| format!("`{text}`: write BUS=PROTOCOL, for example can0=n2k"))?;
    match Protocol::parse(word) {
        Some(protocol) => Ok((name.to_owned(), protocol)),
        None => {
            let known = Protocol::ALL.map(Protocol::text).join(", ");
            Err(format!("`{word}` is no protocol that is known here; a bus may speak {known}"))
        }
    }
}

/// What the buses speak: what the user said of a bus, in that order, else what the intent's addresses say, else
/// NMEA 2000.
pub fn protocols(said: &[(String, Protocol)], intent: Option<&Intent>) -> Result<Dialects, Failure> {
    let mut out: BTreeMap<String, Vec<Protocol>> = BTreeMap::new();
    let mut add = |bus: &str, protocol| {
        let spoken = out.entry(bus.to_owned()).or_default();
        if !spoken.contains(&protocol) {
            spoken.push(protocol);
        }
    };
    for (bus, protocol) in said {
        add(bus, *protocol);
    }
    for (_, _, signal) in intent.map(crate::quality::signals).unwrap_or_default() {
        let address = &signal.address;
        if let Some(protocol) = Protocol::parse(&address.protocol)
            && said.iter().all(|(bus, _)| *bus != address.bus)
        {
            add(&address.bus, protocol);
        }
    }
    for (bus, spoken) in &mut out {
        // The order of an intent's addresses means nothing.
        if said.iter().all(|(name, _)| name != bus) {
            spoken.sort_unstable();
        }
        check(spoken).map_err(|e| Failure::Input(format!("bus {bus}: {e}")))?;
    }
    Ok(out.into_iter().map(|(bus, spoken)| (bus, spoken.into_iter().map(Dialect::from).collect())).collect())
}

/// Imports recordings into a database with progress on a terminal.
pub fn import(
    logs: &[PathBuf],
    options: &ImportOptions,
    writer: &mut Writer,
    streams: &mut Streams,
) -> Result<ImportReport, Failure> {
    let inputs: Vec<Input> = logs.iter().map(Input::from_argument).collect();
    let (terminal, err) = (streams.terminal, &mut *streams.err);
    let mut shown = std::time::Instant::now();
    let report = ampwake_logger::import::import(&inputs, options, writer, &mut |p| {
        if terminal && shown.elapsed().as_millis() > 200 {
            shown = std::time::Instant::now();
            let percent =
                p.fraction.map_or(String::new(), |f| format!(", {:.0} % of file {} of {}", f * 100.0, p.number, p.of));
            // Progress that cannot be shown is no reason to stop.
            let _ = write!(err, "\r{} frames read{percent}   ", p.frames);
        }
    })
    .map_err(|e| Failure::Input(e.to_string()))?;
    if terminal {
        let _ = write!(streams.err, "\r\x1b[K");
    }
    Ok(report)
}

/// A database to analyse; a temporary one is deleted when this is dropped.
pub struct Opened {
    /// Open for reading.
    pub store: Store,
    /// The files behind it, for the report.
    pub inputs: Vec<InputFile>,
    _folder: Option<tempfile::TempDir>,
}

/// Opens a database.
pub fn database(path: &Path) -> Result<Opened, Failure> {
    let store = Store::open(path)?;
    let bytes = std::fs::metadata(path)?.len();
    let input = InputFile { name: file_name(path), fingerprint: Fingerprint::Bytes(bytes) };
    Ok(Opened { store, inputs: vec![input], _folder: None })
}

/// Imports recordings into a temporary database and opens it.
pub fn recordings(logs: &[PathBuf], options: &ImportOptions, streams: &mut Streams) -> Result<Opened, Failure> {
    let folder = tempfile::Builder::new().prefix("ampwake-").tempdir().map_err(|e| {
        Failure::CouldNot(format!("cannot make a temporary folder: {e}; set TMPDIR to one that can be written"))
    })?;
    let path = folder.path().join("recording.db");
    let mut writer = Store::create(&path)?;
    import(logs, options, &mut writer, streams)?;
    drop(writer);
    let inputs = logs.iter().map(|p| InputFile { name: file_name(p), fingerprint: fingerprint(p) }).collect();
    Ok(Opened { store: Store::open(&path)?, inputs, _folder: Some(folder) })
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned())
}

/// SHA-256 of a regular file; a stream has no content left to hash.
pub fn fingerprint(path: &Path) -> Fingerprint {
    let hash = || -> std::io::Result<String> {
        if !std::fs::metadata(path)?.is_file() {
            return Err(std::io::Error::other("not a regular file"));
        }
        let mut file = std::fs::File::open(path)?;
        let mut hasher = Sha256::new();
        let mut buffer = vec![0; 1 << 16];
        loop {
            match file.read(&mut buffer)? {
                0 => break,
                n => hasher.update(&buffer[..n]),
            }
        }
        Ok(hex(&hasher.finalize()))
    };
    hash().map_or(Fingerprint::Bytes(0), Fingerprint::Sha256)
}

/// SHA-256 of bytes at hand.
pub fn fingerprint_of(bytes: &[u8]) -> Fingerprint {
    Fingerprint::Sha256(hex(&Sha256::digest(bytes)))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spoken(said: &[&str]) -> Result<Vec<(String, Vec<String>)>, String> {
        let said: Vec<(String, Protocol)> = said.iter().map(|text| bus_protocol(text).unwrap()).collect();
        let word = |d: &Dialect| match d {
            Dialect::Table(protocol) => protocol.text().to_owned(),
            Dialect::Frames(decoder) => decoder.protocol().to_owned(),
        };
        let buses = protocols(&said, None).map_err(|e| e.to_string())?;
        Ok(buses.iter().map(|(bus, spoken)| (bus.clone(), spoken.iter().map(word).collect())).collect())
    }

    #[test]
    fn a_bus_may_be_named_several_times() {
        let buses = spoken(&["can0=j1939", "can1=rvc", "can0=n2k", "can0=j1939"]).unwrap();
        let words = |list: &[&str]| list.iter().map(|w| (*w).to_owned()).collect::<Vec<_>>();
        assert_eq!(buses, [("can0".to_owned(), words(&["j1939", "n2k"])), ("can1".to_owned(), words(&["rvc"]))]);
        let refused = spoken(&["can0=n2k", "can0=rvc"]).unwrap_err();
        assert!(refused.starts_with("bus can0: n2k and rvc give the same numbers"), "{refused}");
    }

    #[test]
    fn an_unknown_protocol_is_answered_with_the_known_ones() {
        let refused = bus_protocol("can0=nk2").unwrap_err();
        assert!(refused.contains("`nk2`") && refused.contains("n2k, rvc, j1939, canopen"), "{refused}");
        assert!(bus_protocol("can0").unwrap_err().contains("BUS=PROTOCOL"));
    }
}
