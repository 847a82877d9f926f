//! Fast packets: how a message of up to 223 bytes is cut into frames (putting them together again is the
//! logger's framing).
//!
//! Byte 0 of a frame: sequence counter in bits 7-5, frame counter in bits 4-0. Frame 0 has the length in byte 1
//! and 6 bytes of data, the others have 7; the last is filled with 0xFF (the public NMEA2000 C++ library 4.24.1
//! and PyPI nmea2000 2026.10.3 agree).

/// The longest message: 6 + 31 × 7 bytes.
pub const MAX_PAYLOAD: usize = 223;

/// A payload that no fast packet can carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a fast packet carries 1 to 223 bytes, this message has {0}")]
pub struct PayloadLength(pub usize);

/// The frames of one message, in order. `sequence` is taken modulo 8; a sender counts it up per message.
///
/// # Errors
/// A payload that is empty or longer than 223 bytes.
pub fn fragment(sequence: u8, payload: &[u8]) -> Result<Vec<[u8; 8]>, PayloadLength> {
    let length = match u8::try_from(payload.len()) {
        Ok(n) if n > 0 && payload.len() <= MAX_PAYLOAD => n,
        _ => return Err(PayloadLength(payload.len())),
    };
    let (first, rest) = payload.split_at(payload.len().min(6));
    let head = sequence << 5;
    let mut frame = [0xFF; 8];
    frame[0] = head;
    frame[1] = length;
    frame[2..2 + first.len()].copy_from_slice(first);
    let mut frames = vec![frame];
    for (counter, data) in (1u8..).zip(rest.chunks(7)) {
        let mut frame = [0xFF; 8];
        frame[0] = head | counter;
        frame[1..=data.len()].copy_from_slice(data);
        frames.push(frame);
    }
    Ok(frames)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_message_is_one_filled_frame() {
        // 127507 as PyPI nmea2000 2026.10.3 sends it: 19F21323#2006010012F55A00.
        assert_eq!(fragment(1, &[1, 0, 0x12, 0xF5, 0x5A, 0]).unwrap(), [[0x20, 6, 1, 0, 0x12, 0xF5, 0x5A, 0]]);
        assert_eq!(fragment(8, &[7]).unwrap(), [[0, 1, 7, 255, 255, 255, 255, 255]]);
    }

    #[test]
    fn lengths_at_the_edges() {
        for (length, frames) in [(6, 1), (7, 2), (13, 2), (14, 3), (223, 32)] {
            assert_eq!(fragment(0, &vec![0; length]).unwrap().len(), frames, "{length} bytes");
        }
        assert_eq!(fragment(0, &[]), Err(PayloadLength(0)));
        assert_eq!(fragment(0, &[0; 224]), Err(PayloadLength(224)));
    }
}
