//! Rows as they are gathered: one entry per row in every column, in the order of arrival.

use crate::said::Said;

/// The numbers of a column, one per row; what stands in a row without a value has no meaning.
#[derive(Debug, Clone, PartialEq)]
pub enum Values {
    /// The sender's whole numbers.
    Ints(Vec<i64>),
    /// Floats.
    Floats(Vec<f64>),
}

/// One column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its numbers.
    pub values: Values,
    /// What was said.
    pub said: Said,
}

/// Rows of one message: times, and a column per value that it carries.
#[derive(Debug, Clone, PartialEq)]
pub struct Rows {
    /// Milliseconds; need not be in order.
    pub times: Vec<i64>,
    /// The columns; every one has as many entries as there are times.
    pub columns: Vec<Column>,
}

impl Column {
    /// An empty column of whole numbers or of floats.
    pub fn new(floats: bool) -> Self {
        let values = if floats { Values::Floats(Vec::new()) } else { Values::Ints(Vec::new()) };
        Self { values, said: Said::default() }
    }

    /// Adds a row: the raw number (floats: its bits) and the code.
    #[inline]
    pub fn push(&mut self, raw: i64, code: u8) {
        match &mut self.values {
            Values::Ints(values) => values.push(raw),
            Values::Floats(values) => values.push(f64::from_bits(raw as u64)),
        }
        self.said.push(code);
    }

    /// The raw number of a row (floats: its bits); zero beyond the end.
    pub fn raw(&self, row: usize) -> i64 {
        match &self.values {
            Values::Ints(v) => v.get(row).copied().unwrap_or(0),
            Values::Floats(v) => v.get(row).map_or(0, |x| x.to_bits() as i64),
        }
    }

    fn chosen(&self, order: &[u32]) -> Self {
        let codes: Vec<u8> = self.said.codes().collect();
        let mut said = Said::default();
        order.iter().for_each(|row| said.push(codes[*row as usize]));
        let values = match &self.values {
            Values::Ints(v) => Values::Ints(order.iter().map(|row| v[*row as usize]).collect()),
            Values::Floats(v) => Values::Floats(order.iter().map(|row| v[*row as usize]).collect()),
        };
        Self { values, said }
    }
}

impl Rows {
    /// No rows yet, with columns of floats where `floats` says so.
    pub fn new(floats: impl IntoIterator<Item = bool>) -> Self {
        Self { times: Vec::new(), columns: floats.into_iter().map(Column::new).collect() }
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.times.len()
    }

    /// True where there is none.
    pub fn is_empty(&self) -> bool {
        self.times.is_empty()
    }

    /// Adds rows of the same stream behind those that are there.
    pub fn extend(&mut self, more: &Self) {
        self.times.extend(&more.times);
        for (column, more) in self.columns.iter_mut().zip(&more.columns) {
            for (row, code) in more.said.codes().enumerate() {
                column.push(more.raw(row), code);
            }
        }
    }

    /// Puts the rows into the order of time; equal times keep their order.
    pub fn sort(&mut self) {
        if self.times.is_sorted() {
            return;
        }
        let mut order: Vec<u32> = (0..self.times.len() as u32).collect();
        order.sort_by_key(|row| self.times[*row as usize]);
        *self = self.chosen(&order);
    }

    /// Some of the rows, as rows of their own.
    pub fn slice(&self, range: std::ops::Range<usize>) -> Self {
        let order: Vec<u32> = range.map(|row| row as u32).collect();
        self.chosen(&order)
    }

    fn chosen(&self, order: &[u32]) -> Self {
        Self {
            times: order.iter().map(|row| self.times[*row as usize]).collect(),
            columns: self.columns.iter().map(|column| column.chosen(order)).collect(),
        }
    }
}
