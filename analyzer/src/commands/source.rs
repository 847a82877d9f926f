//! Where an analysis gets its data from: a database, or recordings imported into a temporary one.

use super::progress::{Progress, Step, bytes};
use super::{Failure, Streams};
use crate::report::{Fingerprint, InputFile};
use ampwake_logger::bus::nmea0183;
use ampwake_logger::bus::recording::Input;
use ampwake_logger::dialect::{Dialect, check};
use ampwake_logger::import::{ImportOptions, ImportReport};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::message::Protocol;
use ampwake_store::{Store, Writer};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::{Path, PathBuf};

/// What a user says that a bus speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spoken {
    /// Messages of the tables.
    Table(Protocol),
    /// NMEA 0183: the line of sentences whose recording does not name it.
    Sentences,
}

/// Reads `NAME=PROTOCOL` of `--bus`.
pub fn bus_protocol(text: &str) -> Result<(String, Spoken), String> {
    let (name, word) =
        text.split_once('=').ok_or_else(|| format!("`{text}`: write BUS=PROTOCOL, for example can0=n2k"))?;
    match Protocol::parse(word) {
        Some(protocol) => Ok((name.to_owned(), Spoken::Table(protocol))),
        None if word == nmea0183::PROTOCOL => Ok((name.to_owned(), Spoken::Sentences)),
        None => {
            let known = Protocol::ALL.map(Protocol::text).join(", ");
            let sentences = nmea0183::PROTOCOL;
            Err(format!("`{word}` is no protocol that is known here; a bus may speak {known}, {sentences}"))
        }
    }
}

/// How to import: what the user said of a bus, in that order, else what the intent's addresses say, else NMEA 2000.
pub fn options(said: &[(String, Spoken)], intent: Option<&Intent>) -> Result<ImportOptions, Failure> {
    let mut tables: BTreeMap<String, Vec<Protocol>> = BTreeMap::new();
    let mut lines: BTreeSet<&str> = BTreeSet::new();
    let mut add = |bus: &str, protocol| {
        let spoken = tables.entry(bus.to_owned()).or_default();
        if !spoken.contains(&protocol) {
            spoken.push(protocol);
        }
    };
    for (bus, spoken) in said {
        match spoken {
            Spoken::Table(protocol) => add(bus, *protocol),
            Spoken::Sentences => drop(lines.insert(bus)),
        }
    }
    if let (Some(a), Some(b)) = (lines.first(), lines.iter().nth(1)) {
        return Err(Failure::Input(format!(
            "--bus names two lines of sentences, {a} and {b}: a recording that does not name its line belongs to one of \
             them; name that one alone, and import the other recording by itself"
        )));
    }
    let unsaid = |bus: &str| said.iter().all(|(name, _)| name != bus);
    let signals = intent.map(crate::quality::signals).unwrap_or_default();
    let nobody_said = lines.is_empty();
    for address in signals.iter().map(|(_, _, signal)| &signal.address) {
        match Protocol::parse(&address.protocol) {
            Some(protocol) if unsaid(&address.bus) => add(&address.bus, protocol),
            None if nobody_said && address.protocol == nmea0183::PROTOCOL => drop(lines.insert(&address.bus)),
            _ => {}
        }
    }
    for (bus, spoken) in &mut tables {
        // The order of an intent's addresses means nothing.
        if unsaid(bus) {
            spoken.sort_unstable();
        }
        check(spoken).map_err(|e| Failure::Input(format!("bus {bus}: {e}")))?;
    }
    let dialects = |spoken: Vec<Protocol>| spoken.into_iter().map(Dialect::from).collect();
    Ok(ImportOptions {
        bus_protocols: tables.into_iter().map(|(bus, spoken)| (bus, dialects(spoken))).collect(),
        // Of two that an intent names nobody knows which one is meant.
        sentence_bus: lines.first().filter(|_| lines.len() == 1).map(|bus| (*bus).to_owned()),
    })
}

/// Looks whether there are recordings under these names.
pub fn look(logs: &[PathBuf]) -> Result<(), Failure> {
    let inputs: Vec<Input> = logs.iter().map(Input::from_argument).collect();
    ampwake_logger::import::look(&inputs).map_err(|e| Failure::Input(e.to_string()))
}

