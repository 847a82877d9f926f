//! Whole numbers in few bytes: LEB128 (as in the DWARF standard), with zigzag for signed ones.

use crate::BlockError;

/// Appends an unsigned number, seven bits per byte, lowest first.
pub fn put(out: &mut Vec<u8>, mut n: u64) {
    while n >= 0x80 {
        out.push(n as u8 | 0x80);
        n >>= 7;
    }
    out.push(n as u8);
}

/// Appends a signed number: 0, -1, 1, -2, ... become 0, 1, 2, 3, ...
pub fn put_signed(out: &mut Vec<u8>, n: i64) {
    put(out, ((n << 1) ^ (n >> 63)) as u64);
}

/// What is left of a block to read.
#[derive(Debug, Clone, Copy)]
pub struct Input<'a>(pub &'a [u8]);

impl<'a> Input<'a> {
    /// The next byte.
    ///
    /// # Errors
    /// There is none.
    pub fn byte(&mut self) -> Result<u8, BlockError> {
        let (first, rest) = self.0.split_first().ok_or(BlockError::Malformed("it ends early"))?;
        self.0 = rest;
        Ok(*first)
    }

    /// An unsigned number.
    ///
    /// # Errors
    /// It ends early or has more than 64 bits.
    pub fn number(&mut self) -> Result<u64, BlockError> {
        let mut n = 0;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            let bits = u64::from(byte & 0x7F);
            if shift == 63 && bits > 1 {
                break;
            }
            n |= bits << shift;
            if byte < 0x80 {
                return Ok(n);
            }
        }
        Err(BlockError::Malformed("a number has more than 64 bits"))
    }

    /// A signed number.
    ///
    /// # Errors
    /// As [`Input::number`].
    pub fn signed(&mut self) -> Result<i64, BlockError> {
        let n = self.number()?;
        Ok((n >> 1) as i64 ^ -((n & 1) as i64))
    }

    /// A number that says how many; at most `most`.
    ///
    /// # Errors
    /// It is more, or none.
    pub fn count(&mut self, most: usize) -> Result<usize, BlockError> {
        let n = self.number()?;
        usize::try_from(n).ok().filter(|n| *n <= most).ok_or(BlockError::Malformed("a count is beyond its bound"))
    }

    /// So many bytes.
    ///
    /// # Errors
    /// There are fewer.
    pub fn take(&mut self, n: usize) -> Result<&'a [u8], BlockError> {
        let (taken, rest) = self.0.split_at_checked(n).ok_or(BlockError::Malformed("it ends early"))?;
        self.0 = rest;
        Ok(taken)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_come_back_and_take_few_bytes() {
        for (n, bytes) in [(0, 1), (-1, 1), (63, 1), (-64, 1), (64, 2), (i64::MAX, 10), (i64::MIN, 10)] {
            let mut out = Vec::new();
            put_signed(&mut out, n);
            assert_eq!((out.len(), Input(&out).signed()), (bytes, Ok(n)), "{n}");
        }
        // The example of the DWARF standard (version 5, figure C.2): 624485.
        let mut out = Vec::new();
        put(&mut out, 624_485);
        assert_eq!(out, [0xE5, 0x8E, 0x26]);
        assert!(Input(&[0xFF; 11]).number().is_err() && Input(&[0x80]).number().is_err());
    }
}
