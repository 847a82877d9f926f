//! What the daemon would open, and whether it can: to be asked before the boat leaves the dock.

use crate::asking;
use crate::bus::interface::{self, Settings};
use crate::config::serial::Port;
use crate::config::{CanBus, Config, Keep, Protocol};
use crate::health::USUAL_BIT_RATE;
use ampwake_store::{MINUTE_DAYS, Store, StoreError, writer_of};
use std::io::Write;
use std::path::Path;

/// Writes what would be opened, one line each; true when all of it can be. `system` is
/// [`interface::SYSTEM`]; `settings` says how an interface is set.
///
/// # Errors
/// `out` cannot be written.
pub fn check(
    config: &Config,
    system: &Path,
    settings: &dyn Fn(&str) -> Option<Settings>,
    out: &mut dyn Write,
) -> std::io::Result<bool> {
    let mut good = true;
    for bus in &config.can {
        let protocols: Vec<&str> = bus.protocols.iter().map(|p| p.text()).collect();
        match interface::check(system, &bus.name) {
            Ok(()) => {
                let settings = settings(&bus.name);
                let words = settings.map_or_else(String::new, |s| format!(": {}", s.words(bus.ask)));
                writeln!(out, "ok      bus {} ({}) is up{words}", bus.name, protocols.join(", "))?;
                for (bad, text) in settings.map_or_else(Vec::new, |s| s.remarks(&bus.name, prescribed(bus), bus.ask)) {
                    good &= !bad;
                    writeln!(out, "{} {text}", if bad { "problem" } else { "note   " })?;
                }
            }
            Err(e) => {
                good = false;
                writeln!(out, "problem {e}")?;
            }
        }
        if bus.ask {
            let (most, pace) = (asking::MOST_TRIES, asking::PACE.as_secs_f64());
            writeln!(
                out,
                "note    devices on {} are asked what they are: at most {most} requests to each for each question, one in \
                 {pace} s; to let it send, it is brought up with `listen-only off`",
                bus.name
            )?;
        }
        for remark in bus.definitions.remarks() {
            writeln!(out, "note    {remark}")?;
        }
    }
    for line in &config.serial {
        let (name, port, speaks) = (&line.name, &line.port, line.speaks.text());
        match openable(port) {
            Ok(()) => writeln!(out, "ok      bus {name} ({speaks}) can be opened at {port}")?,
            Err(e) => {
                good = false;
                writeln!(out, "problem bus {name} ({speaks}) cannot be opened at {port}: {e}")?;
            }
        }
    }
    match database(&config.database) {
        Ok(state) => writeln!(out, "ok      database {}: {state}", config.database.display())?,
        Err(problem) => {
            good = false;
            writeln!(out, "problem {problem}")?;
        }
    }
    writeln!(out, "note    commits every {} s: a power cut costs so much", config.commit_every_s)?;
    writeln!(out, "note    {}", kept(&config.keep))?;
    Ok(good)
}

/// What is kept for how long, in words.
pub fn kept(keep: &Keep) -> String {
    let raw = match keep.raw_days {
        0 => String::new(),
        days => format!(", raw frames of CAN buses for {days} days"),
    };
    format!(
        "every value is kept for {} days, minutes for {MINUTE_DAYS} days, hours for ever{raw}; {} GB at most",
        keep.full_days, keep.max_gb
    )
}

/// The bit rate that the protocols of a bus prescribe: NMEA 2000 and RV-C know one only.
fn prescribed(bus: &CanBus) -> Option<u32> {
    bus.protocols.iter().any(|p| matches!(p, Protocol::N2k | Protocol::Rvc)).then_some(USUAL_BIT_RATE)
}

/// Opens a port and closes it again; nothing is sent.
#[cfg(feature = "live")]
fn openable(port: &Port) -> Result<(), String> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(|e| e.to_string())?;
    let opened = runtime.block_on(crate::bus::port::open(port));
    opened.map(|_| ()).map_err(|e| match (port, e.kind()) {
        (Port::Device(_), std::io::ErrorKind::NotFound) => {
            "there is no such device; is it plugged in? `ls /dev/serial/by-id` shows what is".to_owned()
        }
        (Port::Device(_), std::io::ErrorKind::PermissionDenied) => {
            format!("{e}; let the recorder's user belong to the group that `ls -l` shows for it")
        }
        _ => e.to_string(),
    })
}

#[cfg(not(feature = "live"))]
fn openable(_: &Port) -> Result<(), String> {
    Err("this build opens no devices".to_owned())
}

