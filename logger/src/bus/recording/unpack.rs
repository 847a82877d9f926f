//! What a recording is packed in, how far it was read, and by what it is known again.

use std::io::{Cursor, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Bytes of a recording, packed or not.
pub(super) type Raw = Box<dyn Read + Send>;

/// Bytes that are unpacked at once: where an archive is damaged, so many good ones may be lost.
const SIP: usize = 1024;

/// Counts what is taken from a reader.
pub(super) struct Counted {
    pub(super) raw: Raw,
    pub(super) taken: Arc<AtomicU64>,
}

impl Read for Counted {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.raw.read(buffer)?;
        self.taken.fetch_add(n as u64, Ordering::Relaxed);
        Ok(n)
    }
}

/// Asks a decoder for a little at a time: one that meets damage gives nothing of what it was asked for, and a short
/// recording would be lost altogether.
struct Sips<R>(R);

impl<R: Read> Read for Sips<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let most = buffer.len().min(SIP);
        self.0.read(&mut buffer[..most])
    }
}

/// The 64-bit FNV-1a hash: to tell files apart, not to protect anything (Fowler, Noll, Vo).
pub(super) fn fnv1a(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xCBF2_9CE4_8422_2325, |hash, b| (hash ^ u64::from(*b)).wrapping_mul(0x0100_0000_01B3))
}

/// Looks at the first bytes and puts the right decoder in between.
pub(super) fn decompressed(mut raw: Raw) -> std::io::Result<Raw> {
    let mut magic = Vec::new();
    raw.by_ref().take(4).read_to_end(&mut magic)?;
    let gzip = magic.starts_with(&[0x1F, 0x8B]);
    let zstd = magic == [0x28, 0xB5, 0x2F, 0xFD];
    let whole = Cursor::new(magic).chain(raw);
    Ok(match (gzip, zstd) {
        (true, _) => Box::new(Sips(flate2::read::MultiGzDecoder::new(whole))),
        (_, true) => Box::new(Sips(zstd::stream::read::Decoder::new(whole)?)),
        _ => Box::new(whole),
    })
}
