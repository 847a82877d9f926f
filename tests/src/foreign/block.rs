//! Blocks and chunks of the database as somebody else's program, or a failing card, could have left them.
//!
//! Input: a byte that says what follows. Even: a block without its check sum, which is put behind it, so that the content
//! is reached. Odd: a chunk.

use ampwake_blocks::{BlockError, BlockView, Coding, Column, MOST_COLUMNS, MOST_ROWS, Rows, Values};
use ampwake_blocks::{chunk_parts, encode, join_chunk};

/// Reads a block or a chunk.
pub fn run(bytes: &[u8]) {
    match bytes.split_first() {
        Some((kind, rest)) if kind & 1 == 0 => block(rest),
        Some((_, rest)) => chunk(rest),
        None => {}
    }
}

fn block(body: &[u8]) {
    let mut block = body.to_vec();
    block.extend(crc32c::crc32c(body).to_le_bytes());
    let rows = match BlockView::rows_of(&block) {
        Ok(rows) => rows,
        Err(BlockError::Damaged) => panic!("the check sum fits"),
        Err(_) => return,
    };
    assert!(rows.len() <= MOST_ROWS && rows.columns.len() <= MOST_COLUMNS);
    assert!(rows.columns.iter().all(|c| c.said.rows() == rows.len() && numbers(c) == rows.len()));
    summaries(&block, &rows);
    let mut sorted = rows;
    sorted.sort();
    let again = BlockView::rows_of(&encode(&sorted)).expect("what was read can be written");
    assert_eq!(again.times, sorted.times);
    assert_eq!(meanings(&again), meanings(&sorted));
    let mut flipped = block;
    let at = body.iter().map(|b| usize::from(*b)).sum::<usize>() % flipped.len();
    flipped[at] ^= 1 << (at % 8);
    assert_eq!(BlockView::read(&flipped, |_| true).err(), Some(BlockError::Damaged));
}

fn numbers(column: &Column) -> usize {
    match &column.values {
        Values::Ints(values) => values.len(),
        Values::Floats(values) => values.len(),
    }
}

/// Bit for bit; the number of a row without a value has no meaning.
fn meanings(rows: &Rows) -> Vec<Vec<(u8, i64)>> {
    let of = |c: &Column| {
        c.said.codes().enumerate().map(|(row, code)| (code, if code == 0 { c.raw(row) } else { 0 })).collect()
    };
    rows.columns.iter().map(of).collect()
}

/// A summary counts what is there, whatever the numbers are.
fn summaries(block: &[u8], rows: &Rows) {
    let (view, columns) = BlockView::read(block, |_| true).expect("it was read before");
    for (column, whole) in columns.iter().zip(&rows.columns) {
        let summary = view.summarise(column, Coding::WHOLE);
        assert_eq!(summary.count as usize, rows.len());
        assert_eq!(summary.missing as usize, rows.len() - whole.said.values());
        assert_eq!(column.readings(Coding::WHOLE).filter(Result::is_ok).count(), whole.said.values());
    }
}

fn chunk(bytes: &[u8]) {
    let (mut parts, mut broken) = (Vec::new(), 0);
    for part in chunk_parts(bytes) {
        assert_eq!(broken, 0, "nothing can follow what cannot be told apart");
        match part {
            Ok((stream, block)) => {
                let _ = BlockView::rows_of(block);
                parts.push((stream, block.to_vec()));
            }
            Err(_) => broken += 1,
        }
    }
    assert!(parts.iter().map(|(_, block)| block.len() + 2).sum::<usize>() <= bytes.len());
    let joined = join_chunk(&parts);
    let again: Vec<_> = chunk_parts(&joined).map(|p| p.map(|(s, b)| (s, b.to_vec()))).collect();
    assert!(again.iter().flatten().eq(&parts), "parts come back");
}
