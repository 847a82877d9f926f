//! NMEA 0183: bytes of a line become sentences, and sentences values.
//!
//! Input: a byte (how the bytes are cut into reads, and whether time passes between them), then the bytes. A `*` is
//! followed by the right checksum where two question marks stand for it: a mutated byte would hardly ever keep one.

use super::feed::Feed;
use super::must_be_an_address;
use ampwake_logger::bus::nmea0183::{PROTOCOL, readings};
use ampwake_logger::bus::readings::Readings;
use ampwake_logger::framing::sentence::{Sentence, SentenceCounters, Sentences, parse_sentence};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;

/// 1900 to 10000: what four digits of a year can say, give or take.
const TOLD_US: std::ops::RangeInclusive<i64> = -62_200_000_000_000_000..=253_402_300_860_000_000;

/// Reads the bytes as a line would bring them.
pub fn run(bytes: &[u8]) {
    let mut feed = Feed::new(bytes);
    let cut = feed.byte();
    let text = with_checksums(feed.rest());
    let piece = usize::from(cut >> 1).max(1);
    let pause_us = if cut & 1 == 0 { 0 } else { 300_000 };
    let (in_pieces, counters) = framed(&text, piece, pause_us);
    let bytes_in = text.len() as u64;
    assert_eq!(counters.good, in_pieces.len() as u64);
    assert!(counters.over_length <= counters.good && counters.dropped_bytes <= bytes_in, "{counters:?}");
    if pause_us == 0 {
        assert_eq!((in_pieces, counters), framed(&text, usize::MAX, 0), "in pieces of {piece}");
    }
    for line in text.split(|b| *b == b'\n').take(1000) {
        if let Ok(sentence) = parse_sentence(line) {
            is_sound(&sentence);
        }
    }
}

/// Puts the checksum where `*??` stands.
fn with_checksums(bytes: &[u8]) -> Vec<u8> {
    let mut text = bytes.to_vec();
    let marks: Vec<usize> = (0..text.len()).filter(|i| text[*i..].starts_with(b"*??")).collect();
    for mark in marks {
        let start = text[..mark].iter().rposition(|b| matches!(b, b'$' | b'!')).map_or(mark, |s| s + 1);
        let sum = text[start..mark].iter().fold(0, |sum, b| sum ^ b);
        text[mark + 1..mark + 3].copy_from_slice(format!("{sum:02X}").as_bytes());
    }
    text
}

/// The sentences of a line that is read in pieces, as text and as values.
fn framed(text: &[u8], piece: usize, pause_us: i64) -> (Vec<(String, Option<Readings>)>, SentenceCounters) {
    let (mut sentences, mut found) = (Sentences::default(), Vec::new());
    let mut time = 1_780_315_200_000_000;
    for read in text.chunks(piece.min(text.len().max(1))) {
        sentences.push(Timestamp::from_micros(time), read, |at, sentence| {
            assert!((time - 800_000..=time).contains(&at.micros()), "a sentence that took {} us", time - at.micros());
            is_sound(&sentence);
            found.push((format!("{sentence:?}"), values(at, &sentence)));
        });
        time += pause_us;
    }
    (found, sentences.counters())
}

fn is_sound(sentence: &Sentence<'_>) {
    let parts = [sentence.talker, sentence.formatter].into_iter().chain(sentence.fields.iter().copied());
    assert!(parts.clone().all(|p| p.bytes().all(|b| matches!(b, b' '..=b'~')) && p.len() <= 384), "{sentence:?}");
    assert!(!sentence.formatter.is_empty() && parts.map(str::len).sum::<usize>() <= 384, "{sentence:?}");
}

/// What a sentence says; NaN would differ from itself.
fn values(time: Timestamp, sentence: &Sentence<'_>) -> Option<Readings> {
    let (read, unusable) = readings(time, sentence)?;
    assert!(read.values.len() + unusable <= 200, "{read:?}");
    are_sound("aft", &read);
    Some(read)
}

/// What a sentence of a line says can be stored.
pub(super) fn are_sound(bus: &str, read: &Readings) {
    for value in &read.values {
        assert!(!matches!(value.reading, Reading::Value(v) if !v.is_finite()), "{value:?}");
        let instance = value.instance.as_ref().map_or_else(String::new, |i| format!("{i}/"));
        must_be_an_address(&format!("{bus}/{PROTOCOL}/{}/{instance}{}", read.message, value.field));
    }
    assert!(read.told.is_none_or(|(_, at)| TOLD_US.contains(&at.micros())), "{read:?}");
}
