//! What the sender said of each row: a value, or why there is none.

use std::ops::Range;

/// Rows that follow each other and say the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// The first row of the run.
    pub from: u32,
    /// 0 value, 1 not available, 2 out of range, 3 reserved.
    pub code: u8,
}

/// The codes of a column, as runs. A column that never misses a value has one.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Said {
    runs: Vec<Run>,
    rows: u32,
}

impl Said {
    /// Adds a row.
    #[inline]
    pub fn push(&mut self, code: u8) {
        if self.runs.last().is_none_or(|run| run.code != code) {
            self.runs.push(Run { from: self.rows, code });
        }
        self.rows += 1;
    }

    /// Adds `n` rows that say the same.
    pub(crate) fn push_many(&mut self, code: u8, n: u32) {
        if n > 0 {
            self.push(code);
            self.rows += n - 1;
        }
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.rows as usize
    }

    /// The runs: code and rows of each.
    pub fn runs(&self) -> impl Iterator<Item = (u8, Range<usize>)> + '_ {
        self.runs.iter().enumerate().map(|(i, run)| {
            let end = self.runs.get(i + 1).map_or(self.rows, |next| next.from);
            (run.code, run.from as usize..end as usize)
        })
    }

    /// The runs within some of the rows, counted from the first of those.
    pub(crate) fn runs_within(&self, rows: Range<usize>) -> impl Iterator<Item = (u8, Range<usize>)> + Clone + '_ {
        let first = self.runs.partition_point(|run| run.from as usize <= rows.start).saturating_sub(1);
        self.runs[first..].iter().enumerate().map_while(move |(i, run)| {
            let end = self.runs.get(first + i + 1).map_or(self.rows, |next| next.from) as usize;
            let from = (run.from as usize).max(rows.start);
            (from < rows.end).then(|| (run.code, from - rows.start..end.min(rows.end) - rows.start))
        })
    }

    /// True where every row has a value.
    pub fn all_values(&self) -> bool {
        self.runs.iter().all(|run| run.code == 0)
    }

    /// Number of rows with a value.
    pub fn values(&self) -> usize {
        self.runs().filter(|(code, _)| *code == 0).map(|(_, rows)| rows.len()).sum()
    }

    /// The code of one row; 0 beyond the end.
    pub fn code(&self, row: usize) -> u8 {
        let after = self.runs.partition_point(|run| run.from as usize <= row);
        after.checked_sub(1).map_or(0, |i| self.runs[i].code)
    }

    /// The code of every row.
    pub fn codes(&self) -> impl Iterator<Item = u8> + '_ {
        self.runs().flat_map(|(code, rows)| rows.map(move |_| code))
    }
}
