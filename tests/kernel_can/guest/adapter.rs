//! A serial CAN adapter at the far end of a pseudo-terminal: what the kernel's driver really sends is seen here, as lines
//! of text (`T` 8 hex digits, length, data: a frame with a 29-bit identifier; `O` and `L`: open, open listen-only;
//! `C`: close; `S5`: 250 kbit/s). Source: Linux, drivers/net/can/slcan/slcan-core.c.

use crate::{Outcome, wait_for};
use nix::fcntl::OFlag;
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use std::io::{Read, Write};
use std::os::fd::AsFd;
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};

/// Number of the line discipline "slcan" (linux/tty.h).
const DISCIPLINE: &str = "17";

/// The adapter.
pub struct Adapter {
    writer: std::fs::File,
    seen: Arc<Mutex<Vec<u8>>>,
}

impl Adapter {
    /// Attaches one; the kernel makes the interface can0 of it, which is still down.
    pub fn attach() -> Outcome<Self> {
        let master: PtyMaster = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let terminal = ptsname_r(&master)?;
        let writer = std::fs::File::from(master.as_fd().try_clone_to_owned()?);
        let seen = Arc::new(Mutex::new(Vec::new()));
        let into = seen.clone();
        std::thread::spawn(move || {
            let mut master = master;
            let mut bytes = [0; 1024];
            while let Ok(n) = master.read(&mut bytes) {
                into.lock().unwrap_or_else(|e| e.into_inner()).extend_from_slice(&bytes[..n]);
            }
        });
        // It goes into the background and keeps the terminal open.
        let status = Command::new("ldattach").args([DISCIPLINE, &terminal]).status()?;
        if !status.success() {
            return Err(format!("ldattach ended with {status}").into());
        }
        wait_for("can0", || Ok(Path::new("/sys/class/net/can0").exists()))?;
        Ok(Self { writer, seen })
    }

    /// A line that the adapter says: a frame it received.
    pub fn say(&mut self, line: &str) -> Outcome {
        Ok(write!(self.writer, "{line}\r")?)
    }

    /// The lines that the kernel has sent so far.
    pub fn lines(&self) -> Vec<String> {
        let seen = self.seen.lock().unwrap_or_else(|e| e.into_inner());
        seen.split(|b| *b == b'\r').map(|l| String::from_utf8_lossy(l).into_owned()).filter(|l| !l.is_empty()).collect()
    }
}
