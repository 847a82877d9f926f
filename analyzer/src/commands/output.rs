//! Writing where the user said: a file, atomically, or `-` for standard output.

use super::{Failure, Streams};
use std::io::Write;
use std::path::Path;

/// Writes with `content` to `target`; `-` is standard output.
pub fn write(
    target: &Path,
    streams: &mut Streams,
    content: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> Result<(), Failure> {
    if target == Path::new("-") {
        return content(streams.out).map_err(Failure::from);
    }
    crate::report::atomic::write(target, content)
        .map_err(|e| Failure::CouldNot(format!("{}: cannot write: {e}", target.display())))
}

/// Where the text for people goes beside these files: standard output belongs to the program that asked for one of them
/// there.
pub fn beside<'a>(targets: &[Option<&Path>], streams: &'a mut Streams<'_>) -> &'a mut dyn Write {
    if targets.contains(&Some(Path::new("-"))) { &mut *streams.err } else { &mut *streams.out }
}
