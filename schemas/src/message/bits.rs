//! Reading and writing of bit fields, little-endian, least significant bit first. The one place that knows how
//! numbers lie in a payload.

/// All ones in the lowest `bits` bits.
pub(super) const fn mask(bits: u16) -> u64 {
    match bits {
        0 => 0,
        1..=63 => (1 << bits) - 1,
        _ => u64::MAX,
    }
}

/// The field of `bits` (at most 64) from `bit` on, or `None` where the payload ends before the field does.
pub(super) fn extract(payload: &[u8], bit: usize, bits: u16) -> Option<u64> {
    let (shift, end) = (bit % 8, (bit + usize::from(bits)).div_ceil(8));
    if end > payload.len() {
        return None;
    }
    let rest = payload.get(bit / 8..)?;
    let low = match rest.first_chunk() {
        Some(eight) => u64::from_le_bytes(*eight),
        None => rest.iter().rev().fold(0, |raw, byte| raw << 8 | u64::from(*byte)),
    };
    // A field that begins within a byte may reach into a ninth.
    let high = match rest.get(8) {
        Some(ninth) if shift > 0 => u64::from(*ninth) << (64 - shift),
        _ => 0,
    };
    Some((low >> shift | high) & mask(bits))
}

/// Writes the lowest `bits` (at most 64) of `raw` from `bit` on; what lies beyond the payload is left out.
pub(super) fn insert(payload: &mut [u8], bit: usize, bits: u16, raw: u64) {
    let end = (bit + usize::from(bits)).div_ceil(8).min(payload.len());
    let Some(bytes) = payload.get_mut(bit / 8..end) else { return };
    let (mask, raw) = (u128::from(mask(bits)) << (bit % 8), u128::from(raw) << (bit % 8));
    for (byte, (m, r)) in bytes.iter_mut().zip(mask.to_le_bytes().into_iter().zip(raw.to_le_bytes())) {
        *byte = (*byte & !m) | (r & m);
    }
}

/// `raw` of `bits` bits as a signed number (two's complement).
pub(super) const fn sign_extend(raw: u64, bits: u16) -> i64 {
    let unused = 64 - if bits > 64 { 64 } else { bits as u32 };
    if unused == 64 { 0 } else { ((raw << unused) as i64) >> unused }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_field_that_is_cut_off_is_none() {
        assert_eq!(extract(&[0x34, 0x12], 0, 16), Some(0x1234));
        assert_eq!(extract(&[0x34, 0x12], 4, 8), Some(0x23));
        assert_eq!(extract(&[0x34, 0x12], 8, 16), None);
        assert_eq!(extract(&[], 0, 8), None);
    }

    #[test]
    fn the_sign_is_the_top_bit() {
        assert_eq!(sign_extend(0xFF, 8), -1);
        assert_eq!(sign_extend(0x7F, 8), 127);
        assert_eq!(sign_extend(u64::MAX, 64), -1);
    }

    proptest! {
        #[test]
        fn what_is_inserted_is_extracted_and_the_rest_untouched(
            before in proptest::collection::vec(any::<u8>(), 0..30), bit in 0usize..200, bits in 1u16..=64, raw: u64
        ) {
            let mut after = before.clone();
            insert(&mut after, bit, bits, raw);
            if let Some(found) = extract(&after, bit, bits) {
                prop_assert_eq!(found, raw & mask(bits));
            }
            for other in (0..before.len() * 8).filter(|b| !(bit..bit + usize::from(bits)).contains(b)) {
                prop_assert_eq!(extract(&before, other, 1), extract(&after, other, 1));
            }
        }
    }
}
