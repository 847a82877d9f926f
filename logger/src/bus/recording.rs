//! A recording as one more input: lines of text (frames, sentences) or a packet capture, plain, `.gz`, `.zst` or from standard input,
//! told apart by their first bytes and not by their names.
//!
//! Owes its reader: memory that does not grow with the file; damage is counted and said, and what is good is
//! kept; an error only where there is nothing to read, with the file's name and what was expected.

use super::candump::{self, Stamp};
use super::capture::{Capture, Next, is_capture};
use super::lines::Lines;
use super::readings::Readings;
use super::sentence_log::{self, SentenceLog};
use super::stamps::{self, Stamps};
use super::{Frame, bus_name};
use std::collections::{BTreeMap, VecDeque};
use std::fs::File;
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// More interfaces than this are no vessel.
const MOST_INTERFACES: usize = 64;
/// Damaged lines that are shown and not only counted.
const SHOWN: usize = 5;

/// Where a recording is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Input {
    /// A file.
    File(PathBuf),
    /// Standard input.
    Standard,
}

impl Input {
    /// As on a command line: `-` is standard input.
    pub fn from_argument(argument: impl AsRef<Path>) -> Self {
        match argument.as_ref() {
            path if path == Path::new("-") => Self::Standard,
            path => Self::File(path.to_owned()),
        }
    }
}

impl std::fmt::Display for Input {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::File(path) => write!(f, "{}", path.display()),
            Self::Standard => f.write_str("standard input"),
        }
    }
}

/// Why there is nothing to read.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// It cannot be opened, or the disk fails.
    #[error("{input}: cannot read: {source}")]
    Io {
        /// The recording.
        input: Input,
        /// What the system said.
        source: std::io::Error,
    },
    /// It holds nothing.
    #[error("{input}: the recording is empty; record with `candump -l can0` or name another file")]
    Empty {
        /// The recording.
        input: Input,
    },
    /// It is compressed, and damaged from the start.
    #[error("{input}: the compressed recording is damaged from its start and nothing of it can be read; copy it again")]
    Damaged {
        /// The recording.
        input: Input,
    },
    /// It holds something, but no frame.
    #[error(
        "{input}: no line of it is a CAN frame or a sentence (it begins with `{start}`); expected is what `candump -l` \
             writes, such as `(1757680800.110000) can0 19F21423#00FB04FF7FFFFFFF`, plain or as .gz or .zst, a \
             pcap or pcapng capture of a CAN interface, or NMEA 0183 sentences with times"
    )]
    NoFrames {
        /// The recording.
        input: Input,
        /// Its first bytes.
        start: String,
    },
    /// It is a packet capture, of something else.
    #[error(
        "{input}: the capture holds no whole packet of a CAN interface (link type 227); capture on the CAN interface \
         itself, not on all interfaces at once"
    )]
    NoCan {
        /// The recording.
        input: Input,
    },
}

/// What a recording holds, with its time.
#[derive(Debug, Clone, PartialEq)]
pub enum Carried {
    /// A frame.
    Frame(Frame),
    /// A sentence, ready for its channels.
    Readings(Box<Readings>),
}

/// One frame and the interface that received it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Received {
    /// Index into [`Recording::buses`].
    pub bus: usize,
    /// The frame.
    pub frame: Frame,
}

/// What was wrong with a recording.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Damage {
    /// Each kind of problem, counted.
    pub counts: BTreeMap<&'static str, u64>,
    /// The first lines that are no frames: number and shortened text.
    pub lines: Vec<(u64, String)>,
}

type Raw = Box<dyn Read + Send>;

/// Bus, time as it stands there, and what it is.
type Stamped = (usize, Stamp, Carried);

/// What a recording is made of.
enum Body {
    /// Lines of candump text.
    Lines(Lines<Raw>),
    /// Packets.
    Capture(Box<Capture<Raw>>),
}

/// An open recording.
pub struct Recording {
    input: Input,
    body: Body,
    buses: Vec<String>,
    interfaces: Vec<Vec<u8>>,
    stamps: Stamps,
    /// Read ahead to find out what its times mean.
    ahead: VecDeque<Stamped>,
    sentences: SentenceLog,
    damage: Damage,
    /// Bytes taken from the file, before unpacking.
    taken: Arc<AtomicU64>,
    size: Option<u64>,
    fingerprint: u64,
}

impl std::fmt::Debug for Recording {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recording").field("input", &self.input).field("buses", &self.buses).finish_non_exhaustive()
    }
}

impl Recording {
    /// Opens a recording and reads as far as is needed to know what its times mean.
    ///
    /// # Errors
    /// There is no such file, it is empty, or it is something else than a recording.
    pub fn open(input: &Input) -> Result<Self, RecordingError> {
        let io = |source| RecordingError::Io { input: input.clone(), source };
        match input {
            Input::Standard => Self::from_reader(input.clone(), Box::new(std::io::stdin())),
            Input::File(path) => {
                let file = File::open(path).map_err(io)?;
                let size = file.metadata().map_err(io)?.len();
                let recording = Self::from_reader(input.clone(), Box::new(file))?;
                Ok(Self { size: Some(size), ..recording })
            }
        }
    }

