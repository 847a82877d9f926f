//! The transport protocol of SAE J1939-21: how a message of 9 to 1785 bytes is cut into frames (putting them
//! together again is the logger's framing).
//!
//! A message to everybody is announced (BAM) in one frame of [`CONNECTION`] and sent in frames of [`DATA`]: byte 0
//! the sequence number from 1, seven bytes of data, the last filled with 0xFF (SAE J1939-21, from memory; public
//! decoders agree).

/// Number of the messages that manage a transfer (TP.CM).
pub const CONNECTION: u32 = 0xEC00;
/// Number of the messages that carry its data (TP.DT).
pub const DATA: u32 = 0xEB00;
/// The longest message: 255 × 7 bytes.
pub const MAX_PAYLOAD: usize = 1785;
/// The shortest: what fits into one frame is sent in one.
pub const MIN_PAYLOAD: usize = 9;

/// First byte of a connection management message.
pub mod control {
    /// Request to send, to one receiver.
    pub const RTS: u8 = 16;
    /// Clear to send.
    pub const CTS: u8 = 17;
    /// The receiver has it all.
    pub const END_OF_MESSAGE: u8 = 19;
    /// Broadcast announcement.
    pub const BAM: u8 = 32;
    /// Either side gives up.
    pub const ABORT: u8 = 255;
}

/// A payload that the transport protocol does not carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the transport protocol carries 9 to 1785 bytes, this message has {0}")]
pub struct PayloadLength(pub usize);

/// The frames of one message to everybody, in order: number ([`CONNECTION`], then [`DATA`]) and data.
///
/// # Errors
/// A payload that is shorter than 9 or longer than 1785 bytes.
pub fn broadcast(pgn: u32, payload: &[u8]) -> Result<Vec<(u32, [u8; 8])>, PayloadLength> {
    if !(MIN_PAYLOAD..=MAX_PAYLOAD).contains(&payload.len()) {
        return Err(PayloadLength(payload.len()));
    }
    let [low, high, ..] = payload.len().to_le_bytes();
    let [p0, p1, p2, _] = pgn.to_le_bytes();
    let packets = payload.len().div_ceil(7) as u8;
    let mut frames = vec![(CONNECTION, [control::BAM, low, high, packets, 0xFF, p0, p1, p2])];
    for (sequence, data) in (1u8..=255).zip(payload.chunks(7)) {
        let mut frame = [0xFF; 8];
        frame[0] = sequence;
        frame[1..=data.len()].copy_from_slice(data);
        frames.push((DATA, frame));
    }
    Ok(frames)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_at_the_edges() {
        for (length, frames) in [(9, 3), (14, 3), (15, 4), (1785, 256)] {
            assert_eq!(broadcast(65226, &vec![0; length]).unwrap().len(), frames, "{length} bytes");
        }
        assert_eq!(broadcast(65226, &[0; 8]), Err(PayloadLength(8)));
        assert_eq!(broadcast(65226, &[0; 1786]), Err(PayloadLength(1786)));
    }

    #[test]
    fn the_announcement_says_number_and_length() {
        let frames = broadcast(65226, &[7; 10]).unwrap();
        assert_eq!(frames[0], (0xEC00, [32, 10, 0, 2, 255, 0xCA, 0xFE, 0]));
        assert_eq!(frames[2], (0xEB00, [2, 7, 7, 7, 255, 255, 255, 255]));
    }
}
