//! Expected output kept as files.
//!
//! `AMPWAKE_BLESS=1 cargo test -p ampwake-tests` rewrites every expectation; look at the difference before you commit it.

use std::path::{Path, PathBuf};

/// The top of the project.
pub fn project() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().map(Path::to_path_buf).unwrap_or_default()
}

/// Compares `actual` with the file, byte by byte; with `AMPWAKE_BLESS=1` writes the file instead.
///
/// # Panics
/// On a difference or a missing file, with the first line that differs.
pub fn check(path: &Path, actual: &str) {
    if std::env::var_os("AMPWAKE_BLESS").is_some_and(|v| v == "1") {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
        }
        std::fs::write(path, actual).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        return;
    }
    let expected =
        std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}. AMPWAKE_BLESS=1 writes it", path.display()));
    if expected != actual {
        let place = expected.lines().zip(actual.lines()).position(|(a, b)| a != b);
        let line = place.unwrap_or_else(|| expected.lines().count().min(actual.lines().count()));
        panic!(
            "{} differs from line {}:\n  expected {:?}\n  actual   {:?}\nIf the new output is right, AMPWAKE_BLESS=1 rewrites the file.",
            path.display(),
            line + 1,
            expected.lines().nth(line),
            actual.lines().nth(line),
        );
    }
}
