//! Which raw codes are no value. The top of a field's range is kept for statements of the sender: not
//! available, out of range (error), reserved. Every protocol keeps other codes, and one table says which:
//!
//! * NMEA 2000: the topmost codes one by one (CANboat PGN database 6.2.0 and the NMEA2000 C++ library 4.24.1
//!   agree on it).
//! * RV-C: the same from 8 bits on and in 2 bits; of other widths only all ones is kept (RV-C layer
//!   specification, table of data types, as public decoders carry it).
//! * SAE J1939: from 8 bits on the *topmost byte* says it, FF not available, FE error, FB to FD reserved, so that
//!   a measurement ends at FA, FAFF, ... (SAE J1939-71, from memory; public decoders agree).
//! * CANopen (CiA 301) keeps no codes.

use super::Protocol;
use super::bits::mask;
use crate::sample::Reading;

/// How many codes from the top down say what.
struct Kept {
    missing: u64,
    error: u64,
    reserved: u64,
}

impl Kept {
    const fn new(missing: u64, error: u64, reserved: u64) -> Self {
        Self { missing, error, reserved }
    }

    const fn all(&self) -> u64 {
        self.missing + self.error + self.reserved
    }
}

const fn kept(protocol: Protocol, bits: u16) -> Kept {
    match (protocol, bits) {
        (Protocol::Canopen, _) | (_, 0 | 1) => Kept::new(0, 0, 0),
        // 4-bit enumerations of NMEA 2000 keep three codes like whole bytes.
        (Protocol::N2k, 4 | 8..) => Kept::new(1, 1, 1),
        (Protocol::N2k, _) | (Protocol::Rvc | Protocol::J1939, 2) => Kept::new(1, 1, 0),
        (Protocol::Rvc, 8..) => Kept::new(1, 1, 1),
        (Protocol::J1939, 8 | 16 | 24 | 32) => {
            let one = 1 << (bits - 8);
            Kept::new(one, one, 3 * one)
        }
        (Protocol::Rvc | Protocol::J1939, _) => Kept::new(1, 0, 0),
    }
}

/// The highest raw code that is not negative: all ones, or all ones but the sign.
const fn top(bits: u16, signed: bool) -> u64 {
    if signed { mask(bits) >> 1 } else { mask(bits) }
}

/// The codes of one width, ready to be asked often.
#[derive(Debug, Clone, Copy)]
pub(super) struct Span {
    top: u64,
    missing: u64,
    error: u64,
    all: u64,
}

/// What [`statement`] says of this width, as a span.
pub(super) const fn span(protocol: Protocol, bits: u16, signed: bool) -> Span {
    let kept = kept(protocol, bits);
    Span { top: top(bits, signed), missing: kept.missing, error: kept.missing + kept.error, all: kept.all() }
}

impl Span {
    /// The highest raw code that is not negative.
    pub(super) fn top(&self) -> u64 {
        self.top
    }

    /// How many codes from the top down are no values.
    pub(super) fn all(&self) -> u64 {
        self.all
    }

    /// The [`Reading::code`] of a raw number: 0 for a value.
    #[inline]
    pub(super) fn code(&self, raw: u64) -> u8 {
        let below = self.top.wrapping_sub(raw);
        if below >= self.all {
            // The lowest negative code is no value either, see [`statement`].
            return if below == u64::MAX && self.all > 0 { 2 } else { 0 };
        }
        1 + u8::from(below >= self.missing) + u8::from(below >= self.error)
    }
}

/// What the sender states with this code instead of a value, if it does.
pub(super) fn statement(protocol: Protocol, raw: u64, bits: u16, signed: bool) -> Option<Reading> {
    let (top, kept) = (top(bits, signed), kept(protocol, bits));
    if raw > top {
        // The lowest negative code lies outside the range that the databases give (-32767 for 16 bits).
        return (raw == top + 1 && kept.all() > 0).then_some(Reading::OutOfRange);
    }
    match top - raw {
        n if n < kept.missing => Some(Reading::NotAvailable),
        n if n < kept.missing + kept.error => Some(Reading::OutOfRange),
        n if n < kept.all() => Some(Reading::Reserved),
        _ => None,
    }
}

/// The code of a statement, where the width has any. What the width cannot say falls back to the nearest that it
/// can: reserved to error, error to not available.
pub(super) fn code(protocol: Protocol, reading: Reading, bits: u16, signed: bool) -> Option<u64> {
    let kept = kept(protocol, bits);
    let below = match reading {
        Reading::Value(_) => return None,
        _ if kept.missing == 0 => return None,
        Reading::Reserved if kept.reserved > 0 => kept.missing + kept.error,
        Reading::Reserved | Reading::OutOfRange if kept.error > 0 => kept.missing,
        _ => 0,
    };
    Some(top(bits, signed) - below)
}

#[cfg(test)]
mod tests {
    use super::*;
    use Reading::{NotAvailable, OutOfRange, Reserved};

