//! What goes in comes out, damage is noticed, and nonsense is refused.

use ampwake_blocks::{BlockError, BlockView, Column, MOST_ROWS, Rows, Values, encode};
use proptest::prelude::*;

fn column(kind: u8, rows: usize, raws: &[i64], codes: &[u8]) -> Column {
    let mut column = Column::new(kind == 3);
    for row in 0..rows {
        let raw = match kind {
            0 => raws[row % raws.len()],
            1 => raws[row % raws.len()] % 100,
            2 => 7,
            _ => (raws[row % raws.len()] as f64 / 7.0).to_bits() as i64,
        };
        let code = codes[row % codes.len()];
        column.push(if code == 0 { raw } else { 0 }, code);
    }
    column
}

fn any_rows() -> impl Strategy<Value = Rows> {
    let column_of = (0_u8..4, prop::collection::vec(any::<i64>(), 1..50), codes());
    (prop::collection::vec(0_i64..5000, 0..300), any::<i32>(), prop::collection::vec(column_of, 0..5)).prop_map(
        |(steps, start, columns)| {
            let times: Vec<i64> = steps
                .iter()
                .scan(i64::from(start), |t, step| {
                    *t += step;
                    Some(*t)
                })
                .collect();
            let columns = columns.iter().map(|(kind, raws, codes)| column(*kind, times.len(), raws, codes)).collect();
            Rows { times, columns }
        },
    )
}

fn codes() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![Just(vec![0]), Just(vec![1]), prop::collection::vec(0_u8..4, 1..40)]
}

/// Bit for bit, whatever a float is; the numbers of rows without a value have no meaning.
fn said_and_bits(rows: &Rows) -> Vec<Vec<(u8, i64)>> {
    let bits = |column: &Column| -> Vec<(u8, i64)> {
        let raw: Vec<i64> = match &column.values {
            Values::Ints(v) => v.clone(),
            Values::Floats(v) => v.iter().map(|x| x.to_bits() as i64).collect(),
        };
        column.said.codes().zip(raw).map(|(code, raw)| (code, if code == 0 { raw } else { 0 })).collect()
    };
    rows.columns.iter().map(bits).collect()
}

proptest! {
    #[test]
    fn every_row_comes_back(rows in any_rows()) {
        let block = encode(&rows);
        let back = BlockView::rows_of(&block).unwrap();
        prop_assert_eq!(&back.times, &rows.times);
        prop_assert_eq!(said_and_bits(&back), said_and_bits(&rows));
        // One column alone is the same as among all.
        if let Some(last) = rows.columns.len().checked_sub(1) {
            let (_, all) = BlockView::read(&block, |_| true).unwrap();
            let (_, one) = BlockView::read(&block, |place| place == last).unwrap();
            prop_assert!(one.len() == 1 && one[0] == all[last]);
        }
    }

    #[test]
    fn a_flipped_bit_is_noticed(rows in any_rows(), at in any::<prop::sample::Index>(), bit in 0_u8..8) {
        let mut block = encode(&rows);
        let at = at.index(block.len());
        block[at] ^= 1 << bit;
        prop_assert_eq!(BlockView::read(&block, |_| true).err(), Some(BlockError::Damaged));
    }

    /// With a check sum that fits: what a hostile writer would make.
    #[test]
    fn nonsense_is_refused_or_read_within_bounds(rows in any_rows(), at in any::<prop::sample::Index>(), byte: u8, cut in 0_usize..9) {
        let mut block = encode(&rows);
        block.truncate(block.len() - 4);
        let at = at.index(block.len());
        block[at] = byte;
        block.truncate(block.len().saturating_sub(cut));
        let sum = crc32c::crc32c(&block);
        block.extend(sum.to_le_bytes());
        if let Ok(rows) = BlockView::rows_of(&block) {
            prop_assert!(rows.len() <= MOST_ROWS);
            prop_assert!(rows.columns.iter().all(|c| c.said.rows() == rows.len()));
        }
    }

    #[test]
    fn any_bytes_are_no_panic(mut block in prop::collection::vec(any::<u8>(), 0..200)) {
        let sum = crc32c::crc32c(&block);
        block.extend(sum.to_le_bytes());
        let _ = BlockView::rows_of(&block);
    }
}

#[test]
fn a_full_block_of_a_steady_bus_is_small() {
    let mut rows = Rows::new([false, false, false]);
    for i in 0..MOST_ROWS as i64 {
        rows.times.push(1_780_000_000_000 + i * 100);
        rows.columns[0].push(5320 + (i / 50) % 7, 0);
        rows.columns[1].push(i % 3, u8::from(i > 4000));
        rows.columns[2].push(0, 1);
    }
    let block = encode(&rows);
    assert!(block.len() < 4000, "{} bytes", block.len());
    assert_eq!(said_and_bits(&BlockView::rows_of(&block).unwrap()), said_and_bits(&rows));
}

/// The test vectors of FORMAT.md, which a program of another language made from that page alone.
#[test]
fn the_written_vectors() {
    let empty = [1, 0, 0, 0, 0, 0x99, 0x19, 0x63, 0x7D];
    assert_eq!(encode(&Rows::new([])), empty);
    let mut rows = Rows::new([false]);
    rows.times.extend([1000, 2000]);
    rows.columns[0].push(5320, 0);
    rows.columns[0].push(0, 1);
    let block = [1, 2, 1, 0xD0, 0x0F, 2, 0, 0xD0, 0x0F, 2, 0, 1, 1, 1, 1, 0x90, 0x53, 0xC7, 0xC6, 0xB3, 0xFB];
    assert_eq!(encode(&rows), block);
    assert_eq!(BlockView::rows_of(&block).unwrap().times, [1000, 2000]);
    let mut rows = Rows::new([false]);
    rows.times.extend([1000, 2000, 3001, 3999, 5000]);
    [5320, 5321, 5327, 5320, 5322].iter().for_each(|value| rows.columns[0].push(*value, 0));
    let bits = [
        &[1, 5, 1, 0xD0, 0x0F, 10, 0, 0xCC, 0x0F, 2, 0xCE, 0, 9, 0x90, 0x53, 3, 0xC8, 0x21][..],
        &[0x70, 0x3A, 0xB9, 0xA6],
    ];
    assert_eq!(encode(&rows), bits.concat());
    assert_eq!(said_and_bits(&BlockView::rows_of(&bits.concat()).unwrap()), said_and_bits(&rows));
}
