//! A chunk: everything that one commit brought, a block per stream, one after the other.
//!
//! `chunk = *(stream length block)`, both numbers as LEB128; every block has its own check sum.

use crate::StreamId;

/// Puts blocks of streams into one chunk.
pub(crate) fn join(parts: &[(StreamId, Vec<u8>)]) -> Vec<u8> {
    let mut out = Vec::with_capacity(parts.iter().map(|p| p.1.len() + 6).sum());
    for (stream, block) in parts {
        put(&mut out, stream.0 as u64);
        put(&mut out, block.len() as u64);
        out.extend(block);
    }
    out
}

/// The blocks of a chunk; what cannot be told apart any more ends it with `Err` and what is left.
pub(crate) fn parts(mut chunk: &[u8]) -> impl Iterator<Item = Result<(StreamId, &[u8]), &[u8]>> {
    std::iter::from_fn(move || {
        if chunk.is_empty() {
            return None;
        }
        let rest = std::mem::take(&mut chunk);
        let mut ahead = rest;
        let part = number(&mut ahead).zip(number(&mut ahead)).and_then(|(stream, length)| {
            let (block, after) = ahead.split_at_checked(usize::try_from(length).ok()?)?;
            chunk = after;
            Some((StreamId(i64::try_from(stream).ok()?), block))
        });
        Some(part.ok_or(rest))
    })
}

fn put(out: &mut Vec<u8>, mut n: u64) {
    while n >= 0x80 {
        out.push(n as u8 | 0x80);
        n >>= 7;
    }
    out.push(n as u8);
}

fn number(input: &mut &[u8]) -> Option<u64> {
    let mut n = 0;
    for shift in (0..63).step_by(7) {
        let (byte, rest) = input.split_first()?;
        *input = rest;
        n |= u64::from(byte & 0x7F) << shift;
        if *byte < 0x80 {
            return Some(n);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_come_back_and_a_cut_chunk_says_so() {
        let parts_in = [(StreamId(1), vec![1, 2, 3]), (StreamId(300), vec![]), (StreamId(2), vec![7; 200])];
        let chunk = join(&parts_in);
        let back: Vec<_> = parts(&chunk).map(|p| p.map(|(s, b)| (s, b.to_vec())).unwrap()).collect();
        assert_eq!(back, parts_in);
        let cut: Vec<_> = parts(&chunk[..chunk.len() - 1]).collect();
        assert!(cut.len() == 3 && cut[0].is_ok() && cut[2].is_err());
        assert_eq!(parts(&[0xFF; 30]).filter(Result::is_ok).count(), 0);
    }
}
