//! One archive with all that somebody ashore needs: part of the database, the intent, the configuration, the report.
//!
//! The format, `ampwake-bundle/1`: a tar archive (POSIX.1-2017, pax, ustar headers) in zstd (RFC 8878), so that any `tar`
//! opens it. Its first entry is the list [`LIST`], then come the files of the list in its order, under names of [`NAMES`]
//! and no others, then [`SUMS`], which `sha256sum -c` reads.
//!
//! Owes its reader: a whole archive under the final name or none; and whoever takes one back gets exactly the files
//! that were put in, or nothing.

mod pack;
mod unpack;

pub use pack::{Pack, pack};
pub use unpack::{Unpacked, is_bundle, unpack};

use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// What the list says of itself.
pub const SCHEMA: &str = "ampwake-bundle/1";
/// The first entry.
pub const LIST: &str = "ampwake-bundle.json";
/// The last entry.
pub const SUMS: &str = "SHA256SUMS";
/// The database's name in the archive.
pub const DATABASE: &str = "voyage.db";
/// Every name that a file may have.
pub const NAMES: [&str; 5] = [DATABASE, "vessel.toml", "logger.toml", "report.html", "findings.json"];
/// The longest list, bytes.
const LONGEST_LIST: u64 = 65_536;

/// The first entry of an archive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct List {
    /// [`SCHEMA`].
    pub schema: String,
    /// The program that made it.
    pub version: String,
    /// When, RFC 3339.
    pub created: String,
    /// From the first sample to the last, RFC 3339.
    pub period: Option<(String, String)>,
    /// What follows.
    pub files: Vec<Entry>,
}

/// A file of an archive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    /// One of [`NAMES`].
    pub name: String,
    /// Its size.
    pub bytes: u64,
    /// SHA-256 in hexadecimal.
    pub sha256: String,
}

/// Why an archive could not be made or taken back.
#[derive(Debug, thiserror::Error)]
pub enum BundleError {
    /// The database cannot be read, or its part not written.
    #[error(transparent)]
    Store(#[from] ampwake_store::StoreError),
    /// A file cannot be read or written.
    #[error("{}: {doing}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// It is no archive of ours, or is not as it was when it was made.
    #[error("{}: {why}; nothing was taken from it", path.display())]
    Refused {
        /// The archive.
        path: PathBuf,
        /// In plain words.
        why: String,
    },
    /// Something is there already.
    #[error("{} exists already; name a new database, or move that file away", .0.display())]
    Exists(PathBuf),
}

/// Makes a [`BundleError::Io`] of what the system said.
fn io(path: &std::path::Path, doing: &'static str) -> impl FnOnce(std::io::Error) -> BundleError {
    let path = path.to_owned();
    move |source| BundleError::Io { path, doing, source }
}

/// SHA-256 of all that can be read, in hexadecimal, and how much it was.
fn sum(read: &mut dyn std::io::Read) -> std::io::Result<(String, u64)> {
    use sha2::Digest;
    let mut hash = sha2::Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    let mut bytes = 0;
    loop {
        match read.read(&mut buffer)? {
            0 => break,
            n => {
                hash.update(&buffer[..n]);
                bytes += n as u64;
            }
        }
    }
    Ok((hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect(), bytes))
}

/// `out` with this behind its name.
fn beside(out: &std::path::Path, suffix: &str) -> PathBuf {
    let mut name = out.as_os_str().to_owned();
    name.push(suffix);
    name.into()
}

#[cfg(test)]
mod tests;
