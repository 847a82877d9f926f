//! The 29-bit CAN identifier of SAE J1939 and NMEA 2000, taken apart and put together.
//!
//! Bits 28-26 priority, 25 extended data page, 24 data page, 23-16 PDU format, 15-8 PDU specific, 7-0 source
//! (SAE J1939-21; the same layout in the public NMEA2000 C++ library 4.24.1).

/// Who sends what to whom.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct CanId {
    /// 0 (first) to 7.
    pub priority: u8,
    /// Parameter group number, 18 bits.
    pub pgn: u32,
    /// Source address; 254 is a device without an address.
    pub source: u8,
    /// Destination address, 255 for everybody.
    pub destination: u8,
}

/// From this PDU format on a message goes to everybody and its low byte belongs to the number (PDU2).
const PDU2: u32 = 240;

impl CanId {
    /// The address of everybody.
    pub const GLOBAL: u8 = 255;

    /// A message to everybody.
    pub const fn broadcast(priority: u8, pgn: u32, source: u8) -> Self {
        Self { priority, pgn, source, destination: Self::GLOBAL }
    }

    /// From the lowest 29 bits of `raw`; any value is one.
    pub const fn from_raw(raw: u32) -> Self {
        let (page, format, specific) = (raw >> 24 & 3, raw >> 16 & 0xFF, raw >> 8 & 0xFF);
        let (low, destination) = if format < PDU2 { (0, specific as u8) } else { (specific, Self::GLOBAL) };
        Self { priority: (raw >> 26 & 7) as u8, pgn: page << 16 | format << 8 | low, source: raw as u8, destination }
    }

    /// The 29-bit identifier. What has no place in it is left out: the low byte of a PDU1 number, the destination
    /// of a PDU2 message.
    pub const fn to_raw(self) -> u32 {
        let (head, low) = (self.pgn >> 8 & 0x3FF, self.pgn & 0xFF);
        let specific = if head & 0xFF < PDU2 { self.destination as u32 } else { low };
        (self.priority as u32 & 7) << 26 | head << 16 | specific << 8 | self.source as u32
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn known_identifiers() {
        // Composed with PyPI nmea2000 2026.10.3 (`can_id_compose`).
        let battery = CanId { priority: 6, pgn: 127508, source: 35, destination: 255 };
        assert_eq!(CanId::from_raw(0x19F2_1423), battery);
        assert_eq!(battery.to_raw(), 0x19F2_1423);
        let request = CanId { priority: 6, pgn: 59904, source: 0x23, destination: 255 };
        assert_eq!(CanId::from_raw(0x18EA_FF23), request);
        assert_eq!(CanId { destination: 0x10, ..request }.to_raw(), 0x18EA_1023);
    }

    proptest! {
        #[test]
        fn every_identifier_survives(raw in 0u32..1 << 29) {
            prop_assert_eq!(CanId::from_raw(raw).to_raw(), raw);
        }

        #[test]
        fn only_what_has_no_place_is_lost(priority in 0u8..8, pgn in 0u32..1 << 18, source: u8, destination: u8) {
            let id = CanId { priority, pgn, source, destination };
            let back = CanId::from_raw(id.to_raw());
            if (pgn >> 8 & 0xFF) < PDU2 {
                prop_assert_eq!(back, CanId { pgn: pgn & !0xFF, ..id });
            } else {
                prop_assert_eq!(back, CanId { destination: 255, ..id });
            }
        }
    }
}
