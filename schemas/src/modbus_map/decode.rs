//! From registers to a value.

use super::{Kind, Register};
use crate::sample::Reading;

/// What registers said.
#[derive(Debug, Clone, PartialEq)]
pub enum RegisterValue {
    /// A number, or that there is none.
    Reading(Reading),
    /// Text without what fills it up.
    Text(String),
}

/// A power of ten (SunSpec information model specification, "sunssf"): this is "not implemented".
const NO_FACTOR: i16 = i16::MIN;
/// The same specification: -10 to 10.
const LARGEST_FACTOR: i16 = 10;

/// The value of a register; `words` are its own. `scale_factor` is what the register that it names as its power of
/// ten holds, and plays no part where it names none. `None` when there are too few words, or its factor is not
/// known yet.
pub fn decode(register: &Register, words: &[u16], scale_factor: Option<u16>) -> Option<RegisterValue> {
    let words = words.get(..usize::from(register.words))?;
    if register.kind == Kind::Text {
        return Some(RegisterValue::Text(text(words)));
    }
    let factor = match register.scale_factor {
        None => 0,
        Some(_) => i16::from_be_bytes(scale_factor?.to_be_bytes()),
    };
    let raw = number(register, words);
    let reading = if raw.is_nan() || register.not_available.contains(&raw) || factor == NO_FACTOR {
        Reading::NotAvailable
    } else if factor.abs() > LARGEST_FACTOR {
        Reading::OutOfRange
    } else {
        // Dividing by a power of ten is exact where multiplying by its inverse is not.
        let power = 10_f64.powi(i32::from(factor.abs()));
        let scaled = if factor < 0 { raw / power } else { raw * power };
        let value = scaled * register.scale + register.offset;
        if value.is_finite() { Reading::Value(value) } else { Reading::OutOfRange }
    };
    Some(RegisterValue::Reading(reading))
}

fn number(register: &Register, words: &[u16]) -> f64 {
    let bits = |high_first: &mut dyn Iterator<Item = &u16>| high_first.fold(0_u64, |n, w| n << 16 | u64::from(*w));
    let bits = if register.low_word_first { bits(&mut words.iter().rev()) } else { bits(&mut words.iter()) };
    match register.kind {
        Kind::U16 | Kind::U32 | Kind::U64 | Kind::Bit => bits as f64,
        Kind::I16 => f64::from(bits as u16 as i16),
        Kind::I32 => f64::from(bits as u32 as i32),
        Kind::I64 => bits as i64 as f64,
        Kind::F32 => f64::from(f32::from_bits(bits as u32)),
        Kind::F64 => f64::from_bits(bits),
        Kind::BitOf(n) => (bits >> n.min(63) & 1) as f64,
        Kind::Text => f64::NAN,
    }
}

/// Two characters a register, the first in the high byte; zeros and blanks fill it up.
fn text(words: &[u16]) -> String {
    let bytes: Vec<u8> = words.iter().flat_map(|w| w.to_be_bytes()).take_while(|b| *b != 0).collect();
    String::from_utf8_lossy(&bytes).trim().chars().filter(|c| !c.is_control()).collect()
}
