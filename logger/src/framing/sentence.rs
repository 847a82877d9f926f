//! NMEA 0183 sentences out of a stream of bytes. Pure: bytes with their receive times in, sentences out.
//!
//! Form (from memory, the standard is not public; checked against sentences that PyPI `pynmea2` reads): `$` or `!`,
//! an address field, fields behind commas, `*` and the exclusive or of what stands between, CR LF; at most 82
//! characters. A TAG block `\…\` may stand in front.
//!
//! Owes its reader: a sentence without a right checksum is never used; noise between sentences costs the noise
//! only and is counted; memory has a fixed bound.

use ampwake_schemas::time::Timestamp;

/// What the standard allows, `$` and line end included.
const STANDARD: usize = 82;
/// What is read: senders with many transducers go beyond the standard.
const LONGEST: usize = 384;
/// A sentence that takes longer than this stopped in its middle (384 characters at 4800 bit/s take 800 ms).
const SLOWEST_US: u64 = 800_000;

/// A sentence with a right checksum.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sentence<'a> {
    /// Who speaks: two letters, or `P` in front of a maker's own sentence.
    pub talker: &'a str,
    /// What it is: three letters (a maker's own: the rest of the address field).
    pub formatter: &'a str,
    /// Its fields.
    pub fields: Vec<&'a str>,
}

/// Why a line is no sentence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SentenceProblem {
    /// Neither `$` nor `!` is in it, or it has no address field.
    NoSentence,
    /// Characters that may not stand in a sentence.
    Malformed,
    /// Nothing says that it arrived undamaged.
    NoChecksum,
    /// It is damaged.
    BadChecksum,
    /// More characters than are read.
    TooLong,
}

impl SentenceProblem {
    /// The name under which it is counted.
    pub const fn name(self) -> &'static str {
        match self {
            Self::NoSentence => "sentence_missing",
            Self::Malformed => "sentence_malformed",
            Self::NoChecksum => "sentence_without_checksum",
            Self::BadChecksum => "sentence_checksum",
            Self::TooLong => "sentence_too_long",
        }
    }
}

/// Reads one line: a TAG block, other text in front of the sentence and the line end are skipped.
///
/// # Errors
/// The line holds no sentence, or a damaged one.
pub fn parse_sentence(line: &[u8]) -> Result<Sentence<'_>, SentenceProblem> {
    let line = line.trim_ascii_end();
    let start = line.iter().rposition(|b| is_start(*b)).ok_or(SentenceProblem::NoSentence)?;
    parse(&line[start..])
}

/// What begins with `$` or `!` and has no line end.
fn parse(sentence: &[u8]) -> Result<Sentence<'_>, SentenceProblem> {
    if sentence.len() > LONGEST {
        return Err(SentenceProblem::TooLong);
    }
    let text = std::str::from_utf8(&sentence[1..]).ok().filter(|t| t.bytes().all(is_character));
    let text = text.ok_or(SentenceProblem::Malformed)?;
    let (body, checksum) = text.rsplit_once('*').ok_or(SentenceProblem::NoChecksum)?;
    let sum = body.bytes().fold(0, |sum, b| sum ^ b);
    let said = Some(checksum).filter(|c| c.len() == 2 && c.bytes().all(|b| b.is_ascii_hexdigit()));
    if said.and_then(|c| u8::from_str_radix(c, 16).ok()) != Some(sum) {
        return Err(SentenceProblem::BadChecksum);
    }
    let mut fields = body.split(',');
    let address = fields.next().unwrap_or_default();
    let (talker, formatter) = match address.strip_prefix('P') {
        Some(rest) => ("P", rest),
        None => address.split_at_checked(2).ok_or(SentenceProblem::NoSentence)?,
    };
    if formatter.is_empty() {
        return Err(SentenceProblem::NoSentence);
    }
    Ok(Sentence { talker, formatter, fields: fields.collect() })
}

fn is_start(b: u8) -> bool {
    matches!(b, b'$' | b'!')
}

fn is_character(b: u8) -> bool {
    matches!(b, b' '..=b'~')
}

/// What happened so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct SentenceCounters {
    /// Sentences with a right checksum.
    pub good: u64,
    /// Of these, longer than the standard allows.
    pub over_length: u64,
    /// With a wrong checksum.
    pub bad_checksum: u64,
    /// Without one.
    pub no_checksum: u64,
    /// Sentences that stopped in their middle, were cut by the next one, or never ended.
    pub cut: u64,
    /// Bytes that belong to no sentence and no TAG block.
    pub dropped_bytes: u64,
}

/// Where in the stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Outside,
    TagBlock,
    Inside(Timestamp),
}

/// Takes the bytes of one line.
#[derive(Debug)]
pub struct Sentences {
    state: State,
    buffer: Vec<u8>,
    counters: SentenceCounters,
}

impl Default for Sentences {
    fn default() -> Self {
        Self { state: State::Outside, buffer: Vec::with_capacity(LONGEST), counters: SentenceCounters::default() }
    }
}

impl Sentences {
    /// What happened so far.
    pub fn counters(&self) -> SentenceCounters {
        self.counters
    }

    /// Takes what one read brought at `time`; hands every sentence on with the time of the read that brought its
    /// first character, which is the moment that a sentence with a time in it speaks of.
    pub fn push(&mut self, time: Timestamp, bytes: &[u8], mut each: impl FnMut(Timestamp, Sentence<'_>)) {
        if let State::Inside(began) = self.state
            && time.micros().abs_diff(began.micros()) > SLOWEST_US
        {
            self.cut();
        }
        for &byte in bytes {
            match (self.state, byte) {
                (State::Inside(began), b'\r' | b'\n') => self.end(began, &mut each),
                (_, b'$' | b'!') => {
                    if matches!(self.state, State::Inside(_)) {
                        self.cut();
                    }
                    self.state = State::Inside(time);
                    self.buffer.clear();
                    self.buffer.push(byte);
                }
                (State::Inside(_), byte) if is_character(byte) && self.buffer.len() < LONGEST => self.buffer.push(byte),
                (State::Inside(_), _) => {
                    self.counters.dropped_bytes += 1;
                    self.cut();
                }
                (State::Outside, b'\\') => self.state = State::TagBlock,
                (State::TagBlock, b'\\' | b'\r' | b'\n') => self.state = State::Outside,
                (State::TagBlock, byte) if is_character(byte) => {}
                (State::TagBlock, _) => self.state = State::Outside,
                (State::Outside, b'\r' | b'\n') => {}
                (State::Outside, _) => self.counters.dropped_bytes += 1,
            }
        }
    }

    fn end(&mut self, began: Timestamp, each: &mut impl FnMut(Timestamp, Sentence<'_>)) {
        self.state = State::Outside;
        match parse(&self.buffer) {
            Ok(sentence) => {
                self.counters.good += 1;
                self.counters.over_length += u64::from(self.buffer.len() + 2 > STANDARD);
                each(began, sentence);
            }
            Err(SentenceProblem::BadChecksum) => self.counters.bad_checksum += 1,
            Err(SentenceProblem::NoChecksum) => self.counters.no_checksum += 1,
            Err(_) => self.counters.dropped_bytes += self.buffer.len() as u64,
        }
    }

    /// Gives the sentence in the buffer up.
    fn cut(&mut self) {
        self.counters.cut += 1;
        self.counters.dropped_bytes += self.buffer.len() as u64;
        self.buffer.clear();
        self.state = State::Outside;
    }
}

#[cfg(test)]
mod tests;
