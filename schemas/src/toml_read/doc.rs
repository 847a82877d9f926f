//! The text being read: places in it, and the mistakes found so far.

use super::mistake::{Mistake, Mistakes, SENTENCE_CHARS, Sink, TEXT_CHARS, Unread, visible};
use std::cell::RefCell;
use std::ops::Range;

/// Where in the file a key belongs that was written in the wrong section: (key, section).
pub type Homes = &'static [(&'static str, &'static str)];

/// One file while it is read.
#[derive(Debug)]
pub(super) struct Doc<'a> {
    pub(super) text: &'a str,
    pub(super) homes: Homes,
    line_starts: Vec<usize>,
    sink: RefCell<Sink>,
    unread: RefCell<Unread>,
}

impl<'a> Doc<'a> {
    pub(super) fn new(text: &'a str, homes: Homes) -> Self {
        let mut line_starts = vec![0];
        line_starts.extend(text.match_indices('\n').map(|(at, _)| at + 1));
        Self { text, homes, line_starts, sink: RefCell::default(), unread: RefCell::default() }
    }

    /// Line, and column in characters, both from 1, of a byte offset.
    pub(super) fn place(&self, offset: usize) -> (usize, usize) {
        let offset = self.text.floor_char_boundary(offset);
        let line = self.line_starts.partition_point(|start| *start <= offset);
        let before = self.text.get(self.line_starts[line - 1]..offset).unwrap_or_default();
        // A byte order mark is no column: no editor shows it.
        let column = before.chars().filter(|c| *c != '\u{feff}').count() + 1;
        (line, column)
    }

    /// Stands for the file as a whole.
    pub(super) fn first_line(&self) -> Range<usize> {
        0..self.text.find('\n').unwrap_or(self.text.len())
    }

    /// The text in `span`; empty when there is none.
    pub(super) fn slice(&self, span: &Range<usize>) -> &'a str {
        self.text.get(span.clone()).unwrap_or_default()
    }

    /// Records a mistake at `at`, quoting `span`.
    pub(super) fn record(&self, at: usize, span: &Range<usize>, problem: &str, fix: &str) {
        self.record_absence(at, span, problem, fix, &[]);
    }

    /// Records a mistake that rests on the absence of some keys. It is forgotten where one of them may stand in
    /// a part of the file that could not be read.
    pub(super) fn record_absence(
        &self,
        at: usize,
        span: &Range<usize>,
        problem: &str,
        fix: &str,
        rests_on: &[&'static str],
    ) {
        let mut sink = self.sink.borrow_mut();
        if sink.is_full() {
            return sink.count_only();
        }
        let (line, column) = self.place(at);
        let mistake = Mistake {
            line,
            column,
            text: visible(self.slice(span), TEXT_CHARS),
            problem: visible(problem, SENTENCE_CHARS),
            fix: visible(fix, SENTENCE_CHARS),
        };
        sink.record(mistake, rests_on);
    }

    /// Notes what stood in a part of the file that could not be read, and whose mistake has been recorded;
    /// `None` where nobody knows.
    pub(super) fn unread(&self, key: Option<&str>) {
        let mut unread = self.unread.borrow_mut();
        match key {
            Some(key) => unread.add(key),
            None => unread.add_anything(),
        }
    }

    /// How many mistakes are recorded.
    pub(super) fn count(&self) -> usize {
        self.sink.borrow().len()
    }

    pub(super) fn is_full(&self) -> bool {
        self.sink.borrow().is_full()
    }

    pub(super) fn finish(self, file: &str) -> Mistakes {
        self.sink.into_inner().finish(file, &self.unread.into_inner())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_count_characters_and_lines_count_newlines() {
        let doc = Doc::new("\u{feff}a = 1\nnäme = 2\r\n\nend", &[]);
        let at = |needle: &str| doc.place(doc.text.find(needle).unwrap());
        assert_eq!(at("a ="), (1, 1));
        assert_eq!(at("= 2"), (2, 6));
        assert_eq!(at("end"), (4, 1));
        assert_eq!(doc.place(10_000), (4, 4));
        // Between the two bytes of the umlaut: the umlaut's own place.
        assert_eq!(doc.place(doc.text.find('ä').unwrap() + 1), (2, 2));
    }
}
