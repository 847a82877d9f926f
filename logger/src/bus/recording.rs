//! A recording as one more input: lines of text (frames, sentences), a packet capture, plain, `.gz`, `.zst` or from
//! standard input, or the recorder's own file of raw frames, told apart by what they hold and not by their names.
//!
//! Owes its reader: memory that does not grow with the file; damage is counted and said, and what is good is
//! kept; an error only where there is nothing to read, with the file's name and what was expected.

mod error;
mod unpack;

pub use error::RecordingError;

use super::candump::{self, Stamp};
use super::capture::{Capture, Next, is_capture};
use super::lines::{Line, Lines};
use super::raw_frames::RawFrames;
use super::readings::Readings;
use super::sentence_log::{self, SentenceLog};
use super::stamps::{self, Meaning, Stamps};
use super::{Frame, bus_name};
use crate::framing::sentence::parse_sentence;
use ampwake_schemas::time::Timestamp;
use ampwake_store::raw::is_raw;
use std::collections::{BTreeMap, VecDeque};
use std::fs::File;
use std::io::{Read, Seek};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use unpack::{Counted, Raw, decompressed, fnv1a};

/// More interfaces than this are no vessel.
const MOST_INTERFACES: usize = 64;
/// Stands for the bus of sentences whose recording names none.
const NO_NAME: &[u8] = b"";
/// Its name, unless the user gives another.
const SERIAL: &str = "serial";
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
    /// The first lines that are neither frames nor sentences: number and shortened text.
    pub lines: Vec<(u64, String)>,
}

impl Damage {
    fn count(&mut self, problem: &'static str) {
        self.add(problem, 1);
    }

    fn add(&mut self, problem: &'static str, n: u64) {
        if n > 0 {
            *self.counts.entry(problem).or_default() += n;
        }
    }

    fn show(&mut self, number: u64, problem: &'static str, text: &str) {
        self.count(problem);
        if self.lines.len() < SHOWN {
            self.lines.push((number, text.to_owned()));
        }
    }
}

/// Bus, time as it stands there, and what it is.
type Stamped = (usize, Stamp, Carried);

/// What a recording is made of.
enum Body {
    /// Lines of candump text.
    Lines(Lines<Raw>),
    /// Packets.
    Capture(Box<Capture<Raw>>),
    /// Chunks of raw frames.
    Frames(Box<RawFrames>),
}

