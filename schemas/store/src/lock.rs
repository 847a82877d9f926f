//! One writer per database. SQLite lets several programs write in turn, which would interleave two
//! recordings; a lock file beside the database says no to the second one at once.
//!
//! The lock is on a file of its own because closing any handle on the database file itself would drop the
//! locks that SQLite holds on it (POSIX record locks belong to the process, not to the handle).

use crate::error::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Held for as long as somebody writes; released by the system even when the program is killed.
#[derive(Debug)]
pub(crate) struct WriterLock {
    path: PathBuf,
    _file: File,
}

impl WriterLock {
    /// Takes the lock of `database`.
    ///
    /// # Errors
    /// [`StoreError::InUse`] when another writer has it; [`StoreError::Io`] when the folder cannot be written.
    pub(crate) fn take(database: &Path) -> Result<Self, StoreError> {
        let path = lock_path(database);
        let mut attempts = 0;
        loop {
            let mut file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path).map_err(
                StoreError::io(
                    &path,
                    "cannot create the lock file (does the folder exist, may this user write in it?)",
                ),
            )?;
            match file.try_lock() {
                Ok(()) => {}
                // [`writer_of`] holds it for a moment.
                Err(TryLockError::WouldBlock) if attempts < 3 => {
                    attempts += 1;
                    std::thread::sleep(Duration::from_millis(20));
                    continue;
                }
                Err(TryLockError::WouldBlock) => {
                    return Err(StoreError::InUse { path: database.to_owned(), holder: holder(&mut file) });
                }
                // A file system without locks: better to record unprotected than not at all.
                Err(TryLockError::Error(e)) if e.kind() == std::io::ErrorKind::Unsupported => {}
                Err(TryLockError::Error(e)) => {
                    return Err(StoreError::Io { path, doing: "cannot lock", source: e });
                }
            }
            // A writer that was just finishing may have removed the file between our opening and locking it;
            // a lock on a removed file would protect nothing.
            if !is_still(&file, &path) {
                continue;
            }
            let text = format!("process {}\n", std::process::id());
            // Only the words of the refusal depend on this, so a failure is no reason to stop.
            let _ = file
                .set_len(0)
                .and_then(|()| file.seek(SeekFrom::Start(0)))
                .and_then(|_| file.write_all(text.as_bytes()));
            return Ok(Self { path, _file: file });
        }
    }
}

impl Drop for WriterLock {
    fn drop(&mut self) {
        // While still holding the lock, so that nobody else's file is removed.
        let _ = std::fs::remove_file(&self.path);
    }
}

/// Who is writing to `database` at this moment, as far as that can be told; `None` when nobody is.
pub fn writer_of(database: &Path) -> Option<String> {
    let mut file = File::open(lock_path(database)).ok()?;
    match file.try_lock_shared() {
        Err(TryLockError::WouldBlock) => Some(holder(&mut file)),
        _ => None,
    }
}

fn lock_path(database: &Path) -> PathBuf {
    let mut name = database.as_os_str().to_owned();
    name.push("-lock");
    name.into()
}

fn holder(file: &mut File) -> String {
    let mut text = String::new();
    let _ = file.take(64).read_to_string(&mut text);
    let text = text.trim();
    if text.starts_with("process ") { text.to_owned() } else { "another program".to_owned() }
}

#[cfg(unix)]
fn is_still(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    match (file.metadata(), std::fs::metadata(path)) {
        (Ok(a), Ok(b)) => a.dev() == b.dev() && a.ino() == b.ino(),
        _ => false,
    }
}

// Elsewhere an open file cannot be removed, so it is always still there.
#[cfg(not(unix))]
fn is_still(_: &File, _: &Path) -> bool {
    true
}
