//! A chunk: everything that one commit brought, a block per stream, one after the other.
//!
//! Every block has its own check sum; the stream is named by its number.

use crate::BlockError;
use crate::bytes::{Input, put};

/// Puts blocks of streams into one chunk.
pub fn join_chunk(parts: &[(u64, Vec<u8>)]) -> Vec<u8> {
    let mut out = Vec::with_capacity(parts.iter().map(|p| p.1.len() + 6).sum());
    for (stream, block) in parts {
        put(&mut out, *stream);
        put(&mut out, block.len() as u64);
        out.extend(block);
    }
    out
}

/// The blocks of a chunk with their streams; what cannot be told apart any more ends it with `Err` and what is left.
pub fn chunk_parts(mut chunk: &[u8]) -> impl Iterator<Item = Result<(u64, &[u8]), &[u8]>> {
    std::iter::from_fn(move || {
        if chunk.is_empty() {
            return None;
        }
        let rest = std::mem::take(&mut chunk);
        let mut input = Input(rest);
        let mut part = || {
            let stream = input.number()?;
            let length = input.count(rest.len())?;
            Ok::<_, BlockError>((stream, input.take(length)?))
        };
        let part = part().map_err(|_| rest);
        if part.is_ok() {
            chunk = input.0;
        }
        Some(part)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_come_back_and_a_cut_chunk_says_so() {
        let parts_in = [(1, vec![1, 2, 3]), (300, vec![]), (2, vec![7; 200])];
        let chunk = join_chunk(&parts_in);
        let back: Vec<_> = chunk_parts(&chunk).map(|p| p.map(|(s, b)| (s, b.to_vec())).unwrap()).collect();
        assert_eq!(back, parts_in);
        let cut: Vec<_> = chunk_parts(&chunk[..chunk.len() - 1]).collect();
        assert!(cut.len() == 3 && cut[0].is_ok() && cut[2].is_err());
        assert_eq!(chunk_parts(&[0xFF; 30]).filter(Result::is_ok).count(), 0);
    }
}
