//! Where an export goes: `vessel=…/day=YYYY-MM-DD/<database>-<identity>.parquet`, which readers of partitioned data take for
//! columns `vessel` and `day`.
//!
//! Owes its reader: no path from data (a vessel's name comes from a file that anybody may have written), files that are
//! there whole or not at all, and nothing of anybody else's touched: a folder that holds other things is refused.

use super::ExportError;
use crate::report::atomic::Draft;
use chrono::{DateTime, NaiveDate};
use std::fs::{self, DirEntry, File, TryLockError};
use std::path::{Path, PathBuf};

/// A day, ms.
pub(super) const DAY_MS: i64 = 86_400_000;
/// The first day that `YYYY-MM-DD` can name, 0001-01-01, as days since 1970-01-01.
pub(super) const FIRST_DAY: i64 = -719_162;
/// The last one, 9999-12-31.
pub(super) const LAST_DAY: i64 = 2_932_896;
/// The longest name of a folder or file on common file systems, bytes.
const LONGEST_NAME: usize = 255;

/// The folder of one vessel in an export, held by this program alone.
#[derive(Debug)]
pub(super) struct Folder {
    root: PathBuf,
    vessel: String,
    file: String,
    /// Locked as long as it is open.
    _held: Option<File>,
}

impl Folder {
    /// Makes the folder if there is none (for a database at a path and with an identity), and clears away what a killed export left in it.
    pub(super) fn open(
        root: &Path,
        vessel: &str,
        database: (&Path, &str),
        extension: &str,
    ) -> Result<Self, ExportError> {
        let vessel = format!("vessel={}", named(vessel)?);
        let stem = database.0.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        // Two databases may have the same name, and neither may take the other's days.
        let identity = if database.1.is_empty() { "0" } else { database.1 };
        let file = format!("{}-{}.{extension}", named(&stem)?, named(identity)?);
        for name in [&vessel, &file] {
            if name.len() > LONGEST_NAME {
                return Err(ExportError::Name { name: name.chars().take(60).collect(), problem: "too long" });
            }
        }
        let io = |source| ExportError::Write { path: root.to_owned(), source };
        if root.exists() {
            look(root, extension)?;
        }
        fs::create_dir_all(root).map_err(io)?;
        // Where a folder cannot be locked nobody is kept away, as with any other program.
        let held = File::open(root).ok();
        if let Some(Err(TryLockError::WouldBlock)) = held.as_ref().map(File::try_lock) {
            return Err(ExportError::Busy { path: root.to_owned() });
        }
        for entry in entries(root)?.iter().filter(|e| is_draft(&e.file_name().to_string_lossy())) {
            fs::remove_file(entry.path()).map_err(io)?;
        }
        Ok(Self { root: root.to_owned(), vessel, file, _held: held })
    }

    /// A file of it that is begun: at the top, where no reader of the partitions looks.
    pub(super) fn draft(&self) -> Result<Draft, ExportError> {
        Draft::begin(&self.root).map_err(|source| ExportError::Write { path: self.root.clone(), source })
    }

    /// Puts a draft in the place of its day; the path below the root.
    pub(super) fn publish(&self, draft: Draft, day: i64) -> Result<PathBuf, ExportError> {
        let folder = Path::new(&self.vessel).join(format!("day={}", day_text(day)));
        let below = folder.join(&self.file);
        let path = self.root.join(&below);
        let put = || -> std::io::Result<()> {
            fs::create_dir_all(self.root.join(&folder))?;
            draft.publish(&path)
        };
        put().map_err(|source| ExportError::Write { path: path.clone(), source })?;
        Ok(below)
    }
}

/// `YYYY-MM-DD`.
pub(super) fn day_text(day: i64) -> String {
    let time = DateTime::from_timestamp_millis(day.clamp(FIRST_DAY, LAST_DAY) * DAY_MS).unwrap_or_default();
    time.format("%Y-%m-%d").to_string()
}

/// A name as one piece of a path: letters and digits of ASCII, `-` and `_` stand for themselves, every other byte is
/// percent-encoded (RFC 3986), as Hive does with what may not stand in a partition; its readers undo it.
fn named(name: &str) -> Result<String, ExportError> {
    if name.trim().is_empty() {
        return Err(ExportError::Name { name: name.chars().take(60).collect(), problem: "empty" });
    }
    let mut out = String::new();
    for byte in name.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' => out.push(char::from(byte)),
            _ => out.push_str(&format!("%{byte:02X}")),
        }
    }
    Ok(out)
}

/// Looks whether everything in a folder is of an export of this kind.
fn look(root: &Path, extension: &str) -> Result<(), ExportError> {
    for vessel in strangers(root, |name, entry| name.starts_with("vessel=") && entry.is_dir())? {
        for day in strangers(&vessel, |name, entry| is_day(name) && entry.is_dir())? {
            strangers(&day, |name, entry| {
                Path::new(name).extension().is_some_and(|e| e == extension) && entry.is_file()
            })?;
        }
    }
    Ok(())
}

