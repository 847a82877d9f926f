//! The text that candump (can-utils, the Linux CAN tools) writes, in its log form and in its screen form.
//!
//! ```text
//! line      = log / screen
//! log       = stamp SP interface SP id body [SP direction]
//! body      = "#" data / "#R" [HEX] / "##" HEX data          ; data, remote with length, CAN FD with flags
//! data      = *(2HEX) ["_" HEX]                              ; "_": a length code above 8
//! direction = "R" / "T"
//! screen    = stamp SP interface [SP ("RX"/"TX") SP flag SP flag] SP id SP "[" length "]" SP bytes [SP remark]
//! bytes     = 2HEX *(SP 2HEX) / "remote request"             ; as many as the length says
//! remark    = "'" *any / "ERRORFRAME" *any                   ; from -a and for error frames
//! stamp     = "(" seconds "." fraction ")" / "(" date " " time "." fraction ")"
//! id        = 3HEX / 8HEX                                    ; 11-bit / 29-bit, bit 29 marks an error frame
//! ```
//! `SP` is one or more blanks, `HEX` is upper or lower case, the fraction has 1 to 9 digits. Sources: the forms
//! of the log lines as written and read by python-can 4.6.1, error bit and class bits of linux/can/error.h; the
//! screen form and its options from memory.
//!
//! Owes its reader: never a panic, never an allocation; what is not in the grammar is no frame.

use super::{Flags, Frame};
use ampwake_schemas::time::Timestamp;

/// The bit that marks an error frame in an identifier (CAN_ERR_FLAG of linux/can.h).
const ERROR_BIT: u32 = 0x2000_0000;
/// The last second of the year 9999: later ones are damage.
const LAST_SECOND: u64 = 253_402_300_799;

/// The time that stands in a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stamp {
    /// Seconds, as microseconds: since 1970, since the start of the recording, or since the line before.
    Seconds(i64),
    /// A date and a time of day in a zone that is not said, as microseconds since 1970 as if it were UTC.
    Calendar(i64),
    /// None stands in the line; this is what a receiver of satellite time told last, as microseconds since 1970.
    Told(i64),
}

/// One line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Line<'a> {
    /// Its time.
    pub stamp: Stamp,
    /// The interface that received it.
    pub interface: &'a [u8],
    /// The frame; its time is not set yet.
    pub frame: Frame,
    /// The line says itself that nothing is missing at its end: it states its length, or is as long as it can be.
    pub complete: bool,
}

/// Reads one line without its line end; `None` when it is not in the grammar.
pub fn parse(line: &[u8]) -> Option<Line<'_>> {
    usual(line).or_else(|| of_any_form(line))
}

/// A line of the commonest form, to the letter: `(ssssssssss.uuuuuu) interface IIIIIIII#data [R/T]`, a data frame of CAN 2.0.
/// `None` says nothing about the line.
#[inline]
pub(super) fn usual(line: &[u8]) -> Option<Line<'_>> {
    let (head, rest) = line.split_first_chunk::<20>()?;
    if (head[0], head[18], head[19]) != (b'(', b')', b' ') {
        return None;
    }
    let [_, s0, s1, s2, s3, s4, s5, s6, s7, s8, s9, point, m0, m1, m2, m3, m4, m5, ..] = *head;
    let upper = eight_digits([s0, s1, s2, s3, s4, s5, s6, s7])?;
    let lower = eight_digits([s8, s9, m0, m1, m2, m3, m4, m5])?;
    if point != b'.' {
        return None;
    }
    let interface = memchr::memchr(b' ', &rest[..rest.len().min(65)])?;
    let (interface, rest) = (&rest[..interface], &rest[interface + 1..]);
    let (digits, data) = rest.split_first_chunk::<9>()?;
    let (data, marked) = match data {
        [data @ .., b' ', b'R' | b'T'] => (data, true),
        data => (data, false),
    };
    let (bytes, pairs) = (data.as_chunks::<2>(), data.len() / 2);
    if interface.is_empty() || interface.contains(&b'\t') || digits[8] != b'#' || !bytes.1.is_empty() || pairs > 8 {
        return None;
    }
    // Upper bits tell what is no digit; looked at once, at the end.
    let mut wrong = 0;
    let mut byte = |pair: &[u8; 2]| {
        let (high, low) = (HEX[usize::from(pair[0])], HEX[usize::from(pair[1])]);
        wrong |= high | low;
        high << 4 | low
    };
    let id = digits[..8].as_chunks::<2>().0.iter().fold(0_u32, |id, pair| id << 8 | u32::from(byte(pair)));
    let mut payload = [0; 8];
    payload.iter_mut().zip(bytes.0).for_each(|(to, pair)| *to = byte(pair));
    if wrong > 15 || id >= ERROR_BIT {
        return None;
    }
    let micros = i64::from(upper) * 100_000_000 + i64::from(lower);
    let flags = Flags { extended: true, ..Flags::default() };
    let frame = Frame::short(id, flags, payload, pairs as u8);
    Some(Line { stamp: Stamp::Seconds(micros), interface, frame, complete: marked || pairs == 8 })
}

