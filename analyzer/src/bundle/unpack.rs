//! Taking an archive back. All of it is hostile until its sums are right: names are compared with the few that there are,
//! links and folders are refused, sizes are those of the list or nothing is taken.

use super::{BundleError, DATABASE, LIST, LONGEST_LIST, List, NAMES, SCHEMA, SUMS, beside, io, sum};
use ampwake_store::Store;
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use tar::{Archive, Entry, EntryType};

/// How much more an archive may unpack to: blocks of a database hardly shrink, an empty one shrinks a lot.
const MOST_TIMES: u64 = 100;
/// What any archive may unpack to.
const MOST_ANYWAY: u64 = 64 << 20;
/// Memory that unpacking may take, as a power of two (RFC 8878 asks for 8 MB; level 3 uses 2).
const WINDOW_LOG: u32 = 23;

/// What was taken back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unpacked {
    /// What the archive says of itself.
    pub list: List,
    /// The files, where they lie now.
    pub files: Vec<PathBuf>,
}

/// Whether a file is an archive of ours, by its first entry. A pipe is none: what is looked at would be gone.
pub fn is_bundle(path: &Path) -> bool {
    if !std::fs::metadata(path).is_ok_and(|m| m.is_file()) {
        return false;
    }
    let mut head = [0; 512];
    let read = File::open(path).and_then(|file| decoder(file)?.read_exact(&mut head));
    read.is_ok() && head.starts_with(LIST.as_bytes()) && head[LIST.len()] == 0
}

fn decoder(file: File) -> std::io::Result<impl Read> {
    let mut decoder = zstd::Decoder::new(file)?;
    decoder.window_log_max(WINDOW_LOG)?;
    Ok(decoder)
}

/// Takes the database to `db`, and what else there is beside it (`voyage.db` makes `voyage.vessel.toml` and so on).
/// Nothing is overwritten.
///
/// # Errors
/// The archive is not as it was made, a file exists already or cannot be written; then nothing is left behind.
pub fn unpack(path: &Path, db: &Path) -> Result<Unpacked, BundleError> {
    let mut written = Vec::new();
    let done = take(path, db, &mut written);
    for part in &written {
        if done.is_err() {
            let _ = std::fs::remove_file(part);
        }
        // What SQLite leaves beside a database that was made with a log.
        for suffix in ["-wal", "-shm", "-journal"] {
            let _ = std::fs::remove_file(beside(part, suffix));
        }
    }
    done
}

/// Where a file of the archive belongs.
fn place(db: &Path, name: &str) -> PathBuf {
    if name == DATABASE { db.to_owned() } else { db.with_extension(name) }
}

fn take(path: &Path, db: &Path, written: &mut Vec<PathBuf>) -> Result<Unpacked, BundleError> {
    let refused = |why: String| BundleError::Refused { path: path.to_owned(), why };
    let broken = |e: std::io::Error| refused(format!("it cannot be unpacked ({e})"));
    let file = File::open(path).map_err(io(path, "cannot open"))?;
    let packed = file.metadata().map_err(io(path, "cannot open"))?.len();
    let mut archive = Archive::new(decoder(file).map_err(broken)?);
    let mut entries = archive.entries().map_err(broken)?;
    let mut next = |name: &str, bytes: Option<u64>| {
        let entry = entries.next().ok_or_else(|| refused(format!("`{name}` is missing")))?.map_err(broken)?;
        fits(&entry, name, bytes).map_err(refused)?;
        Ok::<_, BundleError>(entry)
    };

    let mut text = Vec::new();
    next(LIST, None)?.take(LONGEST_LIST).read_to_end(&mut text).map_err(broken)?;
    let list: List = serde_json::from_slice(&text).map_err(|e| refused(format!("its list cannot be read ({e})")))?;
    check(&list, packed).map_err(refused)?;
    for entry in &list.files {
        let there = place(db, &entry.name);
        if there.exists() {
            return Err(BundleError::Exists(there));
        }
    }
    for entry in &list.files {
        let part = beside(&place(db, &entry.name), ".part");
        let _ = std::fs::remove_file(&part);
        let mut read = next(&entry.name, Some(entry.bytes))?;
        let open = OpenOptions::new().write(true).create_new(true).open(&part);
        let mut out = open.map_err(io(&part, "cannot write"))?;
        written.push(part.clone());
        std::io::copy(&mut read, &mut out).map_err(io(&part, "cannot unpack"))?;
        out.flush().and_then(|()| out.sync_all()).map_err(io(&part, "cannot write"))?;
        let (sha256, bytes) =
            File::open(&part).and_then(|mut f| sum(&mut f)).map_err(io(&part, "cannot read again"))?;
        if (&sha256, bytes) != (&entry.sha256, entry.bytes) {
            return Err(refused(format!("`{}` is not what it was when the archive was made", entry.name)));
        }
    }
    next(SUMS, None)?;
    if entries.next().is_some() {
        return Err(refused("there is more in it than its list says".to_owned()));
    }
    // A database that brings something of its own (a trigger, another table) is none of ours.
    let store = Store::open(beside(db, ".part"))?;
    if let Some(strange) = store.strange()? {
        return Err(refused(format!("its database has something that none of ours has: {strange}")));
    }
    if let Some(damage) = store.damage()?.into_iter().next() {
        return Err(refused(format!("its database is damaged: {damage}")));
    }
    drop(store);
    let mut files = Vec::new();
    // The database last: where it is, all of it is.
    for entry in list.files.iter().rev() {
        let there = place(db, &entry.name);
        std::fs::rename(beside(&there, ".part"), &there).map_err(io(&there, "cannot put in its place"))?;
        files.insert(0, there);
    }
    Ok(Unpacked { list, files })
}

fn check(list: &List, packed: u64) -> Result<(), String> {
    if list.schema != SCHEMA {
        return Err(format!("its list says `{}`; this version knows `{SCHEMA}`", list.schema.escape_default()));
    }
    let mut names: Vec<&str> = list.files.iter().map(|e| e.name.as_str()).collect();
    if let Some(foreign) = names.iter().find(|name| !NAMES.contains(name)) {
        return Err(format!("its list names `{}`, which none of ours holds", foreign.escape_default()));
    }
    if names.first() != Some(&DATABASE) {
        return Err("its list does not begin with a database".to_owned());
    }
    names.sort_unstable();
    if names.windows(2).any(|pair| pair[0] == pair[1]) {
        return Err("its list names a file twice".to_owned());
    }
    let most = packed.saturating_mul(MOST_TIMES).max(MOST_ANYWAY);
    let sum = list.files.iter().fold(0_u64, |sum, entry| sum.saturating_add(entry.bytes));
    if sum > most {
        return Err(format!("it would unpack to {sum} bytes, more than an archive of {packed} bytes of ours can"));
    }
    Ok(())
}

/// Whether an entry is the file that the list says.
fn fits(entry: &Entry<impl Read>, name: &str, bytes: Option<u64>) -> Result<(), String> {
    let found = String::from_utf8_lossy(&entry.path_bytes()).into_owned();
    if found != name {
        return Err(format!("`{}` stands where `{name}` is to be", found.escape_default()));
    }
    if entry.header().entry_type() != EntryType::Regular {
        return Err(format!("`{name}` is no plain file"));
    }
    match bytes {
        Some(bytes) if bytes != entry.size() => Err(format!("`{name}` has {} bytes instead of {bytes}", entry.size())),
        None if entry.size() > LONGEST_LIST => Err(format!("`{name}` is too long")),
        _ => Ok(()),
    }
}