    #[test]
    fn codes_by_width() {
        // CANboat 6.2.0 states valid maxima of 252 (8 bits), 65532 (16), 327.64 (signed 16 at 0.01), 13 (4 bits; 13
        // itself is kept as reserved there), 2 (2 bits where named, else error).
        for (raw, bits, signed, expected) in [
            (1, 1, false, None),
            (3, 2, false, Some(NotAvailable)),
            (2, 2, false, Some(OutOfRange)),
            (1, 2, false, None),
            (5, 3, false, None),
            (13, 4, false, Some(Reserved)),
            (12, 4, false, None),
            (255, 8, false, Some(NotAvailable)),
            (254, 8, false, Some(OutOfRange)),
            (253, 8, false, Some(Reserved)),
            (252, 8, false, None),
            (0x7FFF, 16, true, Some(NotAvailable)),
            (0x7FFE, 16, true, Some(OutOfRange)),
            (0x7FFD, 16, true, Some(Reserved)),
            (0x7FFC, 16, true, None),
            (0xFFFF, 16, true, None),
            (0x8000, 16, true, Some(OutOfRange)),
            (0xFF_FFFF, 24, false, Some(NotAvailable)),
            (0x7F_FFFF, 24, true, Some(NotAvailable)),
            (i64::MAX as u64, 64, true, Some(NotAvailable)),
            (u64::MAX, 64, true, None),
        ] {
            assert_eq!(statement(Protocol::N2k, raw, bits, signed), expected, "{raw:#x} of {bits}, signed {signed}");
        }
    }

    #[test]
    fn each_protocol_keeps_its_own_codes() {
        use Protocol::{Canopen, J1939, Rvc};
        for (protocol, bits, raw, expected) in [
            (Rvc, 2, 3, Some(NotAvailable)),
            (Rvc, 2, 2, Some(OutOfRange)),
            (Rvc, 4, 15, Some(NotAvailable)),
            (Rvc, 4, 14, None), // battery types of the maker's own
            (Rvc, 8, 255, Some(NotAvailable)),
            (Rvc, 8, 254, Some(OutOfRange)),
            (Rvc, 8, 253, Some(Reserved)),
            (Rvc, 8, 252, None),
            (Rvc, 16, 65535, Some(NotAvailable)),
            (Rvc, 16, 65534, Some(OutOfRange)),
            (Rvc, 16, 65533, Some(Reserved)),
            (Rvc, 16, 65532, None),
            (Rvc, 32, 0xFFFF_FFFF, Some(NotAvailable)),
            (Rvc, 32, 0xFFFF_FFFD, Some(Reserved)),
            (Rvc, 32, 0xFFFF_FFFC, None),
            (J1939, 2, 2, Some(OutOfRange)),
            (J1939, 8, 0xFF, Some(NotAvailable)),
            (J1939, 8, 0xFE, Some(OutOfRange)),
            (J1939, 8, 0xFD, Some(Reserved)),
            (J1939, 8, 0xFB, Some(Reserved)),
            (J1939, 8, 0xFA, None),
            (J1939, 16, 0xFF00, Some(NotAvailable)),
            (J1939, 16, 0xFEFF, Some(OutOfRange)),
            (J1939, 16, 0xFDFF, Some(Reserved)),
            (J1939, 16, 0xFB00, Some(Reserved)),
            (J1939, 16, 0xFAFF, None),
            (J1939, 32, 0xFF00_0000, Some(NotAvailable)),
            (J1939, 32, 0xFE00_0000, Some(OutOfRange)),
            (J1939, 32, 0xFB00_0000, Some(Reserved)),
            (J1939, 32, 0xFAFF_FFFF, None),
            (J1939, 19, 0x7_FFFF, Some(NotAvailable)),
            (J1939, 19, 0x7_FFFE, None),
            (Canopen, 16, 0xFFFF, None),
        ] {
            assert_eq!(statement(protocol, raw, bits, false), expected, "{protocol:?} {raw:#x} of {bits}");
        }
    }

    #[test]
    fn a_statement_has_a_code_that_reads_back() {
        for protocol in [Protocol::N2k, Protocol::Rvc, Protocol::J1939] {
            for bits in [2, 8, 16, 24, 32] {
                for signed in [false, true] {
                    for said in [NotAvailable, OutOfRange] {
                        let raw = code(protocol, said, bits, signed).unwrap();
                        assert_eq!(statement(protocol, raw, bits, signed), Some(said), "{protocol:?} {bits} {signed}");
                    }
                }
            }
        }
        assert_eq!(code(Protocol::N2k, NotAvailable, 1, false), None);
        assert_eq!(code(Protocol::Rvc, OutOfRange, 4, false), Some(15), "four bits have no code for an error");
        assert_eq!(code(Protocol::Canopen, NotAvailable, 16, false), None);
    }
}
