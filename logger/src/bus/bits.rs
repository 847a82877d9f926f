//! How long a classic frame holds the bus, to the bit: header, data, checksum, stuff bits, end and pause.
//!
//! Frame layout and checksum: ISO 11898-1 (from memory). The number of bits outside stuffing (13) and the worst case
//! that the tests hold this against: Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability
//! analysis: Refuted, revisited and revised", Real-Time Systems 35 (2007), equations 3 and 4.

use super::Frame;

/// Delimiters, acknowledgement, end of frame and the pause behind it: never stuffed.
const UNSTUFFED: u32 = 13;
/// x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1 without its first term.
const POLYNOMIAL: u16 = 0x4599;

/// Header and data of the longest frame: 39 + 64 bits, in whole bytes.
const MOST_BYTES: usize = 13;

/// What a byte contributes to the checksum, by the number of bytes that follow it: the checksum of a sum is the sum of the
/// checksums, so that no byte has to wait for another.
static CHECKSUM: [[u16; 256]; MOST_BYTES] = {
    let mut table = [[0; 256]; MOST_BYTES];
    let mut after = 0;
    while after < MOST_BYTES {
        let mut byte = 0;
        while byte < 256 {
            let mut sum = (byte as u16) << 7;
            let mut bit = 0;
            while bit < 8 + 8 * after {
                sum = if sum & 0x4000 == 0 { sum << 1 } else { sum << 1 ^ POLYNOMIAL } & 0x7FFF;
                bit += 1;
            }
            table[after][byte] = sum;
            byte += 1;
        }
        after += 1;
    }
    table
};

/// What some bits do to the stuffing. After five equal bits comes their opposite, which begins a new run; a state is the last
/// bit * 4 + the length of its run - 1. Each of the eight bytes of an entry is for one state: where it leads, times 8, and
/// in the two upper bits how many bits are stuffed. Shifted by a state times 8, the entry has the next one at its bottom.
const fn stuffing<const VALUES: usize>(width: u32) -> [u64; VALUES] {
    let mut table = [0; VALUES];
    let mut bits = 0;
    while bits < VALUES {
        let mut state = 0;
        while state < 8 {
            let (mut last, mut run, mut stuffed) = (state >> 2, (state & 3) + 1, 0);
            let mut bit = width;
            while bit > 0 {
                bit -= 1;
                let value = bits >> bit & 1;
                run = if value == last { run + 1 } else { 1 };
                last = value;
                if run == 5 {
                    (stuffed, last, run) = (stuffed + 1, 1 - value, 1);
                }
            }
            table[bits] |= ((stuffed << 6 | (last << 2 | (run - 1)) << 3) as u64) << (8 * state);
            state += 1;
        }
        bits += 1;
    }
    table
}
static STUFFING: [u64; 256] = stuffing(8);
/// The same for the seven upper bits of the checksum; the eight lower ones make a whole byte again.
static STUFFING_7: [u64; 128] = stuffing(7);

