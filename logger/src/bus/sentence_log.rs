//! Lines of a recording of NMEA 0183 sentences, with the time that stands in front of each, or in its TAG block, or
//! that the sentences themselves tell.
//!
//! ```text
//! line  = [front] ["\" *(code ":" value ",") "*" HEX HEX "\"] sentence
//! front = ("(" seconds "." fraction ")" / number / date / "[" date "]") [bus] [":" / "," / ";" / "|"]
//! date  = RFC 3339, also with a comma or a blank, with `+hhmm`, without a zone
//! ```
//! A number is in seconds, milli-, micro- or nanoseconds since 1970 as it has 10, 13, 16 or 19 digits; with a fraction
//! it is in seconds, of the recording too. A TAG block says `c:` for the time and `s:` for the line (NMEA 0183 4.10 and
//! IEC 61162-450, from memory). Without any of them a sentence has the time that a receiver of satellite time told last
//! (RMC, ZDA): second by second, which is what such a recording can know.
//!
//! Owes its reader: never a panic; a sentence without a right checksum or without a time is counted, not used.

use super::candump::{self, Stamp};
use super::nmea0183;
use super::readings::Readings;
use crate::framing::sentence::parse_sentence;
use ampwake_schemas::time::Timestamp;

/// A receiver that was silent for so long tells no time any more, s.
const STALE_S: f64 = 5.0;
/// Sentences in a second before that is known, of a busy line.
const FIRST_RATE: f64 = 100.0;

/// What a line is.
#[derive(Debug, PartialEq)]
pub enum Line<'a> {
    /// A sentence; the time in it is not set yet.
    Sentence(Logged<'a>),
    /// One that cannot be used, by the name under which it is counted.
    Problem(&'static str),
    /// No sentence.
    Other,
}

/// A sentence of a recording.
#[derive(Debug, PartialEq)]
pub struct Logged<'a> {
    /// The line that it came from, where the recording names it.
    pub bus: Option<&'a [u8]>,
    /// When it was received, or what time it was by the sentences before it.
    pub stamp: Stamp,
    /// What it says.
    pub readings: Box<Readings>,
    /// So many of its values cannot be used.
    pub unusable: usize,
}

/// Reads lines, and remembers the time that they tell.
#[derive(Debug, Clone, Copy)]
pub struct SentenceLog {
    told: Option<Timestamp>,
    /// Sentences since then.
    since: u32,
    /// Sentences in a second, between the last two times.
    rate: f64,
}

impl Default for SentenceLog {
    fn default() -> Self {
        Self { told: None, since: 0, rate: FIRST_RATE }
    }
}

impl SentenceLog {
    /// Reads one line without its end.
    pub fn read<'a>(&mut self, line: &'a [u8]) -> Line<'a> {
        let Some(start) = line.iter().rposition(|b| is_start(*b)) else { return Line::Other };
        self.since = self.since.saturating_add(1);
        let sentence = match parse_sentence(line) {
            Ok(sentence) => sentence,
            // Some other text with a dollar in it.
            Err(_) if !line[start..].contains(&b',') => return Line::Other,
            Err(problem) => return Line::Problem(problem.name()),
        };
        let Some((readings, unusable)) = nmea0183::readings(Timestamp::default(), &sentence) else {
            return Line::Problem("sentence_unknown");
        };
        match readings.told {
            Some((_, time)) => self.tell(time),
            // The receiver has lost its satellites.
            None if matches!(readings.message.as_ref(), "rmc" | "zda") => self.told = None,
            None => {}
        }
        let Front { bus, stamp } = match front(&line[..start]) {
            Ok(front) => front,
            Err(problem) => return Line::Problem(problem),
        };
        let told = self.told.filter(|_| f64::from(self.since) <= STALE_S * self.rate);
        match stamp.or(told.map(|t| Stamp::Told(t.micros()))) {
            Some(stamp) => Line::Sentence(Logged { bus, stamp, readings: Box::new(readings), unusable }),
            None => Line::Problem("sentence_without_time"),
        }
    }

    fn tell(&mut self, time: Timestamp) {
        let passed = self.told.map_or(0.0, |before| time.seconds_since(before));
        if passed > 0.0 {
            // Ten in a second are few, and a pause says nothing about the rate.
            self.rate = (f64::from(self.since) / passed).max(10.0);
        }
        if self.told != Some(time) {
            self.since = 0;
        }
        self.told = Some(time);
    }
}

fn is_start(b: u8) -> bool {
    matches!(b, b'$' | b'!')
}

/// What stands before a sentence.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Front<'a> {
    bus: Option<&'a [u8]>,
    stamp: Option<Stamp>,
}

