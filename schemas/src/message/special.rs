//! Which raw codes are no value. The top of a field's range is kept for statements of the sender: not
//! available, out of range, reserved (the convention of the standard as the public message databases describe
//! it: CANboat PGN database 6.2.0 and the NMEA2000 C++ library 4.24.1 agree on it).

use super::bits::mask;
use crate::sample::Reading;

/// How many codes at the top are kept: none of 1 bit, two (not available, out of range) of 2 to 7 bits, three
/// (and reserved) from 8 bits on; 4-bit enumerations count as the latter.
const fn kept(bits: u16) -> u64 {
    match bits {
        0 | 1 => 0,
        4 | 8.. => 3,
        _ => 2,
    }
}

/// The highest raw code that is not negative: all ones, or all ones but the sign.
const fn top(bits: u16, signed: bool) -> u64 {
    if signed { mask(bits) >> 1 } else { mask(bits) }
}

/// What the sender states with this code instead of a value, if it does.
pub(super) fn statement(raw: u64, bits: u16, signed: bool) -> Option<Reading> {
    let top = top(bits, signed);
    if raw > top {
        // The lowest negative code lies outside the range that the databases give (-32767 for 16 bits).
        return (raw == top + 1 && kept(bits) > 0).then_some(Reading::OutOfRange);
    }
    match top - raw {
        n if n >= kept(bits) => None,
        0 => Some(Reading::NotAvailable),
        1 => Some(Reading::OutOfRange),
        _ => Some(Reading::Reserved),
    }
}

/// The code of a statement, where the width has one. `Reserved` in 2-bit fields falls back to "out of range".
pub(super) fn code(reading: Reading, bits: u16, signed: bool) -> Option<u64> {
    let below = match (reading, kept(bits)) {
        (Reading::Value(_), _) | (_, 0) => return None,
        (Reading::NotAvailable, _) => 0,
        (Reading::Reserved, 3) => 2,
        (Reading::OutOfRange | Reading::Reserved, _) => 1,
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
            assert_eq!(statement(raw, bits, signed), expected, "{raw:#x} of {bits} bits, signed {signed}");
        }
    }

    #[test]
    fn a_statement_has_a_code_that_reads_back() {
        for bits in [2, 4, 8, 16, 24, 32, 64] {
            for signed in [false, true] {
                for said in [NotAvailable, OutOfRange] {
                    let raw = code(said, bits, signed).unwrap();
                    assert_eq!(statement(raw, bits, signed), Some(said), "{bits} {signed}");
                }
            }
        }
        assert_eq!(code(NotAvailable, 1, false), None);
    }
}
