//! Lines of any input in constant memory: a line that never ends is skipped while it is read.

use std::io::{ErrorKind, Read};

/// The longest line that can be a frame: a CAN FD frame on the screen has some 350 bytes.
pub const LONGEST: usize = 4096;
/// All the memory that reading takes.
const BUFFER: usize = 64 * 1024;

/// One line.
#[derive(Debug, PartialEq, Eq)]
pub struct Line<'a> {
    /// Its number, from 1.
    pub number: u64,
    /// Its bytes without the line end; `None` when it was longer than [`LONGEST`] and was skipped.
    pub bytes: Option<&'a [u8]>,
    /// It had a line end: false for what stands behind the last one.
    pub ended: bool,
}

/// Reads lines.
#[derive(Debug)]
pub struct Lines<R> {
    source: R,
    buffer: Box<[u8]>,
    start: usize,
    end: usize,
    /// No line end before this place.
    searched: usize,
    number: u64,
    /// Within a line that is too long.
    skipping: bool,
    finished: bool,
}

impl<R: Read + Send + 'static> Lines<R> {
    /// All that was not taken yet, as bytes: what was looked at is no text.
    pub fn into_rest(self) -> Box<dyn Read + Send> {
        let ahead = std::io::Cursor::new(self.buffer[self.start..self.end].to_vec());
        // A source that has ended or failed is not asked again.
        if self.finished { Box::new(ahead) } else { Box::new(ahead.chain(self.source)) }
    }
}

impl<R: Read> Lines<R> {
    /// Over any source; it needs no buffering of its own.
    pub fn new(source: R) -> Self {
        let buffer = vec![0; BUFFER].into_boxed_slice();
        Self { source, buffer, start: 0, end: 0, searched: 0, number: 0, skipping: false, finished: false }
    }

    /// Bytes of memory that this reader holds.
    pub fn capacity(&self) -> usize {
        self.buffer.len()
    }

    /// Reads as much as the buffer holds, to look at before the first line is taken.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn look_ahead(&mut self) -> std::io::Result<&[u8]> {
        while self.end < self.buffer.len() && !self.finished {
            self.fill()?;
        }
        Ok(&self.buffer[self.start..self.end])
    }

    /// The next line; `None` at the end. After an error the lines that were complete can still be read.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn next_line(&mut self) -> std::io::Result<Option<Line<'_>>> {
        loop {
            if let Some(length) = memchr::memchr(b'\n', &self.buffer[self.searched..self.end]) {
                let (start, end) = (self.start, self.searched + length);
                self.start = end + 1;
                self.searched = self.start;
                return Ok(Some(self.line(start, end, true)));
            }
            self.searched = self.end;
            if self.end - self.start > LONGEST {
                self.skipping = true;
                self.start = self.end;
            }
            if self.finished {
                let start = std::mem::replace(&mut self.start, self.end);
                if start == self.end && !self.skipping {
                    return Ok(None);
                }
                return Ok(Some(self.line(start, self.end, false)));
            }
            self.fill()?;
        }
    }

    /// The next line, if it lies complete in the buffer; [`Lines::take`] takes it.
    #[inline]
    pub fn peek(&self) -> Option<&[u8]> {
        let length = memchr::memchr(b'\n', &self.buffer[self.searched..self.end])?;
        let bytes = &self.buffer[self.start..self.searched + length];
        (!self.skipping && bytes.len() <= LONGEST).then_some(bytes)
    }

    /// Takes the line of so many bytes that [`Lines::peek`] showed.
    #[inline]
    pub fn take(&mut self, length: usize) {
        self.start += length + 1;
        self.searched = self.start;
        self.number += 1;
    }

    fn line(&mut self, start: usize, end: usize, ended: bool) -> Line<'_> {
        self.number += 1;
        let fits = !std::mem::take(&mut self.skipping) && end - start <= LONGEST;
        let bytes = &self.buffer[start..end];
        let bytes = bytes.strip_suffix(b"\r").unwrap_or(bytes);
        Line { number: self.number, bytes: fits.then_some(bytes), ended }
    }

    fn fill(&mut self) -> std::io::Result<()> {
        if self.end == self.buffer.len() {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.searched -= self.start;
            self.start = 0;
        }
        match self.source.read(&mut self.buffer[self.end..]) {
            Ok(0) => self.finished = true,
            Ok(n) => self.end += n,
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) => {
                self.finished = true;
                return Err(e);
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn all(source: impl Read) -> Vec<(Option<Vec<u8>>, bool)> {
        let mut lines = Lines::new(source);
        let mut out = Vec::new();
        while let Some(line) = lines.next_line().unwrap() {
            assert_eq!(line.number, out.len() as u64 + 1);
            out.push((line.bytes.map(<[u8]>::to_vec), line.ended));
        }
        out
    }

    /// Hands out its bytes in pieces of a given size, as a pipe does.
    struct Pieces<'a>(&'a [u8], usize);
    impl Read for Pieces<'_> {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            let n = self.1.min(buffer.len()).min(self.0.len());
            buffer[..n].copy_from_slice(&self.0[..n]);
            self.0 = &self.0[n..];
            Ok(n)
        }
    }

    #[test]
    fn line_ends() {
        let line = |text: &[u8], ended| (Some(text.to_vec()), ended);
        assert_eq!(all(&b"a\r\n\nb"[..]), [line(b"a", true), line(b"", true), line(b"b", false)]);
        assert_eq!(all(&b""[..]), []);
        assert_eq!(all(&b"a\n"[..]), [line(b"a", true)]);
    }

    #[test]
    fn a_line_of_a_gigabyte_is_one_problem_and_takes_no_memory() {
        let source = b"first\n".chain(std::io::repeat(b'x').take(1 << 30)).chain(&b"\nlast\n"[..]);
        let mut lines = Lines::new(source);
        let before = lines.capacity();
        assert_eq!(lines.next_line().unwrap().unwrap().bytes, Some(&b"first"[..]));
        let long = lines.next_line().unwrap().unwrap();
        assert_eq!((long.number, long.bytes, long.ended), (2, None, true));
        assert_eq!(lines.next_line().unwrap().unwrap(), Line { number: 3, bytes: Some(b"last"), ended: true });
        assert_eq!(lines.next_line().unwrap(), None);
        assert_eq!(lines.capacity(), before);
    }

    #[test]
    fn an_endless_last_line_is_reported_once() {
        assert_eq!(all(std::io::repeat(b'x').take(100_000)), [(None, false)]);
    }

    proptest! {
        #[test]
        fn the_same_lines_however_the_bytes_arrive(
            lengths in prop::collection::vec(prop_oneof![0_usize..60, 4090_usize..4100, 60_000_usize..70_000], 0..12),
            piece in 1_usize..10_000,
            ended: bool,
        ) {
            let mut bytes = lengths.iter().map(|n| vec![b'x'; *n]).collect::<Vec<_>>().join(&b'\n');
            if ended && !lengths.is_empty() { bytes.push(b'\n'); }
            let read = all(Pieces(&bytes, piece));
            let mut expected: Vec<_> = bytes.split_inclusive(|b| *b == b'\n').map(|l| {
                let (text, ended) = l.strip_suffix(b"\n").map_or((l, false), |t| (t, true));
                ((text.len() <= LONGEST).then(|| text.to_vec()), ended)
            }).collect();
            expected.retain(|l| *l != (Some(vec![]), false));
            prop_assert_eq!(read, expected);
        }
    }
}