/// The entries of a folder; an error where one of them is not ours. Hidden files are nobody's data.
fn strangers(folder: &Path, ours: impl Fn(&str, &fs::FileType) -> bool) -> Result<Vec<PathBuf>, ExportError> {
    let mut paths = Vec::new();
    for entry in entries(folder)? {
        let (path, name) = (entry.path(), entry.file_name());
        let name = name.to_string_lossy();
        let kind = entry.file_type().map_err(|source| ExportError::Read { path: path.clone(), source })?;
        if name.starts_with('.') {
            continue;
        }
        if !ours(&name, &kind) {
            return Err(ExportError::Foreign { path });
        }
        paths.push(path);
    }
    Ok(paths)
}

fn entries(folder: &Path) -> Result<Vec<DirEntry>, ExportError> {
    let all = || -> std::io::Result<Vec<DirEntry>> { fs::read_dir(folder)?.collect() };
    all().map_err(|source| ExportError::Read { path: folder.to_owned(), source })
}

fn is_day(name: &str) -> bool {
    name.strip_prefix("day=").is_some_and(|day| NaiveDate::parse_from_str(day, "%Y-%m-%d").is_ok())
}

fn is_draft(name: &str) -> bool {
    name.starts_with(Draft::PREFIX) && name.ends_with(Draft::SUFFIX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn open(root: &Path, extension: &str) -> Result<Folder, ExportError> {
        Folder::open(root, "Anna/../../etc", (Path::new("trips/voyage 1.db"), "00c0ffee"), extension)
    }

    #[test]
    fn days_have_the_names_of_the_calendar() {
        let days = [(0, "1970-01-01"), (-1, "1969-12-31"), (20_343, "2025-09-12")];
        assert!(days.iter().all(|(day, text)| day_text(*day) == *text));
        assert_eq!((day_text(FIRST_DAY), day_text(LAST_DAY)), ("0001-01-01".into(), "9999-12-31".into()));
    }

    #[test]
    fn a_name_is_never_a_path() {
        let dir = tempfile::tempdir().unwrap();
        let folder = open(dir.path(), "csv").unwrap();
        let below = folder.publish(folder.draft().unwrap(), 0).unwrap();
        assert_eq!(below, Path::new("vessel=Anna%2F%2E%2E%2F%2E%2E%2Fetc/day=1970-01-01/voyage%201-00c0ffee.csv"));
        assert!(dir.path().join(below).is_file());
        for (vessel, problem) in [(" ", "empty"), (&"ü".repeat(100), "too long")] {
            let refused = Folder::open(dir.path(), vessel, (Path::new("a.db"), "00"), "csv").unwrap_err().to_string();
            assert!(refused.contains(problem), "{refused}");
        }
    }

    #[test]
    fn what_a_killed_export_left_is_cleared_and_the_rest_is_kept() {
        let dir = tempfile::tempdir().unwrap();
        let left = dir.path().join(format!("{}x{}", Draft::PREFIX, Draft::SUFFIX));
        fs::write(&left, "half").unwrap();
        let folder = open(dir.path(), "csv").unwrap();
        assert!(!left.exists());
        assert!(matches!(open(dir.path(), "csv"), Err(ExportError::Busy { .. })));
        let below = folder.publish(folder.draft().unwrap(), 0).unwrap();
        drop(folder);
        drop(open(dir.path(), "csv").unwrap());
        assert!(dir.path().join(&below).exists());
        // The other kind of export, and anything else.
        assert!(matches!(open(dir.path(), "parquet"), Err(ExportError::Foreign { path }) if path.ends_with(&below)));
        fs::write(dir.path().join("letter.txt"), "dear").unwrap();
        assert!(matches!(open(dir.path(), "csv"), Err(ExportError::Foreign { path }) if path.ends_with("letter.txt")));
    }

    proptest! {
        #[test]
        fn any_name_is_one_safe_piece_and_can_be_read_back(name in ".{1,80}") {
            if let Ok(piece) = named(&name) {
                prop_assert!(piece.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_%".contains(&b)));
                let mut bytes = Vec::new();
                let mut rest = piece.as_bytes();
                while let Some(first) = rest.first() {
                    let code = (*first == b'%').then(|| std::str::from_utf8(&rest[1..3]).unwrap());
                    bytes.push(code.map_or(*first, |c| u8::from_str_radix(c, 16).unwrap()));
                    rest = &rest[if code.is_some() { 3 } else { 1 }..];
                }
                prop_assert_eq!(String::from_utf8(bytes).unwrap(), name);
            }
        }
    }
}