/// An open recording.
pub struct Recording {
    input: Input,
    body: Body,
    names: Names,
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
        f.debug_struct("Recording")
            .field("input", &self.input)
            .field("buses", &self.names.buses)
            .finish_non_exhaustive()
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
                let mut file = File::open(path).map_err(io)?;
                let mut start = [0; 100];
                // Looked at without taking it; a pipe has nothing to give back and is none.
                if file.metadata().map_err(io)?.is_file() {
                    let n = file.read(&mut start).map_err(io)?;
                    file.rewind().map_err(io)?;
                    if is_raw(&start[..n]) {
                        return Self::from_raw(input.clone(), path);
                    }
                }
                let size = file.metadata().map_err(io)?.len();
                let recording = Self::from_reader(input.clone(), Box::new(file))?;
                Ok(Self { size: Some(size), ..recording })
            }
        }
    }

    /// The recorder's own file of raw frames. Its times are always since 1970, by the recorder's clock.
    fn from_raw(input: Input, path: &Path) -> Result<Self, RecordingError> {
        let frames = RawFrames::open(path).map_err(|e| RecordingError::Raw(Box::new(e)))?;
        let fingerprint = fnv1a(&frames.ends().map(i64::to_be_bytes).concat());
        let mut recording = Self::over(input.clone(), Body::Frames(Box::new(frames)), fingerprint);
        let first = recording.parse_next()?.ok_or(RecordingError::Empty { input })?;
        recording.ahead.push_back(first);
        Ok(recording)
    }

    /// Nothing read yet.
    fn over(input: Input, body: Body, fingerprint: u64) -> Self {
        Self {
            body,
            input,
            names: Names { interfaces: Vec::new(), buses: Vec::new(), line: SERIAL.to_owned() },
            stamps: Stamps::default(),
            ahead: VecDeque::new(),
            sentences: SentenceLog::default(),
            damage: Damage::default(),
            taken: Arc::default(),
            size: None,
            fingerprint,
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
        // Finished ones, and those whose recorder was switched off.
        if start.starts_with(b"MDF     ") || start.starts_with(b"UnFinMF ") {
            return Err(RecordingError::Mdf { input });
        }
        if start.starts_with(b"SQLite format 3\0") {
            return Err(match is_raw(start) {
                true => RecordingError::Piped { input },
                false => RecordingError::Database { input },
            });
        }
        let (fingerprint, is_empty, capture) = (fnv1a(start), start.is_empty(), is_capture(start));
        let excerpt = shortened(start.split(|b| *b == b'\n').find(|l| !l.trim_ascii().is_empty()).unwrap_or_default());
        let readable = capture || has_lines(start);
        let body = match capture {
            true => Body::Capture(Box::new(Capture::open(lines.into_rest()).map_err(io)?)),
            false => Body::Lines(lines),
        };
        let mut recording = Self { taken, ..Self::over(input.clone(), body, fingerprint) };
        if let Some(e) = broken {
            recording.broken(e)?;
        }
        if is_empty {
            let damaged = !recording.damage.counts.is_empty();
            return Err(if damaged { RecordingError::Damaged { input } } else { RecordingError::Empty { input } });
        }
        while readable && recording.ahead.len() < stamps::ENOUGH {
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
    #[inline]
    pub fn advance(&mut self) -> Result<Option<(usize, Carried)>, RecordingError> {
        match self.usual() {
            Some((bus, frame)) => Ok(Some((bus, Carried::Frame(frame)))),
            None => self.advance_anyhow(),
        }
    }

    /// A frame in the commonest form of line with a time of the commonest meaning, of a known interface.
    #[inline]
    fn usual(&mut self) -> Option<(usize, Frame)> {
        let Body::Lines(lines) = &mut self.body else { return None };
        if !self.ahead.is_empty() || self.stamps.meaning() != Meaning::Absolute {
            return None;
        }
        let line = lines.peek()?;
        let parsed = candump::usual(line.strip_suffix(b"\r").unwrap_or(line))?;
        let bus = self.names.interfaces.iter().position(|i| i == parsed.interface)?;
        let Stamp::Seconds(us) = parsed.stamp else { return None };
        let (mut frame, length) = (parsed.frame, line.len());
        lines.take(length);
        frame.time = Timestamp::from_micros(us);
        Some((bus, frame))
    }

    fn advance_anyhow(&mut self) -> Result<Option<(usize, Carried)>, RecordingError> {
        loop {
            let next = match self.ahead.pop_front() {
                Some(next) => Some(next),
                None => self.parse_next()?,
            };
            let Some((bus, stamp, mut carried)) = next else { return Ok(None) };
            match (self.stamps.time(stamp), &mut carried) {
                (Ok(time), Carried::Frame(frame)) => frame.time = time,
                (Ok(time), Carried::Readings(readings)) => readings.time = time,
                (Err(problem), _) => {
                    self.damage.count(problem);
                    continue;
                }
            }
            return Ok(Some((bus, carried)));
        }
    }

    /// Names the line of sentences whose recording names none.
    #[must_use]
    pub fn with_line(mut self, name: &str) -> Self {
        self.names.line = bus_name(name.as_bytes());
        if let Some(known) = self.names.interfaces.iter().position(|i| i == NO_NAME) {
            self.names.buses[known].clone_from(&self.names.line);
        }
        self
    }

    /// The names of the buses seen so far, as channel addresses have them.
    pub fn buses(&self) -> &[String] {
        &self.names.buses
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
        if let Body::Frames(frames) = &self.body {
            return Some(frames.progress());
        }
        let size = self.size.filter(|size| *size > 0)?;
        Some((self.taken.load(Ordering::Relaxed) as f64 / size as f64).min(1.0))
    }

    /// Tells this recording from others by what it begins with, times included, and its size.
    pub fn fingerprint(&self) -> String {
        format!("{:016x}-{}", self.fingerprint, self.size.unwrap_or(0))
    }

    fn parse_next(&mut self) -> Result<Option<Stamped>, RecordingError> {
        loop {
            let read = match &mut self.body {
                Body::Frames(frames) => match frames.advance() {
                    Ok(Some(Ok((bus, frame)))) => {
                        let stamp = Stamp::Seconds(frame.time.micros());
                        Ok(Understood::Item(bus.as_bytes(), stamp, Carried::Frame(frame), 0))
                    }
                    Ok(Some(Err(problem))) => Ok(Understood::Problem(problem)),
                    Ok(None) => Ok(Understood::End),
                    Err(e) => return Err(RecordingError::Raw(Box::new(e))),
                },
                Body::Lines(lines) => lines.next_line().map(|line| match line {
                    Some(line) => understand(&line, &mut self.sentences),
                    None => Understood::End,
                }),
                Body::Capture(capture) => capture.advance().map(|next| match next {
                    Next::End => Understood::End,
                    Next::Problem(name) => Understood::Problem(name),
                    Next::Frame(interface, frame) => {
                        let stamp = Stamp::Seconds(frame.time.micros());
                        Understood::Item(capture.name(interface), stamp, Carried::Frame(frame), 0)
                    }
                }),
            };
            match read {
                Ok(Understood::Item(interface, stamp, carried, unusable)) => {
                    self.damage.add("sentence_value_unusable", unusable as u64);
                    match self.names.index(interface) {
                        Some(bus) => return Ok(Some((bus, stamp, carried))),
                        None => self.damage.count("too_many_interfaces"),
                    }
                }
                Ok(Understood::Damage(number, name, text)) => self.damage.show(number, name, &text),
                Ok(Understood::Problem(name)) => self.damage.count(name),
                Ok(Understood::Nothing) => {}
                Ok(Understood::End) => return Ok(None),
                Err(e) => {
                    if let Body::Capture(capture) = &mut self.body {
                        capture.close();
                    }
                    self.broken(e)?;
                }
            }
        }
    }

    /// A compressed stream that ends early or is damaged ends the recording; a failing disk is an error.
    fn broken(&mut self, e: std::io::Error) -> Result<(), RecordingError> {
        if e.raw_os_error().is_some() {
            return Err(RecordingError::Io { input: self.input.clone(), source: e });
        }
        let cut = e.kind() == std::io::ErrorKind::UnexpectedEof;
        self.damage.count(if cut { "truncated_recording" } else { "damaged_compression" });
        Ok(())
    }
}

/// What the next piece of a recording is.
enum Understood<'a> {
    /// Something of the bus with this name, with its time as it stands there; so many of its values cannot be used.
    Item(&'a [u8], Stamp, Carried, usize),
    /// A line that is none, by number and the name under which it is counted, to be shown.
    Damage(u64, &'static str, String),
    /// Something else to be counted.
    Problem(&'static str),
    /// Neither good nor bad.
    Nothing,
    /// There is no more.
    End,
}

fn understand<'a>(line: &Line<'a>, sentences: &mut SentenceLog) -> Understood<'a> {
    let Some(bytes) = line.bytes else {
        return Understood::Damage(line.number, "line_too_long", "longer than any frame".to_owned());
    };
    let bad = |name| Understood::Damage(line.number, if line.ended { name } else { "cut_last_line" }, shortened(bytes));
    match candump::parse(bytes) {
        // A frame that may have lost its end would be taken for a shorter message.
        Some(parsed) if !line.ended && !parsed.complete => return bad("cut_last_line"),
        Some(parsed) => return Understood::Item(parsed.interface, parsed.stamp, Carried::Frame(parsed.frame), 0),
        // Empty lines; details of an error frame, which candump indents by a tab.
        None if bytes.trim_ascii().is_empty() || bytes[0] == b'\t' => return Understood::Nothing,
        None => {}
    }
    match sentences.read(bytes) {
        sentence_log::Line::Sentence(s) => {
            Understood::Item(s.bus.unwrap_or(NO_NAME), s.stamp, Carried::Readings(s.readings), s.unusable)
        }
        // Of kinds that are not read there are many, and of the first ones nobody knows the time.
        sentence_log::Line::Problem(name @ ("sentence_unknown" | "sentence_without_time")) => Understood::Problem(name),
        sentence_log::Line::Problem(name) => bad(name),
        sentence_log::Line::Other => bad("damaged_line"),
    }
}

/// False for the bytes of something that is no text, nowhere.
fn has_lines(start: &[u8]) -> bool {
    !start.contains(&0)
        || start.split(|b| *b == b'\n').any(|line| {
            let line = line.strip_suffix(b"\r").unwrap_or(line);
            candump::parse(line).is_some() || parse_sentence(line).is_ok()
        })
}

/// The buses of a recording.
struct Names {
    /// As the recording has them.
    interfaces: Vec<Vec<u8>>,
    /// As channel addresses have them.
    buses: Vec<String>,
    /// The bus of sentences whose recording names none.
    line: String,
}

impl Names {
    fn index(&mut self, interface: &[u8]) -> Option<usize> {
        if let Some(known) = self.interfaces.iter().position(|i| i == interface) {
            return Some(known);
        }
        if self.interfaces.len() >= MOST_INTERFACES {
            return None;
        }
        self.interfaces.push(interface.to_vec());
        self.buses.push(if interface == NO_NAME { self.line.clone() } else { bus_name(interface) });
        Some(self.buses.len() - 1)
    }
}

fn shortened(text: &[u8]) -> String {
    let dots = if text.len() > 60 { "..." } else { "" };
    format!("{}{dots}", text[..text.len().min(60)].escape_ascii())
}

#[cfg(test)]
mod tests;
