//! Rows into a block.

use crate::bytes::{put, put_signed};
use crate::rows::{Column, Rows, Values};
use crate::{FORMAT, numbers};

/// Packs rows that are in the order of time; at most [`crate::MOST_ROWS`] rows of [`crate::MOST_COLUMNS`] columns.
///
/// # Panics
/// In debug builds where the rows break those rules.
pub fn encode(rows: &Rows) -> Vec<u8> {
    debug_assert!(
        rows.times.is_sorted() && rows.len() <= crate::MOST_ROWS && rows.columns.len() <= crate::MOST_COLUMNS
    );
    let mut out = Vec::with_capacity(64 + rows.len() * (rows.columns.len() + 1));
    out.push(FORMAT);
    put(&mut out, rows.len() as u64);
    put(&mut out, rows.columns.len() as u64);
    let first = rows.times.first().copied().unwrap_or(0);
    put_signed(&mut out, first);
    let offsets: Vec<i64> = rows.times.iter().map(|t| t.wrapping_sub(first)).collect();
    numbers::put_ints(&mut out, &offsets);
    for column in &rows.columns {
        put_column(&mut out, column);
    }
    let sum = crc32c::crc32c(&out);
    out.extend(sum.to_le_bytes());
    out
}

/// What was said, then the numbers of the rows that have one.
fn put_column(out: &mut Vec<u8>, column: &Column) {
    let said = &column.said;
    if said.all_values() {
        put(out, 0);
        return match &column.values {
            Values::Ints(v) => numbers::put_ints(out, v),
            Values::Floats(v) => numbers::put_floats(out, v),
        };
    }
    put(out, said.runs().count() as u64);
    for (code, rows) in said.runs() {
        out.push(code);
        put(out, rows.len() as u64);
    }
    match &column.values {
        Values::Ints(v) => numbers::put_ints(out, &present(v, said)),
        Values::Floats(v) => numbers::put_floats(out, &present(v, said)),
    }
}

fn present<T: Copy>(values: &[T], said: &crate::Said) -> Vec<T> {
    said.runs().filter(|(code, _)| *code == 0).flat_map(|(_, rows)| &values[rows]).copied().collect()
}
