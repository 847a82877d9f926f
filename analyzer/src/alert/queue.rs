//! The messages that wait, a file each, in the order in which they came.

use super::{AlertError, Told};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A message, and who has not taken it yet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Message {
    /// The command is still to be run.
    pub run: bool,
    /// The broker is still to get it.
    pub mqtt: bool,
    /// What is handed on.
    pub body: Value,
}

/// The folder, locked for as long as this lives.
#[derive(Debug)]
pub struct Queue {
    folder: PathBuf,
    most: usize,
    _lock: File,
}

/// A command that is just being started holds the lock for a moment.
const ATTEMPTS: usize = 10;
const TOLD: &str = "told.json";

impl Queue {
    /// Opens the folder, or makes it; at most `most` messages wait in it.
    ///
    /// # Errors
    /// It cannot be written, or another run is at work in it.
    pub fn open(folder: &Path, most: usize) -> Result<Self, AlertError> {
        std::fs::create_dir_all(folder).map_err(state(folder, "cannot make the folder"))?;
        let path = folder.join("lock");
        let lock = OpenOptions::new().write(true).create(true).truncate(false).open(&path);
        let lock = lock.map_err(state(&path, "cannot open"))?;
        for _ in 0..ATTEMPTS {
            match lock.try_lock() {
                Ok(()) => return Ok(Self { folder: folder.to_owned(), most, _lock: lock }),
                Err(TryLockError::WouldBlock) => std::thread::sleep(Duration::from_millis(20)),
                Err(TryLockError::Error(e)) => return Err(state(&path, "cannot lock")(e)),
            }
        }
        Err(AlertError::Busy(folder.to_owned()))
    }

    /// What was told before. A file that is damaged is as none: better told twice than never.
    pub fn told(&self) -> Told {
        let read = std::fs::read(self.folder.join(TOLD)).ok();
        read.and_then(|bytes| serde_json::from_slice(&bytes).ok()).unwrap_or_default()
    }

    /// Keeps what was told.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn keep(&self, told: &Told) -> Result<(), AlertError> {
        self.write(&self.folder.join(TOLD), &serde_json::to_value(told).unwrap_or_default())
    }

    /// Adds a message; the oldest gives way where there are too many. How many did.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn add(&self, message: &Message) -> Result<usize, AlertError> {
        let waiting = self.waiting()?;
        let number = waiting.last().map_or(0, |(number, _)| number + 1);
        self.write(&self.place(number), &serde_json::to_value(message).unwrap_or_default())?;
        let over = (waiting.len() + 1).saturating_sub(self.most);
        for (number, _) in waiting.iter().take(over) {
            self.remove(*number)?;
        }
        Ok(over)
    }

    /// What waits, the oldest first. A file that cannot be read is removed: it was never whole.
    ///
    /// # Errors
    /// The folder cannot be read.
    pub fn waiting(&self) -> Result<Vec<(u64, Message)>, AlertError> {
        let mut found = Vec::new();
        let entries = std::fs::read_dir(&self.folder).map_err(state(&self.folder, "cannot read"))?;
        for name in entries.flatten().map(|entry| entry.file_name()) {
            let name = name.to_string_lossy();
            let Some(number) = name.strip_prefix("wait-").and_then(|n| n.strip_suffix(".json")?.parse().ok()) else {
                continue;
            };
            let read = std::fs::read(self.place(number)).ok();
            match read.and_then(|bytes| serde_json::from_slice(&bytes).ok()) {
                Some(message) => found.push((number, message)),
                None => self.remove(number)?,
            }
        }
        found.sort_by_key(|(number, _)| *number);
        Ok(found)
    }

    /// Somebody took it: it is kept for whoever is left, and removed when nobody is.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn taken(&self, number: u64, message: &Message) -> Result<(), AlertError> {
        if message.run || message.mqtt {
            return self.write(&self.place(number), &serde_json::to_value(message).unwrap_or_default());
        }
        self.remove(number)
    }

    fn place(&self, number: u64) -> PathBuf {
        self.folder.join(format!("wait-{number:012}.json"))
    }

    fn remove(&self, number: u64) -> Result<(), AlertError> {
        let path = self.place(number);
        std::fs::remove_file(&path).map_err(state(&path, "cannot remove"))
    }

    fn write(&self, path: &Path, value: &Value) -> Result<(), AlertError> {
        crate::report::atomic::write(path, |out| write!(out, "{value}"))
            .map_err(|e| state(path, "cannot write")(e.cause))
    }
}

fn state(path: &Path, doing: &'static str) -> impl FnOnce(std::io::Error) -> AlertError {
    let path = path.to_owned();
    move |source| AlertError::State { path, doing, source }
}