/// Imports recordings into a database with progress on a terminal.
pub fn import(
    logs: &[PathBuf],
    options: &ImportOptions,
    writer: &mut Writer,
    streams: &mut Streams,
) -> Result<ImportReport, Failure> {
    let inputs: Vec<Input> = logs.iter().map(Input::from_argument).collect();
    // Of all recordings together, as they lie on the disk; a pipe has no size.
    let sizes: Option<Vec<u64>> = logs.iter().map(|log| size(log)).collect();
    let total: Option<u64> = sizes.as_ref().map(|sizes| sizes.iter().sum());
    let mut progress = Progress::begin(streams);
    let report = ampwake_logger::import::import(&inputs, options, writer, &mut |p| {
        progress.tell(|| {
            let read = sizes.as_ref().zip(p.fraction).map(|(sizes, fraction)| {
                let (before, rest) = sizes.split_at(p.number - 1);
                before.iter().sum::<u64>() as f64 + fraction * rest.first().map_or(0.0, |n| *n as f64)
            });
            Step {
                count: p.frames,
                what: "frames",
                fraction: read.zip(total).map(|(read, total)| (read / total.max(1) as f64).min(1.0)),
                place: total.map_or(String::new(), |total| format!(" of {}", bytes(total))),
            }
        });
    });
    drop(progress);
    report.map_err(|e| Failure::Input(e.to_string()))
}

/// The size of a regular file.
fn size(path: &Path) -> Option<u64> {
    std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file).map(|m| m.len())
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
        let said: Vec<(String, Spoken)> = said.iter().map(|text| bus_protocol(text).unwrap()).collect();
        let word = |d: &Dialect| match d {
            Dialect::Table(protocol) => protocol.text().to_owned(),
            Dialect::Frames(decoder) => decoder.protocol().to_owned(),
        };
        let buses = options(&said, None).map_err(|e| e.to_string())?.bus_protocols;
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
    fn a_line_of_sentences_has_one_name() {
        let line = |said: &[&str]| {
            let said: Vec<(String, Spoken)> = said.iter().map(|text| bus_protocol(text).unwrap()).collect();
            options(&said, None).map(|o| o.sentence_bus).map_err(|e| e.to_string())
        };
        assert_eq!(line(&["can0=n2k"]), Ok(None));
        assert_eq!(line(&["aft=nmea0183", "can0=n2k", "aft=nmea0183"]), Ok(Some("aft".to_owned())));
        assert!(line(&["aft=nmea0183", "fore=nmea0183"]).unwrap_err().contains("aft and fore"));
    }

    #[test]
    fn an_intent_s_addresses_tell_what_the_buses_speak() {
        let spoken = |addresses: [&str; 3]| {
            let sources: String = addresses
                .iter()
                .map(|a| {
                    format!(
                        "[[source]]\nname = \"{a}\"\nkind = \"alternator\"\nrated_a = 100\nsignals = {{ current = \"{a}\" }}\n"
                    )
                })
                .collect();
            let text = format!(
                "schema = \"ampwake-intent/1\"\n[vessel]\nname = \"x\"\n[bank]\nchemistry = \"lfp\"\nnominal_v = 12.8\n\
                 cells_in_series = 4\ncapacity_ah = 200\nsignals = {{ voltage = \"can2/canopen/5/voltage\" }}\n{sources}"
            );
            let intent = ampwake_schemas::intent::read("vessel.toml", &text).map_err(|e| e.to_string())?;
            let options = options(&[], Some(&intent)).map_err(|e| e.to_string())?;
            Ok::<_, String>((format!("{:?}", options.bus_protocols), options.sentence_bus))
        };
        let charger = "can0/rvc/1ffc7/1/charge_current";
        let heard = spoken(["can0/j1939/65271/alternator_current", charger, "can1/n2k/127751/1/dc_current"]).unwrap();
        let expected = r#"{"can0": [Table(Rvc), Table(J1939)], "can1": [Table(N2k)], "can2": [Table(Canopen)]}"#;
        assert_eq!(heard, (expected.to_owned(), None));
        let sentences = |a: &str, b: &str| spoken([a, b, charger]).unwrap().1;
        let [aft, more] = ["aft/nmea0183/xdr/port/current", "aft/nmea0183/xdr/stbd/current"];
        assert_eq!(sentences(aft, more), Some("aft".to_owned()));
        assert_eq!(sentences(aft, "fore/nmea0183/xdr/stbd/current"), None, "two lines: nobody knows which");
        let refused = spoken([charger, "can0/n2k/127751/1/dc_current", "can1/j1939/65271/alternator_current"]);
        assert!(refused.as_ref().is_err_and(|e| e.starts_with("bus can0: n2k and rvc")), "{refused:?}");
    }

    #[test]
    fn an_unknown_protocol_is_answered_with_the_known_ones() {
        let refused = bus_protocol("can0=nk2").unwrap_err();
        assert!(refused.contains("`nk2`") && refused.contains("n2k, rvc, j1939, canopen, nmea0183"), "{refused}");
        assert!(bus_protocol("can0").unwrap_err().contains("BUS=PROTOCOL"));
    }
}
