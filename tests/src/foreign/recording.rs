//! Recordings: lines of candump text, packet captures, and both in a compressed file, whole and damaged.

use super::feed::Feed;
use super::must_be_an_address;
use ampwake_logger::bus::candump;
use ampwake_logger::bus::recording::{Damage, Input, Received, Recording, RecordingError};
use flate2::Compression;
use flate2::write::GzEncoder;
use std::io::{Cursor, Read, Write};

/// The years 0 to 9999 and a day for the zone, which no time of a frame leaves: later ones are damage.
const TIMES_US: std::ops::RangeInclusive<i64> = -62_167_305_600_000_000..=253_402_387_199_999_999;

/// Frames that damage to an archive may cost beside those behind it: a kilobyte of the shortest lines.
const MOST_LOST: usize = 100;

/// What a recording came to.
#[derive(Debug, PartialEq)]
struct Contents {
    frames: Vec<Received>,
    buses: Vec<String>,
    damage: Damage,
}

/// Lines of text, each by itself and all together.
pub fn candump(bytes: &[u8]) {
    for line in bytes.split(|b| *b == b'\n').take(1000) {
        let Some(read) = candump::parse(line) else { continue };
        assert!(read.frame.data().len() <= if read.frame.flags.fd { 64 } else { 8 }, "{read:?}");
        // Remote frames of CAN FD, which there are not, cannot be written as a log.
        if read.frame.flags.fd && read.frame.flags.remote {
            continue;
        }
        let text = written(&read);
        let again = candump::parse(&text);
        assert!(again.is_some_and(|a| (a.frame, a.interface) == (read.frame, read.interface)), "{read:?}");
    }
    opened(bytes);
}

/// The line of a log that says the same, at another time.
fn written(line: &candump::Line<'_>) -> Vec<u8> {
    use std::fmt::Write as _;
    let (frame, mut text) = (&line.frame, b"(1757680800.0) ".to_vec());
    text.extend(line.interface);
    let mut rest = match (frame.flags.error, frame.flags.extended) {
        (true, _) => format!(" {:08X}#", frame.id | 0x2000_0000),
        (_, true) => format!(" {:08X}#", frame.id),
        _ => format!(" {:03X}#", frame.id),
    };
    rest += if frame.flags.remote { "R" } else { "" };
    rest += if frame.flags.fd { "#0" } else { "" };
    frame.data().iter().for_each(|b| write!(rest, "{b:02X}").expect("text"));
    text.extend(rest.bytes());
    text
}

/// A packet capture.
pub fn capture(bytes: &[u8]) {
    opened(bytes);
}

/// Anything in a container: the first byte says which and what is wrong with it, the second where.
pub fn container(bytes: &[u8]) {
    let mut feed = Feed::new(bytes);
    let (kind, place, content) = (feed.byte(), usize::from(feed.byte()), feed.rest());
    let gzip = |content: &[u8]| {
        let mut packed = GzEncoder::new(Vec::new(), Compression::fast());
        packed.write_all(content).expect("memory");
        packed.finish().expect("memory")
    };
    let zstd = |content: &[u8]| zstd::encode_all(content, 1).expect("memory");
    let half = content.split_at(content.len() / 2);
    let mut packed = match kind & 7 {
        0 => content.to_vec(),
        1 | 2 => gzip(content),
        3 | 4 => zstd(content),
        5 => [gzip(half.0), gzip(half.1)].concat(),
        6 => [zstd(half.0), zstd(half.1)].concat(),
        _ => gzip(&zstd(content)),
    };
    let whole = kind >> 3 == 0;
    let place = place * packed.len() / 256;
    match kind >> 3 & 3 {
        1 => packed.truncate(place),
        2 => packed.iter_mut().skip(place).take(1).for_each(|b| *b ^= 1 << (kind >> 5)),
        3 => packed.extend(content.iter().take(place)),
        _ => {}
    }
    let read = opened(&packed);
    // What was packed and is whole is what it was.
    let plain = [0x1F, 0x8B, 0x28].iter().all(|magic| content.first() != Some(magic));
    if whole && (1..=6).contains(&(kind & 7)) && plain {
        assert_eq!(read, read_all(Box::new(Cursor::new(content.to_vec()))).ok());
    }
}

