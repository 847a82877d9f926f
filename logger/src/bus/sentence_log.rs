//! Lines of a recording of NMEA 0183 sentences, with the time that stands in front of each, or in its TAG block, or
//! that the sentences themselves tell.
//!
//! ```text
//! line  = [time SP] ["\" *(code ":" value ",") "*" HEX HEX "\"] sentence
//! time  = "(" seconds ["." fraction] ")" [SP bus] / seconds ["." fraction] / date ("T" / " ") time ["Z"] / "[" date " " time "]"
//! ```
//! Seconds are since 1970, in ten digits, or milliseconds in thirteen. A TAG block says `c:` for the time and `s:` for
//! the line (NMEA 0183 4.10 and IEC 61162-450, from memory). Without any of them a sentence has the time that the last
//! receiver of satellite time told (RMC, ZDA): second by second, which is what such a recording can know.
//!
//! Owes its reader: never a panic; a sentence without a right checksum or without a time is counted, not used.

use super::candump::{self, Stamp};
use super::nmea0183;
use super::readings::Readings;
use crate::framing::sentence::parse_sentence;
use ampwake_schemas::time::Timestamp;

/// The bus of sentences whose recording names none.
const NO_NAME: &[u8] = b"serial";
/// Milliseconds since 1970 have 13 digits from 2001 to 2286, seconds 10.
const MILLISECOND_DIGITS: usize = 13;

/// What a line is.
#[derive(Debug, PartialEq)]
pub enum Line<'a> {
    /// A sentence of a bus with its time; so many of its values cannot be used. The time in it is not set yet.
    Sentence(&'a [u8], Stamp, Box<Readings>, usize),
    /// One that cannot be used, by the name under which it is counted.
    Problem(&'static str),
    /// No sentence.
    Other,
}

/// Reads lines, and remembers the time that they tell.
#[derive(Debug, Clone, Copy, Default)]
pub struct SentenceLog {
    told: Option<Timestamp>,
}

impl SentenceLog {
    /// Reads one line without its end.
    pub fn read<'a>(&mut self, line: &'a [u8]) -> Line<'a> {
        let Some(start) = line.iter().rposition(|b| matches!(b, b'$' | b'!')) else { return Line::Other };
        let sentence = match parse_sentence(line) {
            Ok(sentence) => sentence,
            // Some other text with a dollar in it.
            Err(_) if !line[start..].contains(&b',') => return Line::Other,
            Err(problem) => return Line::Problem(problem.name()),
        };
        let Some((readings, unusable)) = nmea0183::readings(Timestamp::default(), &sentence) else {
            return Line::Problem("sentence_unknown");
        };
        if let Some((_, time)) = readings.told {
            self.told = Some(time);
        }
        let (bus, stamp) = front(&line[..start]);
        match stamp.or(self.told.map(|t| Stamp::Seconds(t.micros()))) {
            Some(stamp) => Line::Sentence(bus.unwrap_or(NO_NAME), stamp, Box::new(readings), unusable),
            None => Line::Problem("sentence_without_time"),
        }
    }
}

/// Bus and time of what stands before a sentence.
fn front(text: &[u8]) -> (Option<&[u8]>, Option<Stamp>) {
    // The TAG block ends right before the sentence.
    let (text, tag) = match text.strip_suffix(b"\\").and_then(|t| Some((t, t.iter().rposition(|b| *b == b'\\')?))) {
        Some((inner, begin)) => (&inner[..begin], Some(&inner[begin + 1..])),
        None => (text, None),
    };
    let (mut bus, mut stamp) = (None, None);
    for part in tag.unwrap_or_default().split(|b| matches!(b, b',' | b'*')) {
        match part {
            [b'c', b':', digits @ ..] => stamp = since_1970(digits),
            [b's', b':', name @ ..] if !name.is_empty() => bus = Some(name),
            _ => {}
        }
    }
    let text = text.trim_ascii();
    if let Some((time, rest)) = candump::stamp(text) {
        let name = rest.trim_ascii();
        let one_word = !name.is_empty() && !name.iter().any(u8::is_ascii_whitespace);
        return (if one_word { Some(name) } else { bus }, Some(time));
    }
    let text = text.strip_prefix(b"[").and_then(|t| t.strip_suffix(b"]")).unwrap_or(text);
    let time = since_1970(text).or_else(|| date(text));
    (bus, time.or(stamp))
}

