//! Writing a report so that its reader finds the old file or the new one, never half of one.

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// A report that could not be written; whatever stood under the name before still stands there.
#[derive(Debug, thiserror::Error)]
#[error("cannot write {}: {cause}. Check that the folder exists, is writable and has room", path.display())]
pub struct WriteError {
    /// The file that was to be written.
    pub path: PathBuf,
    /// What the operating system said.
    #[source]
    pub cause: io::Error,
}

/// A file that is being written beside its place. Dropped before [`Draft::publish`], it is gone.
#[derive(Debug)]
pub struct Draft(BufWriter<NamedTempFile>);

impl Draft {
    /// What its name begins with until it is published; a program that is killed leaves such a file.
    pub const PREFIX: &str = ".ampwake-";
    /// What that name ends with.
    pub const SUFFIX: &str = ".tmp";

    /// Begins one. `folder` must be on the file system on which it is to stand: a rename is atomic within one only.
    ///
    /// # Errors
    /// No such folder, or no permission.
    pub fn begin(folder: &Path) -> io::Result<Self> {
        let mut builder = tempfile::Builder::new();
        builder.prefix(Self::PREFIX).suffix(Self::SUFFIX);
        // Temporary files are private by default; a report is for whoever the user's umask lets read it.
        #[cfg(unix)]
        let mode = <std::fs::Permissions as std::os::unix::fs::PermissionsExt>::from_mode(0o666);
        #[cfg(unix)]
        builder.permissions(mode);
        Ok(Self(BufWriter::new(builder.tempfile_in(folder)?)))
    }

    /// Brings it to the disk and puts it in its place, over what stood there.
    ///
    /// # Errors
    /// No room, or no permission; the draft is removed.
    pub fn publish(self, path: &Path) -> io::Result<()> {
        let file = self.0.into_inner().map_err(io::IntoInnerError::into_error)?;
        file.as_file().sync_all()?;
        file.persist(path).map_err(|e| e.error)?;
        Ok(())
    }
}

impl Write for Draft {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

/// Lets `fill` write into a temporary file beside `path`, brings it to the disk, and renames it to `path`.
///
/// # Errors
/// No such folder, no permission, no room, or an error of `fill`; the temporary file is removed.
pub fn write(path: &Path, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<(), WriteError> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let attempt = || -> io::Result<()> {
        let mut draft = Draft::begin(folder)?;
        fill(&mut draft)?;
        draft.publish(path)
    };
    attempt().map_err(|cause| WriteError { path: path.to_owned(), cause })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn a_failed_write_leaves_the_old_file_and_no_litter() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("report.html");
        write(&path, |out| out.write_all(b"first")).unwrap();
        let error = write(&path, |out| {
            out.write_all(b"half")?;
            Err(io::Error::other("no room"))
        })
        .unwrap_err();
        assert!(error.to_string().contains("report.html") && error.to_string().contains("no room"));
        assert_eq!(fs::read(&path).unwrap(), b"first");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
        write(&path, |out| out.write_all(b"second")).unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"second");
    }

    #[test]
    fn a_missing_folder_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let error = write(&dir.path().join("no/such/report.html"), |_| Ok(())).unwrap_err();
        assert!(error.to_string().contains("Check that the folder exists"));
    }
}
