//! The inputs that are kept: files of one folder that somebody found or thought of, and the corpora of the fuzzer in
//! their archives.

use flate2::read::GzDecoder;
use std::io::Read;
use std::path::Path;

/// Inputs with their names.
pub type Inputs = Vec<(String, Vec<u8>)>;

/// Every file of a folder but its README, by name.
pub fn folder(path: &Path) -> std::io::Result<Inputs> {
    let mut inputs = Inputs::new();
    for entry in std::fs::read_dir(path)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if name != "README.md" {
            inputs.push((name, std::fs::read(entry.path())?));
        }
    }
    inputs.sort();
    Ok(inputs)
}

/// Every file of a `.tar.gz`.
///
/// A header block of 512 bytes has the name first, the size in octal at 124 and the kind at 156 (`0`: a file); the
/// content follows, filled up to whole blocks (POSIX.1-1988, ustar).
pub fn archive(path: &Path) -> std::io::Result<Inputs> {
    let mut bytes = Vec::new();
    GzDecoder::new(std::fs::File::open(path)?).read_to_end(&mut bytes)?;
    let mut rest = bytes.as_slice();
    let mut inputs = Inputs::new();
    while let Some((head, behind)) = rest.split_first_chunk::<512>().filter(|(head, _)| head[0] != 0) {
        let text =
            |from: usize, to: usize| String::from_utf8_lossy(&head[from..to]).trim_matches(['\0', ' ']).to_owned();
        let size = usize::from_str_radix(&text(124, 136), 8).map_err(std::io::Error::other)?;
        let content = behind.get(..size).ok_or_else(|| std::io::Error::other("the archive is cut"))?;
        if head[156] == b'0' {
            inputs.push((text(0, 100), content.to_vec()));
        }
        rest = behind.get(size.next_multiple_of(512)..).unwrap_or_default();
    }
    Ok(inputs)
}