    /// The same over any reader; `input` is its name in messages.
    ///
    /// # Errors
    /// As [`Recording::open`].
    pub fn from_reader(input: Input, raw: Raw) -> Result<Self, RecordingError> {
        let io = |source| RecordingError::Io { input: input.clone(), source };
        let taken = Arc::<AtomicU64>::default();
        let counted = Box::new(Counted { raw, taken: taken.clone() });
        let mut lines = Lines::new(decompressed(counted).map_err(io)?);
        let broken = lines.look_ahead().err();
        let start = lines.look_ahead().unwrap_or_default();
        let (fingerprint, is_empty, capture) = (fnv1a(start), start.is_empty(), is_capture(start));
        let excerpt = shortened(start.split(|b| *b == b'\n').find(|l| !l.trim_ascii().is_empty()).unwrap_or_default());
        let binary = !capture && start.contains(&0) && !start.split(|b| *b == b'\n').any(|l| parse(l).is_some());
        let body = match capture {
            true => Body::Capture(Box::new(Capture::open(lines.into_rest()).map_err(io)?)),
            false => Body::Lines(lines),
        };
        let mut recording = Self {
            body,
            input: input.clone(),
            buses: Vec::new(),
            interfaces: Vec::new(),
            stamps: Stamps::default(),
            ahead: VecDeque::new(),
            sentences: SentenceLog::default(),
            damage: Damage::default(),
            taken,
            size: None,
            fingerprint,
        };
        if let Some(e) = broken {
            recording.broken(e)?;
        }
        if is_empty {
            let damaged = !recording.damage.counts.is_empty();
            return Err(if damaged { RecordingError::Damaged { input } } else { RecordingError::Empty { input } });
        }
        while !binary && recording.ahead.len() < stamps::ENOUGH {
            let Some(next) = recording.parse_next()? else { break };
            recording.ahead.push_back(next);
        }
        if recording.ahead.is_empty() {
            return Err(match capture {
                true => RecordingError::NoCan { input },
                false => RecordingError::NoFrames { input, start: excerpt },
            });
        }
        recording.stamps = Stamps::of(recording.ahead.iter().map(|(_, stamp, _)| *stamp));
        Ok(recording)
    }

    /// The next frame, sentences passed over; `None` at the end.
    ///
    /// # Errors
    /// As [`Recording::advance`].
    pub fn next_frame(&mut self) -> Result<Option<Received>, RecordingError> {
        loop {
            match self.advance()? {
                Some((bus, Carried::Frame(frame))) => return Ok(Some(Received { bus, frame })),
                Some((_, Carried::Readings(_))) => {}
                None => return Ok(None),
            }
        }
    }

    /// What comes next, with the index of its bus in [`Recording::buses`]; `None` at the end.
    ///
    /// # Errors
    /// The disk fails. A damaged recording is no error: see [`Recording::damage`].
    pub fn advance(&mut self) -> Result<Option<(usize, Carried)>, RecordingError> {
        loop {
            let next = match self.ahead.pop_front() {
                Some(next) => Some(next),
                None => self.parse_next()?,
            };
            let Some((bus, stamp, mut carried)) = next else { return Ok(None) };
            match (self.stamps.time(stamp), &mut carried) {
                (Some(time), Carried::Frame(frame)) => frame.time = time,
                (Some(time), Carried::Readings(readings)) => readings.time = time,
                (None, _) => {
                    self.count("damaged_line");
                    continue;
                }
            }
            return Ok(Some((bus, carried)));
        }
    }

    /// The names of the buses seen so far, as channel addresses have them.
    pub fn buses(&self) -> &[String] {
        &self.buses
    }

    /// What its times mean.
    pub fn stamps(&self) -> &Stamps {
        &self.stamps
    }

    /// What was wrong with it so far.
    pub fn damage(&self) -> &Damage {
        &self.damage
    }

    /// How much of the file was read, 0..1; `None` for standard input.
    pub fn progress(&self) -> Option<f64> {
        let size = self.size.filter(|size| *size > 0)?;
        Some((self.taken.load(Ordering::Relaxed) as f64 / size as f64).min(1.0))
    }

    /// Tells this recording from others by what it begins with, times included, and its size.
    pub fn fingerprint(&self) -> String {
        format!("{:016x}-{}", self.fingerprint, self.size.unwrap_or(0))
    }

    fn count(&mut self, problem: &'static str) {
        *self.damage.counts.entry(problem).or_default() += 1;
    }