/// Eight decimal digits at once, within one word (the pairs, then the fours, then the eight are put together); `None`
/// where one is none.
#[inline]
fn eight_digits(text: [u8; 8]) -> Option<u32> {
    let word = u64::from_le_bytes(text);
    let high = word & 0xF0F0_F0F0_F0F0_F0F0;
    let beyond_nine = (word & 0x0F0F_0F0F_0F0F_0F0F).wrapping_add(0x0606_0606_0606_0606) & 0xF0F0_F0F0_F0F0_F0F0;
    if high != 0x3030_3030_3030_3030 || beyond_nine != 0 {
        return None;
    }
    let digits = word & 0x0F0F_0F0F_0F0F_0F0F;
    let pairs = (digits * 10 + (digits >> 8)) & 0x00FF_00FF_00FF_00FF;
    let fours = (pairs * 100 + (pairs >> 16)) & 0x0000_FFFF_0000_FFFF;
    Some((fours * 10_000 + (fours >> 32)) as u32)
}

/// Any line of the grammar.
fn of_any_form(line: &[u8]) -> Option<Line<'_>> {
    let (stamp, rest) = stamp(blanks(line))?;
    let (interface, rest) = word(blanks(rest));
    if interface.is_empty() || interface.len() > 64 {
        return None;
    }
    let (first, after) = word(blanks(rest));
    let (frame, complete) = match first.iter().position(|b| *b == b'#') {
        Some(hash) => log_frame(&first[..hash], &first[hash + 1..], blanks(after))?,
        None => (screen_frame(first, after)?, true),
    };
    Some(Line { stamp, interface, frame, complete })
}

/// The time in brackets at the start of a text, and what follows.
pub(super) fn stamp(text: &[u8]) -> Option<(Stamp, &[u8])> {
    let text = text.strip_prefix(b"(")?;
    let end = text.iter().take(40).position(|b| *b == b')')?;
    let (inner, rest) = (&text[..end], &text[end + 1..]);
    let dot = inner.iter().position(|b| *b == b'.')?;
    let micros = fraction(&inner[dot + 1..])?;
    let stamp = match decimal(&inner[..dot]) {
        Some(seconds) if seconds <= LAST_SECOND => Stamp::Seconds(seconds as i64 * 1_000_000 + micros),
        Some(_) => return None,
        None => Stamp::Calendar(calendar(&inner[..dot])? + micros),
    };
    Some((stamp, rest))
}

fn decimal(digits: &[u8]) -> Option<u64> {
    if digits.is_empty() || digits.len() > 18 {
        return None;
    }
    digits.iter().try_fold(0, |n, b| b.is_ascii_digit().then(|| n * 10 + u64::from(b - b'0')))
}

/// The digits after the point as microseconds, rounded down.
fn fraction(digits: &[u8]) -> Option<i64> {
    let kept = &digits[..digits.len().min(6)];
    let value = decimal(kept)? as i64 * 10_i64.pow(6 - kept.len() as u32);
    (digits.len() <= 9 && digits.iter().all(u8::is_ascii_digit)).then_some(value)
}

/// `2025-09-12 12:40:00` as microseconds.
fn calendar(text: &[u8]) -> Option<i64> {
    if text.len() != 19 || text[10] != b' ' {
        return None;
    }
    let mut rfc3339 = *b"0000-00-00T00:00:00Z";
    rfc3339[..10].copy_from_slice(&text[..10]);
    rfc3339[11..19].copy_from_slice(&text[11..]);
    Timestamp::parse_rfc3339(std::str::from_utf8(&rfc3339).ok()?).ok().map(Timestamp::micros)
}

