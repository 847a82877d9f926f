//! What came over a Modbus RTU line instead of a good answer. Pure: bytes in, a name out.
//!
//! The library that asks says "too many retries" or runs into the timeout whatever happened. An operator must know
//! whether a device is silent (wrong address, no power), answers in part (it stopped, or the line is too fast for
//! it), or is damaged on its way (termination, earthing, parity).
//!
//! Frame layout and CRC: MODBUS over serial line, specification and implementation guide V1.02, 2.5.1 and appendix
//! B; the check values are in `tests/vectors/serial.json`.

/// What was heard until an answer was given up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Heard {
    /// Nothing.
    Silence,
    /// The beginning of an answer.
    CutShort,
    /// A whole answer whose checksum is wrong.
    BadCrc,
    /// Bytes that are no answer to this question.
    Noise,
}

impl Heard {
    /// The name under which it is counted.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Silence => "modbus_no_answer",
            Self::CutShort => "modbus_answer_cut_short",
            Self::BadCrc => "modbus_crc",
            Self::Noise => "modbus_noise",
        }
    }
}

/// The checksum over the bytes of a frame; on the wire its low byte comes first.
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, b| {
        (0..8).fold(crc ^ u16::from(*b), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 })
    })
}

/// What `bytes` are, as the answer of `unit` to a read with `function` for `payload` bytes of data.
pub fn heard(bytes: &[u8], unit: u8, function: u8, payload: u8) -> Heard {
    let whole = [unit, function, payload];
    let exception = [unit, function | 0x80];
    // The answer may stand behind noise.
    let starts = (0..bytes.len()).map(|i| &bytes[i..]);
    let mut found = if bytes.is_empty() { Heard::Silence } else { Heard::Noise };
    for rest in starts {
        let length = if rest.starts_with(&exception) {
            5
        } else if rest.starts_with(&whole) || rest.len() < 3 && whole.starts_with(rest) {
            5 + usize::from(payload)
        } else {
            continue;
        };
        match rest.get(..length) {
            Some(frame) if crc16(&frame[..length - 2]).to_le_bytes() != frame[length - 2..] => return Heard::BadCrc,
            // A good answer that came too late, or behind noise that the library could not skip.
            Some(_) => return Heard::Noise,
            None => found = Heard::CutShort,
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn bytes(hex: &str) -> Vec<u8> {
        (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
    }

    #[test]
    fn published_checksums() {
        let file: serde_json::Value = serde_json::from_str(include_str!("../../../tests/vectors/serial.json")).unwrap();
        assert_eq!(crc16(b"123456789"), 0x4B37);
        let vectors = file["modbus_rtu"]["vectors"].as_array().unwrap();
        assert!(vectors.len() >= 8);
        for vector in vectors {
            let frame = bytes(vector["frame"].as_str().unwrap());
            let (body, crc) = frame.split_at(frame.len() - 2);
            assert_eq!(crc16(body).to_le_bytes(), crc, "{}", vector["desc"]);
        }
    }

    #[test]
    fn what_an_operator_must_know() {
        let good = bytes("01030453756E5396F0");
        let what = |bytes: &[u8]| heard(bytes, 1, 3, 4);
        assert_eq!(what(&[]), Heard::Silence);
        assert_eq!(what(&good[..8]), Heard::CutShort);
        assert_eq!(what(&good[..1]), Heard::CutShort);
        assert_eq!(what(&[0xFF, 0x00, 0x37]), Heard::Noise);
        let mut damaged = good.clone();
        damaged[4] ^= 0x10;
        assert_eq!(what(&damaged), Heard::BadCrc);
        assert_eq!(what(&[&[0x80, 0x80][..], &damaged].concat()), Heard::BadCrc);
        assert_eq!(what(&bytes("018302C0F0")), Heard::BadCrc);
        assert_eq!(heard(&good, 2, 3, 4), Heard::Noise, "another unit answers");
    }

    proptest! {
        #[test]
        fn any_bytes_have_a_name(bytes in prop::collection::vec(any::<u8>(), 0..600), unit: u8, payload: u8) {
            prop_assert_eq!(heard(&bytes, unit, 3, payload) == Heard::Silence, bytes.is_empty());
        }
    }
}