fn front(text: &[u8]) -> Result<Front<'_>, &'static str> {
    if text.iter().any(|b| is_start(*b)) {
        // Two in one line: the time belongs to the first, of which the end is missing.
        return Err("sentence_cut");
    }
    // The TAG block ends right before the sentence.
    let (text, tag) = match text.strip_suffix(b"\\").and_then(|t| Some((t, t.iter().rposition(|b| *b == b'\\')?))) {
        Some((inner, begin)) => (&inner[..begin], tag_block(&inner[begin + 1..])?),
        None => (text, Front::default()),
    };
    let text = text.trim_ascii();
    let text = text.strip_suffix(b":").or(text.strip_suffix(b",")).unwrap_or(text);
    let text = text.strip_suffix(b";").or(text.strip_suffix(b"|")).unwrap_or(text).trim_ascii();
    if let Some(stamp) = time(text) {
        return Ok(Front { stamp: Some(stamp), ..tag });
    }
    let blank = text.iter().rposition(u8::is_ascii_whitespace).unwrap_or(0);
    let (before, word) = (text[..blank].trim_ascii(), text[blank..].trim_ascii());
    Ok(time(before).map_or(tag, |stamp| Front { bus: Some(word), stamp: Some(stamp) }))
}

/// What stands between the backslashes; its checksum is that of a sentence.
fn tag_block(text: &[u8]) -> Result<Front<'_>, &'static str> {
    let wrong = "tag_block_checksum";
    let star = text.iter().rposition(|b| *b == b'*').ok_or(wrong)?;
    let sum = text[..star].iter().fold(0, |sum, b| sum ^ b);
    let said = std::str::from_utf8(&text[star + 1..]).ok().filter(|t| t.len() == 2);
    if said.and_then(|t| u8::from_str_radix(t, 16).ok()) != Some(sum) {
        return Err(wrong);
    }
    let mut out = Front::default();
    for part in text[..star].split(|b| *b == b',') {
        match part {
            [b'c', b':', digits @ ..] => out.stamp = number(digits),
            [b's', b':', name @ ..] if !name.is_empty() => out.bus = Some(name),
            _ => {}
        }
    }
    Ok(out)
}

fn time(text: &[u8]) -> Option<Stamp> {
    match candump::stamp(text) {
        Some((stamp, [])) => return Some(stamp),
        Some(_) => return None,
        None => {}
    }
    let text = text.strip_prefix(b"[").and_then(|t| t.strip_suffix(b"]")).unwrap_or(text);
    number(text).or_else(|| date(text))
}

/// `1717243200`, `1717243200.123`, `1717243200123`: a number without a fraction and of another length numbers the lines.
fn number(text: &[u8]) -> Option<Stamp> {
    let text = std::str::from_utf8(text).ok()?;
    let digits = |t: &str| !t.is_empty() && t.len() <= 19 && t.bytes().all(|b| b.is_ascii_digit());
    if let Some((whole, part)) = text.split_once('.') {
        let good = digits(whole) && whole.len() <= 10 && digits(part);
        let micros = good.then(|| format!("{part:0<6}")[..6].parse::<i64>().ok())??;
        return Some(Stamp::Seconds(whole.parse::<i64>().ok()? * 1_000_000 + micros));
    }
    let number: i64 = digits(text).then(|| text.parse().ok())??;
    Some(Stamp::Seconds(match text.len() {
        10 => number * 1_000_000,
        13 => number * 1_000,
        16 => number,
        19 => number / 1_000,
        _ => return None,
    }))
}

/// A date with its time; without a zone it is in the recording computer's, which nobody says.
fn date(text: &[u8]) -> Option<Stamp> {
    let text = std::str::from_utf8(text).ok().filter(|t| (19..=40).contains(&t.len()) && t.is_ascii())?;
    let (day, rest) = text.split_at(10);
    let mut rfc3339 = format!("{day}T{}", rest[1..].replacen(',', ".", 1));
    if !matches!(rest.as_bytes()[0], b'T' | b't' | b' ') {
        return None;
    }
    // The shorter form of a zone.
    let zone = rfc3339.len() - 5;
    if matches!(rfc3339.as_bytes()[zone], b'+' | b'-') {
        rfc3339.insert(zone + 3, ':');
    }
    match Timestamp::parse_rfc3339(&rfc3339) {
        Ok(time) => Some(Stamp::Seconds(time.micros())),
        Err(_) => Some(Stamp::Calendar(Timestamp::parse_rfc3339(&format!("{rfc3339}Z")).ok()?.micros())),
    }
}

#[cfg(test)]
mod tests;