/// Bits that a frame takes on the bus. CAN FD frames change the bit rate within themselves and count nothing.
pub fn on_the_bus(frame: &Frame) -> u32 {
    if frame.flags.fd || frame.flags.error {
        return 0;
    }
    let (data, remote) = (frame.data(), u128::from(frame.flags.remote));
    let length = data.len().min(8);
    // Start bit (0), identifier, remote bit and reserved bits, length.
    let (mut sequence, header) = if frame.flags.extended {
        let (base, extension) = (u128::from(frame.id >> 18 & 0x7FF), u128::from(frame.id & 0x3_FFFF));
        (base << 27 | 0b11 << 25 | extension << 7 | remote << 6 | length as u128, 39)
    } else {
        (u128::from(frame.id & 0x7FF) << 7 | remote << 6 | length as u128, 19)
    };
    for byte in &data[..length] {
        sequence = sequence << 8 | u128::from(*byte);
    }
    // Whole bytes. Checksum: leading zeros change none. Stuffing: alternating bits before the start bit, the last of them 1
    // as on an idle bus, stuff nothing.
    let covered = header + 8 * length as u32;
    let first = 16 - covered.div_ceil(8) as usize;
    let padding = covered.next_multiple_of(8) - covered;
    let bytes = sequence.to_be_bytes();
    let padded = ((0b01_0101 & ((1 << padding) - 1)) << covered | sequence).to_be_bytes();
    let after = 15 - first;
    let (mut sum, mut state, mut stuffed) = (0_u16, 0_u64, 0_u64);
    for (i, (plain, padded)) in bytes[first..].iter().zip(&padded[first..]).enumerate() {
        sum ^= CHECKSUM[after - i][usize::from(*plain)];
        state = STUFFING[usize::from(*padded)] >> (state & 0x38);
        stuffed += state >> 6 & 3;
    }
    state = STUFFING_7[usize::from(sum >> 8)] >> (state & 0x38);
    stuffed += state >> 6 & 3;
    state = STUFFING[usize::from(sum as u8)] >> (state & 0x38);
    stuffed += state >> 6 & 3;
    covered + 15 + stuffed as u32 + UNSTUFFED
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bus::Flags;
    use ampwake_schemas::time::Timestamp;
    use proptest::prelude::*;

    fn frame(id: u32, extended: bool, data: &[u8]) -> Frame {
        Frame::new(Timestamp::default(), id, Flags { extended, ..Flags::default() }, data).unwrap()
    }

    /// Bit by bit, as a controller does it.
    fn slowly(frame: &Frame) -> u32 {
        let mut bits = vec![false];
        let mut push = |value: u32, n: u32| bits.extend((0..n).rev().map(|i| value >> i & 1 == 1));
        if frame.flags.extended {
            push(frame.id >> 18, 11);
            push(0b11, 2);
            push(frame.id & 0x3_FFFF, 18);
            push(0, 3);
        } else {
            push(frame.id, 11);
            push(0, 3);
        }
        push(frame.data().len() as u32, 4);
        frame.data().iter().for_each(|b| push((*b).into(), 8));
        let sum = bits.iter().fold(0_u32, |sum, bit| {
            let carry = *bit != (sum & 0x4000 != 0);
            let shifted = sum << 1 & 0x7FFF;
            if carry { shifted ^ u32::from(POLYNOMIAL) } else { shifted }
        });
        bits.extend((0..15).rev().map(|i| sum >> i & 1 == 1));
        let (mut last, mut run, mut stuffed) = (true, 1, 0);
        for bit in &bits {
            run = if *bit == last { run + 1 } else { 1 };
            last = *bit;
            if run == 5 {
                (stuffed, last, run) = (stuffed + 1, !bit, 1);
            }
        }
        bits.len() as u32 + stuffed + 13
    }

    proptest! {
        #[test]
        fn the_tables_say_what_a_controller_does(
            id in 0_u32..0x2000_0000, extended: bool, data in proptest::collection::vec(prop_oneof![Just(0), Just(0xFF), any::<u8>()], 0..=8)
        ) {
            let frame = frame(if extended { id } else { id & 0x7FF }, extended, &data);
            let bits = on_the_bus(&frame);
            prop_assert_eq!(bits, slowly(&frame));
            // The worst case of the paper: g = 54 or 34, s data bytes.
            let stuffable = if extended { 54 } else { 34 } + 8 * data.len() as u32;
            prop_assert!((stuffable + 13..=stuffable + 13 + (stuffable - 1) / 4).contains(&bits));
        }
    }

    #[test]
    fn known_lengths() {
        // Zeros throughout: the checksum is zero too, and a one is stuffed after every 5.
        assert_eq!(on_the_bus(&frame(0, false, &[])), 34 + 34 / 5 + 13);
        // An identifier without runs, so that little is stuffed.
        let plain = on_the_bus(&frame(0x155, false, &[0x55; 8]));
        assert!((34 + 64 + 13..34 + 64 + 13 + 6).contains(&plain), "{plain}");
    }
}