fn blanks(text: &[u8]) -> &[u8] {
    &text[text.iter().take_while(|b| matches!(b, b' ' | b'\t')).count()..]
}

/// Up to the next blank, and what follows.
fn word(text: &[u8]) -> (&[u8], &[u8]) {
    text.split_at(text.iter().take_while(|b| !matches!(b, b' ' | b'\t')).count())
}

const fn hex_table() -> [u8; 256] {
    let mut table = [0xFF; 256];
    let mut i = 0;
    while i < 16 {
        table[b"0123456789abcdef"[i] as usize] = i as u8;
        table[b"0123456789ABCDEF"[i] as usize] = i as u8;
        i += 1;
    }
    table
}
static HEX: [u8; 256] = hex_table();

fn hex(digit: u8) -> Option<u8> {
    let value = HEX[usize::from(digit)];
    (value < 16).then_some(value)
}

fn identifier(text: &[u8]) -> Option<(u32, Flags)> {
    let id = text.iter().try_fold(0_u32, |n, b| Some(n << 4 | u32::from(hex(*b)?)));
    let (id, extended) = match text.len() {
        3 => (id?, false),
        8 => (id?, true),
        _ => return None,
    };
    match id {
        _ if !extended => (id <= 0x7FF).then_some((id, Flags::default())),
        0..ERROR_BIT => Some((id, Flags { extended, ..Flags::default() })),
        // The classes of an error frame; it has no extended identifier although it is printed like one.
        ERROR_BIT..0x4000_0000 => Some((id - ERROR_BIT, Flags { error: true, ..Flags::default() })),
        _ => None,
    }
}

fn log_frame(id: &[u8], body: &[u8], direction: &[u8]) -> Option<(Frame, bool)> {
    let (id, mut flags) = identifier(id)?;
    let marked = match direction {
        b"" => false,
        b"R" | b"T" => true,
        _ => return None,
    };
    let mut data = [0; 64];
    let mut limit = 8;
    let digits = match body {
        [b'R', length @ ..] => {
            flags.remote = true;
            let known = matches!(length, [] | [_]) && length.iter().all(|b| hex(*b).is_some_and(|n| n <= 8));
            return known.then_some((Frame::new(Timestamp::default(), id, flags, &[])?, marked));
        }
        [b'#', switches, digits @ ..] => {
            hex(*switches)?;
            flags.fd = true;
            limit = 64;
            digits
        }
        [digits @ .., b'_', code] => {
            hex(*code)?;
            digits
        }
        digits => digits,
    };
    let (pairs, odd) = digits.as_chunks::<2>();
    if !odd.is_empty() || pairs.len() > limit {
        return None;
    }
    for (byte, pair) in data.iter_mut().zip(pairs) {
        *byte = hex(pair[0])? << 4 | hex(pair[1])?;
    }
    let frame = Frame::new(Timestamp::default(), id, flags, &data[..pairs.len()])?;
    Some((frame, marked || pairs.len() == limit))
}

fn screen_frame<'a>(mut first: &'a [u8], mut rest: &'a [u8]) -> Option<Frame> {
    if matches!(first, b"RX" | b"TX") {
        for _ in 0..2 {
            rest = word(blanks(rest)).1;
        }
        (first, rest) = word(blanks(rest));
    }
    let (id, mut flags) = identifier(first)?;
    let (length, rest) = word(blanks(rest));
    let digits = length.strip_prefix(b"[")?.strip_suffix(b"]")?;
    let length = decimal(digits).filter(|n| *n <= 64)? as usize;
    // Two digits are how CAN FD frames are told from classic ones.
    flags.fd = digits.len() == 2;
    if length > 8 && !flags.fd {
        return None;
    }
    let mut rest = blanks(rest);
    let mut data = [0; 64];
    if rest.starts_with(b"remote request") {
        flags.remote = true;
        return Frame::new(Timestamp::default(), id, flags, &[]);
    }
    for byte in &mut data[..length] {
        let (pair, after) = word(rest);
        let [high, low] = *pair else { return None };
        *byte = hex(high)? << 4 | hex(low)?;
        rest = blanks(after);
    }
    let finished = rest.is_empty() || rest.starts_with(b"'") || rest.starts_with(b"ERRORFRAME");
    if finished { Frame::new(Timestamp::default(), id, flags, &data[..length]) } else { None }
}

#[cfg(test)]
mod tests;
