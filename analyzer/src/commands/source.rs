//! Where an analysis gets its data from: a database, or recordings imported into a temporary one.

use super::{Failure, Streams};
use crate::report::{Fingerprint, InputFile};
use ampwake_logger::bus::recording::Input;
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
    let (name, protocol) =
        text.split_once('=').ok_or_else(|| format!("`{text}`: write BUS=PROTOCOL, for example can0=n2k"))?;
    match protocol {
        "n2k" => Ok((name.to_owned(), Protocol::N2k)),
        "rvc" | "j1939" | "canopen" | "dbc" => {
            Err(format!("`{protocol}`: this version decodes n2k only; the bus would stay unheard"))
        }
        _ => Err(format!("`{protocol}` is no protocol that is known here; this version decodes n2k")),
    }
}

/// The protocols of the buses: what the user said, else what the intent's addresses say, else NMEA 2000.
pub fn protocols(said: &[(String, Protocol)], intent: Option<&Intent>) -> BTreeMap<String, Protocol> {
    let mut out = BTreeMap::new();
    if let Some(intent) = intent {
        for (_, _, signal) in crate::quality::signals(intent) {
            if signal.address.protocol == Protocol::N2k.text() {
                out.insert(signal.address.bus.clone(), Protocol::N2k);
            }
        }
    }
    out.extend(said.iter().cloned());
    out
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