/// Reads a recording twice, whole and as a pipe hands it over, and holds what comes of it against what is promised.
fn opened(bytes: &[u8]) -> Option<Contents> {
    let piece = usize::from(bytes.len() as u8).max(1);
    let read = read_all(Box::new(Cursor::new(bytes.to_vec())));
    let again = read_all(Box::new(Pieces { bytes: bytes.to_vec(), at: 0, piece }));
    match (&read, &again) {
        (Ok(a), Ok(b)) if is_damaged(a) && is_damaged(b) => begin_alike(a, b),
        (Ok(a), Ok(b)) => assert_eq!(a, b, "in pieces of {piece}"),
        // Whether a damaged archive gave no byte or a few that are no frame depends on it too.
        (Err(a), Err(b)) => {
            assert!(is_archive(bytes) || a.to_string() == b.to_string(), "{a}, and in pieces of {piece} {b}");
        }
        (Ok(some), Err(none)) | (Err(none), Ok(some)) => {
            assert!(is_damaged(some) && some.frames.len() <= MOST_LOST, "{none}, and in pieces of {piece} {some:?}");
        }
    }
    match &read {
        Ok(read) => is_sound(read),
        Err(error) => assert!(error.to_string().is_ascii() && error.to_string().len() < 2000, "{error}"),
    }
    read.ok()
}

fn is_archive(bytes: &[u8]) -> bool {
    bytes.starts_with(&[0x1F, 0x8B]) || bytes.starts_with(&[0x28, 0xB5, 0x2F, 0xFD])
}

fn is_damaged(read: &Contents) -> bool {
    read.damage.counts.contains_key("damaged_compression")
}

/// How much is lost where an archive is damaged depends on how the bytes come in; it is little.
fn begin_alike(a: &Contents, b: &Contents) {
    let common = a.frames.len().min(b.frames.len());
    assert!(a.frames.len().max(b.frames.len()) - common <= MOST_LOST, "{} and {}", a.frames.len(), b.frames.len());
    let ids = |read: &Contents| read.frames[..common].iter().map(|r| (r.bus, r.frame.id)).collect::<Vec<_>>();
    assert_eq!(ids(a), ids(b));
}

fn read_all(raw: Box<dyn Read + Send>) -> Result<Contents, RecordingError> {
    let mut recording = Recording::from_reader(Input::Standard, raw)?;
    let mut frames = Vec::new();
    while let Some(received) = recording.next_frame()? {
        frames.push(received);
    }
    assert!(recording.fingerprint().is_ascii());
    Ok(Contents { frames, buses: recording.buses().to_vec(), damage: recording.damage().clone() })
}

fn is_sound(read: &Contents) {
    assert!(read.buses.len() <= 64);
    read.buses.iter().for_each(|name| must_be_an_address(&format!("{name}/n2k/1/v")));
    for received in &read.frames {
        let f = &received.frame;
        assert!(received.bus < read.buses.len());
        assert!(TIMES_US.contains(&f.time.micros()), "{f:?}");
        assert!(f.id <= if f.flags.extended || f.flags.error { 0x1FFF_FFFF } else { 0x7FF }, "{f:?}");
        assert!(!f.flags.remote || f.data().is_empty(), "{f:?}");
    }
    assert!(read.damage.lines.len() <= 5);
    assert!(read.damage.lines.iter().all(|(_, text)| text.is_ascii() && text.len() <= 300), "{:?}", read.damage);
    assert!(read.damage.counts.values().all(|n| *n > 0));
}

/// Hands out its bytes as a pipe does.
struct Pieces {
    bytes: Vec<u8>,
    at: usize,
    piece: usize,
}

impl Read for Pieces {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let left = &self.bytes[self.at..];
        let n = self.piece.min(left.len()).min(buffer.len());
        buffer[..n].copy_from_slice(&left[..n]);
        self.at += n;
        Ok(n)
    }
}
