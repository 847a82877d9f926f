//! Bytes of a fuzzer taken apart piece by piece, so that a change of one byte changes one decision.

/// What is left of the input; behind its end come zeros.
#[derive(Debug, Clone, Copy)]
pub struct Feed<'a>(&'a [u8]);

impl<'a> Feed<'a> {
    /// From the whole input.
    pub fn new(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    /// True when nothing is left.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The next byte.
    pub fn byte(&mut self) -> u8 {
        self.take(1).first().copied().unwrap_or(0)
    }

    /// The next two bytes, low one first.
    pub fn word(&mut self) -> u16 {
        u16::from_le_bytes([self.byte(), self.byte()])
    }

    /// The next four bytes, lowest first.
    pub fn long(&mut self) -> u32 {
        u32::from(self.word()) | u32::from(self.word()) << 16
    }

    /// The next `n` bytes, fewer at the end.
    pub fn take(&mut self, n: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(n.min(self.0.len()));
        self.0 = rest;
        taken
    }

    /// Up to the next byte of this value, which is taken too; everything where there is none.
    pub fn until(&mut self, end: u8) -> &'a [u8] {
        let length = self.0.iter().position(|b| *b == end).unwrap_or(self.0.len());
        let taken = self.take(length);
        self.take(1);
        taken
    }

    /// All that is left.
    pub fn rest(&mut self) -> &'a [u8] {
        self.take(usize::MAX)
    }
}
