//! What a message and a signal of a DBC file are, once they are known to be sound.

use super::FrameId;
use super::units::Conversion;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;

/// The most data that a frame carries (CAN FD).
pub(super) const MOST_DATA: usize = 64;

/// A message.
#[derive(Debug, Clone, PartialEq)]
pub struct MessageDef {
    /// Its identifier.
    pub id: FrameId,
    /// Its name as the file writes it.
    pub title: String,
    /// Its name in channel addresses.
    pub name: String,
    /// Its signals, in the order of the file.
    pub signals: Vec<SignalDef>,
}

/// A signal of a message.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalDef {
    /// Its name as the file writes it.
    pub title: String,
    /// Its name in channel addresses.
    pub name: String,
    /// Where its bits are.
    pub place: Place,
    /// What its bits are.
    pub number: Number,
    /// The value of one step, in the file's unit.
    pub factor: f64,
    /// The value of raw zero, in the file's unit.
    pub offset: f64,
    /// The range that the file gives, in its unit; `None` where it gives none.
    pub range: Option<(f64, f64)>,
    /// Raw values with which the sender says that there is no value, by their names in the file.
    pub(super) states: Vec<(i64, Reading)>,
    /// The channel holds codes, not amounts.
    pub is_code: bool,
    pub(super) conversion: Conversion,
    /// In which frames it is there; `None`: in all.
    pub multiplexed: Option<Multiplexed>,
    /// Other signals hang on it; it says what the rest of the frame is, and is no channel itself.
    pub is_switch: bool,
}

impl SignalDef {
    /// The unit of its channel.
    pub fn unit(&self) -> Unit {
        if self.is_code { Unit::Code } else { self.conversion.unit }
    }
}

/// The frames in which a multiplexed signal is there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Multiplexed {
    /// The index of the signal that tells.
    pub by: usize,
    /// Its raw values, first and last of each range.
    pub codes: Vec<(u64, u64)>,
}

/// What a signal's bits are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Number {
    /// A whole number without sign.
    Unsigned,
    /// Two's complement.
    Signed,
    /// IEEE 754, 32 bits.
    Float,
    /// IEEE 754, 64 bits.
    Double,
}

/// The order of a signal's bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ByteOrder {
    /// The first bit is the lowest, bytes rise (`@1` in the file).
    Intel,
    /// The first bit is the highest, bytes fall (`@0` in the file).
    Motorola,
}

/// Where a signal's bits are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// The order.
    pub order: ByteOrder,
    /// The number of bits, 1 to 64.
    pub bits: u16,
    /// The first byte that holds some.
    pub(super) first: usize,
    /// The last byte that holds some.
    pub(super) last: usize,
    /// How far the lowest bit is from the lowest of those bytes.
    pub(super) shift: u32,
}

impl Place {
    /// A place by start bit and length as the file gives them; `None` where no frame has it.
    ///
    /// Bits are numbered by byte, from the lowest of each. The start bit is the lowest of an Intel signal and the
    /// highest of a Motorola one, which goes on from bit 0 of a byte to bit 7 of the next (as `cantools` reads it).
    pub fn new(order: ByteOrder, start: u64, bits: u64) -> Option<Self> {
        let most = MOST_DATA as u64 * 8;
        if !(1..=64).contains(&bits) || start >= most {
            return None;
        }
        // Counted in the order in which the signal walks through the frame.
        let begin = match order {
            ByteOrder::Intel => start,
            ByteOrder::Motorola => start / 8 * 8 + (7 - start % 8),
        };
        let end = begin + bits - 1;
        if end >= most {
            return None;
        }
        let shift = match order {
            ByteOrder::Intel => begin % 8,
            ByteOrder::Motorola => 7 - end % 8,
        };
        let (first, last) = ((begin / 8) as usize, (end / 8) as usize);
        Some(Self { order, bits: bits as u16, first, last, shift: shift as u32 })
    }

    /// The bits; `None` where the data ends before.
    pub fn extract(&self, data: &[u8]) -> Option<u64> {
        let bytes = data.get(self.first..=self.last)?;
        // 64 bits that do not begin at a byte lie in nine of them.
        let add = |n: u128, b: &u8| n << 8 | u128::from(*b);
        let all = match self.order {
            ByteOrder::Intel => bytes.iter().rev().fold(0, add),
            ByteOrder::Motorola => bytes.iter().fold(0, add),
        };
        Some((all >> self.shift) as u64 & self.mask())
    }

    pub(super) fn mask(&self) -> u64 {
        u64::MAX >> (64 - u32::from(self.bits))
    }
}
