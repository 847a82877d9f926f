//! Mistakes in a file, as an operator reads them: where, what stands there, what is wrong, what would be right.

use std::collections::BTreeSet;
use std::fmt;

/// So many mistakes are listed; of the rest only the number is told.
pub const MOST_REPORTED: usize = 100;

/// One mistake.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistake {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The offending text, shortened, control characters escaped.
    pub text: String,
    /// What is wrong with it.
    pub problem: String,
    /// What would be right.
    pub fix: String,
}

/// Every mistake of one file, in the order of their places. As an error it is never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistakes {
    /// The file's name, as the user gave it.
    pub file: String,
    /// The mistakes, at most [`MOST_REPORTED`].
    pub list: Vec<Mistake>,
    /// How many more there are.
    pub more: usize,
}

impl Mistakes {
    /// A list of one, about the file as a whole.
    pub(super) fn one(file: &str, text: &str, problem: &str, fix: &str) -> Self {
        let mistake = Mistake {
            line: 1,
            column: 1,
            text: visible(text, TEXT_CHARS),
            problem: problem.to_owned(),
            fix: fix.to_owned(),
        };
        Self { file: file.to_owned(), list: vec![mistake], more: 0 }
    }
}

impl fmt::Display for Mistakes {
    /// Two lines per mistake: `file:line:column: text: problem`, then the fix, indented.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let file = visible(&self.file, 400);
        for (i, m) in self.list.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{file}:{}:{}: `{}`: {}\n    {}", m.line, m.column, m.text, m.problem, m.fix)?;
        }
        if self.more > 0 {
            write!(f, "\nand {} more", self.more)?;
        }
        Ok(())
    }
}

impl std::error::Error for Mistakes {}

/// Longest quotation of the offending text, in characters.
pub(super) const TEXT_CHARS: usize = 72;
/// Longest problem or fix, in characters.
pub(super) const SENTENCE_CHARS: usize = 600;

/// `text` fit for a terminal and for one line: its first line, at most `most` characters, nothing invisible.
///
/// What is quoted here came from a file, and must not be able to dress up as something else.
pub(super) fn visible(text: &str, most: usize) -> String {
    let text = text.trim();
    let mut out = String::new();
    for (n, c) in text.chars().enumerate() {
        if n >= most || c == '\n' {
            out.truncate(out.trim_end().len());
            out.push('…');
            break;
        }
        match c {
            '\t' | '\r' => out.extend(c.escape_default()),
            c if is_invisible(c) => out.extend(c.escape_unicode()),
            c => out.push(c),
        }
    }
    out
}

/// Control characters, and those that turn the direction of text or have no width.
pub(super) fn is_invisible(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// A word from the file inside a sentence: in back quotes, shortened, escaped.
pub(super) fn quoted(text: &str) -> String {
    format!("`{}`", visible(text, TEXT_CHARS))
}

/// What stood in the parts of a file that could not be read.
#[derive(Debug, Default)]
pub(super) struct Unread {
    keys: BTreeSet<String>,
    /// Nobody knows what else.
    anything: bool,
}

impl Unread {
    const MOST_KEYS: usize = 1000;

    pub(super) fn add(&mut self, key: &str) {
        if self.keys.len() < Self::MOST_KEYS {
            self.keys.insert(key.to_owned());
        } else {
            self.anything = true;
        }
    }

    pub(super) fn add_anything(&mut self) {
        self.anything = true;
    }

    fn may_hold(&self, key: &str) -> bool {
        self.anything || self.keys.contains(key)
    }
}

/// Collects mistakes while a file is read; bounded whatever the file holds.
#[derive(Debug, Default)]
pub(super) struct Sink {
    found: Vec<Found>,
    beyond: usize,
}

#[derive(Debug)]
struct Found {
    mistake: Mistake,
    /// The keys whose absence it rests on: not to be believed where one of them stands in a part of the file that
    /// could not be read.
    rests_on: Vec<&'static str>,
}

impl Sink {
    /// Kept before sorting; more than is reported, because sections are not read in the order of the file.
    const MOST_KEPT: usize = 10 * MOST_REPORTED;

    pub(super) fn is_full(&self) -> bool {
        self.found.len() >= Self::MOST_KEPT
    }

    pub(super) fn len(&self) -> usize {
        self.found.len()
    }

    pub(super) fn record(&mut self, mistake: Mistake, rests_on: &[&'static str]) {
        if self.is_full() {
            self.beyond += 1;
        } else {
            self.found.push(Found { mistake, rests_on: rests_on.to_vec() });
        }
    }

    /// Counts one more that is not worth its text any more.
    pub(super) fn count_only(&mut self) {
        self.beyond += 1;
    }

    pub(super) fn finish(self, file: &str, unread: &Unread) -> Mistakes {
        let believed = |f: &Found| !f.rests_on.iter().any(|key| unread.may_hold(key));
        let mut list: Vec<Mistake> = self.found.into_iter().filter(believed).map(|f| f.mistake).collect();
        list.sort_by_key(|m| (m.line, m.column));
        list.dedup();
        let more = self.beyond + list.len().saturating_sub(MOST_REPORTED);
        list.truncate(MOST_REPORTED);
        Mistakes { file: file.to_owned(), list, more }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quoted_text_is_one_short_visible_line() {
        assert_eq!(visible("a\u{1b}[31mb\u{202e}c", 80), "a\\u{1b}[31mb\\u{202e}c");
        assert_eq!(visible("derate = [\n  [40, 1.0],\n]", TEXT_CHARS), "derate = […");
        assert_eq!(visible(&"ä".repeat(100), TEXT_CHARS).chars().count(), TEXT_CHARS + 1);
    }

    #[test]
    fn sorted_by_place_and_cut_with_the_number_of_the_rest() {
        let mut sink = Sink::default();
        for line in (1..=2500).rev() {
            let text = String::new;
            sink.record(Mistake { line, column: 1, text: text(), problem: text(), fix: text() }, &[]);
        }
        let m = sink.finish("f", &Unread::default());
        assert_eq!((m.list.len(), m.more), (MOST_REPORTED, 2400));
        assert!(m.list.is_sorted_by_key(|m| m.line));
        assert!(m.to_string().ends_with("\nand 2400 more"));
    }
}
