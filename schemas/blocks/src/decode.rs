//! A block back into rows. Columns are found first and unpacked only when they are asked for.

use crate::bytes::Input;
use crate::coding::Coding;
use crate::numbers::{self, Numbers};
use crate::rows::{Column, Rows, Values};
use crate::said::Said;
use crate::summary::{Carry, Summary};
use crate::{BlockError, FORMAT, MOST_COLUMNS, MOST_ROWS};

/// A block whose check sum fits.
#[derive(Debug, Clone)]
pub struct BlockView {
    first: i64,
    offsets: Numbers,
}

/// One column of a block.
#[derive(Debug, Clone, PartialEq)]
pub struct DecodedColumn {
    /// One per row with a value.
    numbers: Numbers,
    said: Said,
}

impl BlockView {
    /// Checks a block and unpacks its times and the columns that `wanted` names; those come in the order of the block.
    ///
    /// # Errors
    /// A damaged, malformed or newer block.
    pub fn read(block: &[u8], wanted: impl Fn(usize) -> bool) -> Result<(Self, Vec<DecodedColumn>), BlockError> {
        let (body, sum) = block.split_last_chunk::<4>().ok_or(BlockError::Damaged)?;
        if crc32c::crc32c(body) != u32::from_le_bytes(*sum) {
            return Err(BlockError::Damaged);
        }
        let mut input = Input(body);
        match input.byte()? {
            FORMAT => {}
            newer @ FORMAT.. => return Err(BlockError::Newer(newer)),
            _ => return Err(BlockError::Malformed("there is no format 0")),
        }
        let rows = input.count(MOST_ROWS)?;
        let columns = input.count(MOST_COLUMNS)?;
        let first = input.signed()?;
        let offsets = match numbers::take(&mut input, rows)? {
            Numbers::Floats(_) if rows > 0 => return Err(BlockError::Malformed("its times are floats")),
            offsets => offsets,
        };
        let mut found = Vec::new();
        for place in 0..columns {
            let column = DecodedColumn::take(&mut input, rows, wanted(place))?;
            found.extend(column);
        }
        match input.0 {
            [] => Ok((Self { first, offsets }, found)),
            _ => Err(BlockError::Malformed("something follows its end")),
        }
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.offsets.len()
    }

    /// The time of a row, ms.
    pub fn time(&self, row: usize) -> i64 {
        self.first.wrapping_add(self.offsets.raw(row))
    }

    /// All times, ms.
    pub fn times(&self) -> Vec<i64> {
        (0..self.rows()).map(|row| self.time(row)).collect()
    }

    /// Everything, as it was gathered.
    ///
    /// # Errors
    /// As [`BlockView::read`].
    pub fn rows_of(block: &[u8]) -> Result<Rows, BlockError> {
        let (view, columns) = Self::read(block, |_| true)?;
        Ok(Rows { times: view.times(), columns: columns.into_iter().map(DecodedColumn::into_column).collect() })
    }

    /// Minimum, maximum, sum and time integral of a column.
    pub fn summarise(&self, column: &DecodedColumn, coding: Coding) -> Summary {
        let mut carry = Carry::default();
        match &self.offsets {
            Numbers::I16(t) => column.summarise(t, coding, &mut carry),
            Numbers::I32(t) => column.summarise(t, coding, &mut carry),
            Numbers::I64(t) => column.summarise(t, coding, &mut carry),
            _ => column.summarise(&vec![self.offsets.raw(0); self.rows()], coding, &mut carry),
        }
        .shifted(self.first)
    }
}

impl DecodedColumn {
    /// Unpacks the next column, or steps over it.
    fn take(input: &mut Input<'_>, rows: usize, wanted: bool) -> Result<Option<Self>, BlockError> {
        let runs = input.count(rows)?;
        let mut said = Said::default();
        for _ in 0..runs {
            let code = input.byte()?;
            let length = input.count(rows - said.rows())?;
            if code > 3 || length == 0 {
                return Err(BlockError::Malformed("a run makes no sense"));
            }
            said.push_many(code, length as u32);
        }
        if runs == 0 {
            said.push_many(0, rows as u32);
        }
        if said.rows() != rows {
            return Err(BlockError::Malformed("the runs do not cover the rows"));
        }
        let values = said.values();
        if !wanted {
            return numbers::skip(input, values).map(|()| None);
        }
        Ok(Some(Self { numbers: numbers::take(input, values)?, said }))
    }

    /// What was said, row by row.
    pub fn said(&self) -> &Said {
        &self.said
    }

    /// True where the numbers are floats.
    pub fn is_float(&self) -> bool {
        matches!(self.numbers, Numbers::Floats(_))
    }

    /// Every row: the value in the channel's unit, or the code that says why there is none.
    pub fn readings(&self, coding: Coding) -> impl Iterator<Item = Result<f64, u8>> + '_ {
        let coding = if self.is_float() { Coding::Float } else { coding };
        let mut next = 0;
        self.said.codes().map(move |code| match code {
            0 => {
                next += 1;
                Ok(coding.value(self.numbers.raw(next - 1)))
            }
            code => Err(code),
        })
    }

    /// The value of the last row, if it has one.
    pub fn last_value(&self, coding: Coding) -> Option<f64> {
        let last = self.said.rows().checked_sub(1)?;
        let coding = if self.is_float() { Coding::Float } else { coding };
        (self.said.code(last) == 0).then(|| coding.value(self.numbers.raw(self.numbers.len() - 1)))
    }

    fn into_column(self) -> Column {
        let mut next = 0;
        let mut raw = |code: u8| {
            if code != 0 {
                return 0;
            }
            next += 1;
            self.numbers.raw(next - 1)
        };
        let values = match self.numbers {
            Numbers::Floats(_) => Values::Floats(self.said.codes().map(|c| f64::from_bits(raw(c) as u64)).collect()),
            _ => Values::Ints(self.said.codes().map(raw).collect()),
        };
        Column { values, said: self.said }
    }

    fn summarise<T: Copy + Into<i64>>(&self, times: &[T], coding: Coding, carry: &mut Carry) -> Summary {
        match &self.numbers {
            Numbers::Same(value, n) => Summary::of(times, &vec![*value; *n], self.said.runs(), coding, carry),
            Numbers::I16(v) => Summary::of(times, v, self.said.runs(), coding, carry),
            Numbers::I32(v) => Summary::of(times, v, self.said.runs(), coding, carry),
            Numbers::I64(v) => Summary::of(times, v, self.said.runs(), coding, carry),
            Numbers::Floats(v) => Summary::of_floats(times, v, self.said.runs(), carry),
        }
    }
}
