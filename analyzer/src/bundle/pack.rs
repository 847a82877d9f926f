//! Making an archive. What an interrupted run leaves (`OUT.part`, `OUT.slice`) the next one replaces.

use super::{BundleError, DATABASE, Entry, LIST, List, SCHEMA, SUMS, beside, io, sum};
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;
use std::fs::File;
use std::io::{BufReader, Read, Write};
use std::path::{Path, PathBuf};
use tar::{Builder, Header};

/// Blocks of a database are packed already; a higher level takes long and gains little.
const LEVEL: i32 = 3;

/// What goes into an archive.
#[derive(Debug, Clone, Default)]
pub struct Pack {
    /// Only blocks that reach behind this time.
    pub from: Option<Timestamp>,
    /// Only blocks that begin before it.
    pub to: Option<Timestamp>,
    /// Files of the disk, by their names in the archive.
    pub files: Vec<(&'static str, PathBuf)>,
    /// Files that were made for it, by their names.
    pub made: Vec<(&'static str, Vec<u8>)>,
    /// When it is made, RFC 3339.
    pub created: String,
}

/// Writes an archive of `store` to `out`, over what stood there; the list of what is in it.
///
/// # Errors
/// A file cannot be read or written. What stood under `out` before still does then.
pub fn pack(store: &Store, pack: &Pack, out: &Path) -> Result<List, BundleError> {
    let (slice, part) = (beside(out, ".slice"), beside(out, ".part"));
    let _ = std::fs::remove_file(&slice);
    let done = store.copy_to(&slice, pack.from, pack.to).map_err(BundleError::from).and_then(|()| {
        let list = archive(pack, &slice, &part)?;
        std::fs::rename(&part, out).map_err(io(out, "cannot put the archive in its place"))?;
        Ok(list)
    });
    let _ = std::fs::remove_file(&slice);
    if done.is_err() {
        let _ = std::fs::remove_file(&part);
    }
    done
}

/// A file with its entry, open; what is sent is what was summed, as long as nobody changes it in between.
enum Source<'a> {
    Disk(PathBuf),
    Memory(&'a [u8]),
}

impl Source<'_> {
    fn open(&self) -> std::io::Result<Box<dyn Read + '_>> {
        Ok(match self {
            Self::Disk(path) => Box::new(BufReader::new(File::open(path)?)),
            Self::Memory(bytes) => Box::new(*bytes),
        })
    }
}

fn archive(pack: &Pack, slice: &Path, part: &Path) -> Result<List, BundleError> {
    let period = Store::open(slice)?.period()?.map(|p| (p.start.to_string(), p.end.to_string()));
    let mut sources = vec![(DATABASE, Source::Disk(slice.to_owned()))];
    sources.extend(pack.files.iter().map(|(name, path)| (*name, Source::Disk(path.clone()))));
    sources.extend(pack.made.iter().map(|(name, bytes)| (*name, Source::Memory(bytes))));
    let entry = |(name, source): &(&str, Source)| {
        let path = match source {
            Source::Disk(path) => path,
            Source::Memory(_) => part,
        };
        let (sha256, bytes) = source.open().and_then(|mut read| sum(&mut read)).map_err(io(path, "cannot read"))?;
        Ok(Entry { name: (*name).to_owned(), bytes, sha256 })
    };
    let files = sources.iter().map(entry).collect::<Result<Vec<_>, BundleError>>()?;
    let (version, created) = (env!("CARGO_PKG_VERSION").to_owned(), pack.created.clone());
    let list = List { schema: SCHEMA.to_owned(), version, created, period, files };

    let write = || -> std::io::Result<()> {
        let file = File::create(part)?;
        let mut out = Builder::new(zstd::Encoder::new(file, LEVEL)?);
        let text = serde_json::to_vec_pretty(&list)?;
        append(&mut out, LIST, text.len() as u64, &mut text.as_slice())?;
        for (entry, (_, source)) in list.files.iter().zip(&sources) {
            // A file that grew meanwhile is cut where it ended when it was summed.
            append(&mut out, &entry.name, entry.bytes, &mut source.open()?.take(entry.bytes))?;
        }
        let sums: String = list.files.iter().map(|e| format!("{}  {}\n", e.sha256, e.name)).collect();
        append(&mut out, SUMS, sums.len() as u64, &mut sums.as_bytes())?;
        out.into_inner()?.finish()?.sync_all()
    };
    write().map_err(io(part, "cannot write the archive"))?;
    Ok(list)
}

/// The same bytes for the same files: no owner, no time.
fn append(out: &mut Builder<impl Write>, name: &str, bytes: u64, data: &mut dyn Read) -> std::io::Result<()> {
    let mut header = Header::new_ustar();
    header.set_size(bytes);
    header.set_mode(0o644);
    out.append_data(&mut header, name, data)
}