fn database(path: &Path) -> Result<String, String> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    // Rights alone do not tell: the card may be full or mounted read-only.
    let probe = folder.join(format!(".ampwake-check-{}", std::process::id()));
    let written = std::fs::write(&probe, b"can this be written?\n");
    let _ = std::fs::remove_file(&probe);
    if let Err(e) = written {
        return Err(format!(
            "the folder {} cannot be written: {e}; create it, or give the recorder's user the right to",
            folder.display()
        ));
    }
    // Opened as the recorder would; nothing is written.
    match std::fs::OpenOptions::new().append(true).open(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
            return Err(format!(
                "the database {} cannot be written: {e}; give the recorder's user the right to, or name another file",
                path.display()
            ));
        }
        _ => {}
    }
    match Store::open(path) {
        Ok(store) => {
            let channels = store.channels().map_err(|e| e.to_string())?.len();
            Ok(match writer_of(path) {
                Some(holder) => format!("{channels} channels, being recorded into right now by {holder}"),
                None => format!("{channels} channels, recording goes on in it"),
            })
        }
        Err(StoreError::NotFound { .. }) => Ok("will be created".to_owned()),
        Err(e) if e.is_damage() => {
            Err(format!("{e}; at the start a damaged database of Ampwake is set aside, never deleted"))
        }
        Err(e) => Err(e.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config;

    fn checked(text: &str, dir: &Path) -> (bool, String) {
        checked_with(text, dir, false)
    }

    fn checked_with(text: &str, dir: &Path, listen_only: bool) -> (bool, String) {
        let config = config::read("logger.toml", text, dir).unwrap();
        let mut out = Vec::new();
        let settings = Settings { bit_rate: Some(250_000), listen_only: Some(listen_only), ..Settings::default() };
        let good = check(&config, &dir.join("net"), &|_| Some(settings), &mut out).unwrap();
        (good, String::from_utf8(out).unwrap())
    }

    #[test]
    fn it_says_what_would_be_opened_and_whether_it_can() {
        let dir = tempfile::tempdir().unwrap();
        let text = "schema = \"ampwake-logger/1\"\ndatabase = \"voyage.db\"\n[[can]]\nname = \"can0\"\n";
        let (good, out) = checked(text, dir.path());
        assert!(
            !good && out.contains("problem there is no interface `can0`") && out.contains("will be created"),
            "{out}"
        );

        let can0 = dir.path().join("net/can0");
        std::fs::create_dir_all(&can0).unwrap();
        std::fs::write(can0.join("type"), "280\n").unwrap();
        std::fs::write(can0.join("flags"), "0x1\n").unwrap();
        let (good, out) = checked(text, dir.path());
        assert!(good && out.contains("ok      bus can0 (n2k) is up: 250000 bit/s, normal mode"), "{out}");
        assert!(out.contains("note    to make can0 unable to send (as root): ip link set can0 down"), "{out}");
        assert!(!dir.path().join("voyage.db").exists(), "a check creates nothing");
        assert!(!out.contains("asked"), "{out}");

        let asking = format!("{text}ask = true\n");
        let (good, out) = checked(&asking, dir.path());
        assert!(good && out.contains("note    devices on can0 are asked what they are"), "{out}");
        let (good, out) = checked_with(&asking, dir.path(), true);
        assert!(
            !good && out.contains("problem the CAN interface `can0` is listen-only, so that `ask = true`"),
            "{out}"
        );
        assert!(checked_with(text, dir.path(), true).0);

        let writer = Store::create(dir.path().join("voyage.db")).unwrap();
        let (good, out) = checked(text, dir.path());
        assert!(good && out.contains("being recorded into right now by process"), "{out}");
        drop(writer);
        assert!(checked(text, dir.path()).1.contains("recording goes on in it"));

        let (good, out) = checked(&text.replace("voyage.db", "no/folder/voyage.db"), dir.path());
        assert!(!good && out.contains("no/folder cannot be written"), "{out}");
        std::fs::write(dir.path().join("voyage.db"), "a letter").unwrap();
        let (good, out) = checked(text, dir.path());
        assert!(!good && out.contains("no SQLite database"), "{out}");
    }

    #[cfg(feature = "live")]
    #[test]
    fn lines_are_opened_and_closed_again() {
        let dir = tempfile::tempdir().unwrap();
        let there = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let port = there.local_addr().unwrap();
        let text = format!(
            "schema = \"ampwake-logger/1\"\ndatabase = \"voyage.db\"\n[[serial]]\nname = \"mux\"\n\
             port = \"tcp://{port}\"\nprotocol = \"nmea0183\"\n"
        );
        let (good, out) = checked(&text, dir.path());
        assert!(good && out.contains(&format!("ok      bus mux (nmea0183) can be opened at tcp://{port}")), "{out}");
        drop(there);
        let (good, out) = checked(&text, dir.path());
        assert!(!good && out.contains("problem bus mux (nmea0183) cannot be opened at tcp://"), "{out}");
        let text = text.replace(&format!("tcp://{port}\""), "/nowhere/ttyUSB9\"\nbaud = 4800");
        let (good, out) = checked(&text, dir.path());
        assert!(!good && out.contains("/nowhere/ttyUSB9 4800 8N1: there is no such device"), "{out}");
    }
}