    fn parse_next(&mut self) -> Result<Option<Stamped>, RecordingError> {
        loop {
            let lines = match &mut self.body {
                Body::Lines(lines) => lines,
                Body::Capture(capture) => {
                    let next = match capture.advance() {
                        Ok(next) => next,
                        Err(e) => {
                            capture.close();
                            self.broken(e)?;
                            continue;
                        }
                    };
                    match next {
                        Next::End => return Ok(None),
                        Next::Problem(name) => self.count(name),
                        Next::Frame(interface, frame) => {
                            match bus_index(&mut self.interfaces, &mut self.buses, capture.name(interface)) {
                                Some(bus) => {
                                    let stamp = Stamp::Seconds(frame.time.micros());
                                    return Ok(Some((bus, stamp, Carried::Frame(frame))));
                                }
                                None => self.count("too_many_interfaces"),
                            }
                        }
                    }
                    continue;
                }
            };
            let line = match lines.next_line() {
                Ok(Some(line)) => line,
                Ok(None) => return Ok(None),
                Err(e) => {
                    self.broken(e)?;
                    continue;
                }
            };
            let number = line.number;
            let (problem, text) = match (line.bytes, line.bytes.and_then(parse)) {
                // A frame that may have lost its end would be taken for a shorter message.
                (Some(bytes), Some(parsed)) if !line.ended && !parsed.complete => ("cut_last_line", shortened(bytes)),
                (_, Some(parsed)) => match bus_index(&mut self.interfaces, &mut self.buses, parsed.interface) {
                    Some(bus) => return Ok(Some((bus, parsed.stamp, Carried::Frame(parsed.frame)))),
                    None => {
                        self.count("too_many_interfaces");
                        continue;
                    }
                },
                // Empty lines; details of an error frame, which candump indents by a tab.
                (Some(bytes), None) if bytes.trim_ascii().is_empty() || bytes[0] == b'\t' => continue,
                (Some(bytes), None) => match self.sentences.read(bytes) {
                    sentence_log::Line::Sentence(name, stamp, readings, unusable) => {
                        let bus = bus_index(&mut self.interfaces, &mut self.buses, name);
                        if unusable > 0 {
                            *self.damage.counts.entry("sentence_value_unusable").or_default() += unusable as u64;
                        }
                        match bus {
                            Some(bus) => return Ok(Some((bus, stamp, Carried::Readings(readings)))),
                            None => {
                                self.count("too_many_interfaces");
                                continue;
                            }
                        }
                    }
                    // Of kinds that are not read there are many, and of the first ones nobody knows the time.
                    sentence_log::Line::Problem(name @ ("sentence_unknown" | "sentence_without_time")) => {
                        self.count(name);
                        continue;
                    }
                    sentence_log::Line::Problem(name) if line.ended => (name, shortened(bytes)),
                    sentence_log::Line::Other if line.ended => ("damaged_line", shortened(bytes)),
                    _ => ("cut_last_line", shortened(bytes)),
                },
                (None, _) => ("line_too_long", String::from("longer than any frame")),
            };
            self.count(problem);
            if self.damage.lines.len() < SHOWN {
                self.damage.lines.push((number, text));
            }
        }
    }

    /// A compressed stream that ends early or is damaged ends the recording; a failing disk is an error.
    fn broken(&mut self, e: std::io::Error) -> Result<(), RecordingError> {
        if e.raw_os_error().is_some() {
            return Err(RecordingError::Io { input: self.input.clone(), source: e });
        }
        let cut = e.kind() == std::io::ErrorKind::UnexpectedEof;
        self.count(if cut { "truncated_recording" } else { "damaged_compression" });
        Ok(())
    }
}

/// Counts what is taken from a reader.
struct Counted {
    raw: Raw,
    taken: Arc<AtomicU64>,
}

impl Read for Counted {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.raw.read(buffer)?;
        self.taken.fetch_add(n as u64, Ordering::Relaxed);
        Ok(n)
    }
}

/// The 64-bit FNV-1a hash: to tell files apart, not to protect anything (Fowler, Noll, Vo).
fn fnv1a(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xCBF2_9CE4_8422_2325, |hash, b| (hash ^ u64::from(*b)).wrapping_mul(0x0100_0000_01B3))
}

fn parse(line: &[u8]) -> Option<candump::Line<'_>> {
    candump::parse(line.strip_suffix(b"\r").unwrap_or(line))
}

fn bus_index(interfaces: &mut Vec<Vec<u8>>, buses: &mut Vec<String>, interface: &[u8]) -> Option<usize> {
    if let Some(known) = interfaces.iter().position(|i| i == interface) {
        return Some(known);
    }
    if interfaces.len() >= MOST_INTERFACES {
        return None;
    }
    interfaces.push(interface.to_vec());
    buses.push(bus_name(interface));
    Some(buses.len() - 1)
}

fn shortened(text: &[u8]) -> String {
    let dots = if text.len() > 60 { "..." } else { "" };
    format!("{}{dots}", text[..text.len().min(60)].escape_ascii())
}

/// Looks at the first bytes and puts the right decoder in between.
fn decompressed(mut raw: Raw) -> std::io::Result<Raw> {
    let mut magic = Vec::new();
    raw.by_ref().take(4).read_to_end(&mut magic)?;
    let gzip = magic.starts_with(&[0x1F, 0x8B]);
    let zstd = magic == [0x28, 0xB5, 0x2F, 0xFD];
    let whole = Cursor::new(magic).chain(raw);
    Ok(match (gzip, zstd) {
        (true, _) => Box::new(flate2::read::MultiGzDecoder::new(whole)),
        (_, true) => Box::new(zstd::stream::read::Decoder::new(whole)?),
        _ => Box::new(whole),
    })
}

#[cfg(test)]
mod tests;
