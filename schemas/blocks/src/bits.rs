//! Whole numbers as so many bits each above the least of them: least, width, and then the bits, the lowest first.

use crate::BlockError;
use crate::bytes::{Input, put_signed};

/// Packs any numbers.
pub(crate) fn put(out: &mut Vec<u8>, values: &[i64]) {
    let least = values.iter().copied().min().unwrap_or(0);
    let above = |value: i64| value.wrapping_sub(least) as u64;
    let width = values.iter().map(|v| u64::BITS - above(*v).leading_zeros()).max().unwrap_or(0);
    put_signed(out, least);
    out.push(width as u8);
    // Fewer than eight bits wait between two numbers.
    let (mut waiting, mut count) = (0_u128, 0);
    for value in values {
        waiting |= u128::from(above(*value)) << count;
        count += width;
        while count >= 8 {
            out.push(waiting as u8);
            waiting >>= 8;
            count -= 8;
        }
    }
    if count > 0 {
        out.push(waiting as u8);
    }
}

/// Unpacks `n` numbers.
pub(crate) fn take(input: &mut Input<'_>, n: usize) -> Result<Vec<i64>, BlockError> {
    let least = input.signed()?;
    let width = usize::from(input.byte()?);
    if width > 64 {
        return Err(BlockError::Malformed("a number has more than 64 bits"));
    }
    let mut bytes = input.take((n * width).div_ceil(8))?.iter();
    let (mut waiting, mut count) = (0_u128, 0);
    let values = (0..n).map(|_| {
        while count < width {
            waiting |= u128::from(bytes.next().copied().unwrap_or(0)) << count;
            count += 8;
        }
        let above = waiting & ((1 << width) - 1);
        waiting >>= width;
        count -= width;
        least.wrapping_add(above as u64 as i64)
    });
    Ok(values.collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn packed(values: &[i64]) -> Vec<u8> {
        let mut out = Vec::new();
        put(&mut out, values);
        out
    }

    proptest! {
        #[test]
        fn any_numbers_come_back(values in proptest::collection::vec(any::<i64>(), 0..70), near in proptest::collection::vec(-9_i64..9, 0..70)) {
            for values in [values, near] {
                let bytes = packed(&values);
                let mut input = Input(&bytes);
                prop_assert_eq!(take(&mut input, values.len()).unwrap(), values);
                prop_assert!(input.0.is_empty());
            }
        }
    }

    #[test]
    fn three_bits_where_three_suffice() {
        assert_eq!(packed(&[5320, 5321, 5327, 5320]), [0x90, 0x53, 3, 0b1100_1000, 0b0000_0001]);
        assert!(take(&mut Input(&[0, 65, 0, 0, 0, 0, 0, 0, 0, 0, 0]), 1).is_err());
        assert!(take(&mut Input(&[0, 9, 0]), 1).is_err(), "it ends early");
    }
}