/// `1717243200`, `1717243200.123` or `1717243200123`.
fn since_1970(text: &[u8]) -> Option<Stamp> {
    let text = std::str::from_utf8(text).ok()?;
    let (whole, part) = text.split_once('.').unwrap_or((text, "0"));
    let digits = |t: &str| !t.is_empty() && t.len() <= MILLISECOND_DIGITS && t.bytes().all(|b| b.is_ascii_digit());
    if !digits(whole) || !digits(part) {
        return None;
    }
    let number: i64 = whole.parse().ok()?;
    if whole.len() == MILLISECOND_DIGITS {
        return Some(Stamp::Seconds(number * 1000));
    }
    let micros: i64 = format!("{part:0<6}")[..6].parse().ok()?;
    (whole.len() <= 10).then_some(Stamp::Seconds(number * 1_000_000 + micros))
}

/// `2026-06-01T12:00:00.123Z`, or without a zone: then it is the recording computer's, which nobody says.
fn date(text: &[u8]) -> Option<Stamp> {
    let text = std::str::from_utf8(text).ok().filter(|t| t.len() <= 40 && t.is_ascii())?;
    if let Ok(time) = Timestamp::parse_rfc3339(text) {
        return Some(Stamp::Seconds(time.micros()));
    }
    let time = Timestamp::parse_rfc3339(&format!("{}Z", text.replacen(' ', "T", 1))).ok()?;
    Some(Stamp::Calendar(time.micros()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const XDR: &str = "$IIXDR,C,27.5,C,BATT1,U,13.42,V,BATT1,I,-8.3,A,BATT1*4B";
    /// 2026-06-01T12:00:00Z.
    const NOON: i64 = 1_780_315_200_000_000;

    fn stamp(front: &str) -> Option<(String, Stamp)> {
        match SentenceLog::default().read(format!("{front}{XDR}").as_bytes()) {
            Line::Sentence(bus, stamp, readings, 0) => {
                assert_eq!((readings.message.as_ref(), readings.values.len()), ("xdr", 3));
                Some((String::from_utf8(bus.to_vec()).unwrap(), stamp))
            }
            Line::Problem("sentence_without_time") => None,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn every_form_of_time() {
        for (front, bus, expected) in [
            ("(1780315200.250000) aft ", "aft", Stamp::Seconds(NOON + 250_000)),
            ("1780315200 ", "serial", Stamp::Seconds(NOON)),
            ("1780315200.25 ", "serial", Stamp::Seconds(NOON + 250_000)),
            ("1780315200250 ", "serial", Stamp::Seconds(NOON + 250_000)),
            ("2026-06-01T12:00:00.25Z ", "serial", Stamp::Seconds(NOON + 250_000)),
            ("2026-06-01T14:00:00+02:00 ", "serial", Stamp::Seconds(NOON)),
            ("[2026-06-01 12:00:00.250] ", "serial", Stamp::Calendar(NOON + 250_000)),
            ("\\c:1780315200,s:Aft*00\\", "Aft", Stamp::Seconds(NOON)),
            ("\\s:aft,c:1780315200250*00\\", "aft", Stamp::Seconds(NOON + 250_000)),
        ] {
            assert_eq!(stamp(front), Some((bus.to_owned(), expected)), "{front}");
        }
        for front in ["", "some text ", "99999999999999999999 ", "\\g:1-2-1234*00\\"] {
            assert_eq!(stamp(front), None, "{front}");
        }
    }

    #[test]
    fn sentences_tell_the_time_of_those_behind_them() {
        let mut log = SentenceLog::default();
        assert_eq!(log.read(XDR.as_bytes()), Line::Problem("sentence_without_time"));
        for _ in 0..2 {
            log.read(b"$GPZDA,120000.00,01,06,2026,00,00*64");
            assert!(matches!(log.read(XDR.as_bytes()), Line::Sentence(b"serial", Stamp::Seconds(NOON), ..)));
        }
    }

    #[test]
    fn what_is_none_is_counted_or_left_to_others() {
        let mut log = SentenceLog::default();
        for (line, expected) in [
            ("$IIXDR,C,27.5,C,BATT1*00", Line::Problem("sentence_checksum")),
            ("$IIXDR,C,27.5,C,BATT1", Line::Problem("sentence_without_checksum")),
            ("1780315200 $PXDR,1*03", Line::Problem("sentence_unknown")),
            ("it costs 5 $", Line::Other),
            ("", Line::Other),
        ] {
            assert_eq!(log.read(line.as_bytes()), expected, "{line}");
        }
    }

    proptest! {
        #[test]
        fn any_line_is_read(front in prop::collection::vec(any::<u8>(), 0..60), behind in "[ -~]{0,40}") {
            let mut line = front;
            line.extend(XDR.as_bytes());
            line.extend(behind.as_bytes());
            let mut log = SentenceLog::default();
            if let Line::Sentence(bus, ..) = log.read(&line) {
                prop_assert!(!bus.is_empty());
            }
        }
    }
}
