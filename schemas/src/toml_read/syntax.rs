//! What is no TOML at all: every such place is reported once, in plain words, and the rest is still read.
//!
//! A statement that cannot be parsed is reported and overwritten with spaces (so that offsets stay), and the
//! text is parsed again, until the parser is content. The keys in what had to be overwritten are remembered, so
//! that nobody says they are missing.

use super::doc::Doc;
use super::explain;
use super::mistake::MOST_REPORTED;
use super::statements::{Kind, Statement, header_of, key_of, split};
use std::borrow::Cow;
use std::ops::Range;
use toml::de::{DeTable, Error};

/// Up to here the parser may list every error; beyond, a hostile text could make that list very long, and only
/// the first few errors are looked for.
const MANY_ERRORS_BYTES: usize = 128 * 1024;
/// Rounds of parsing for a text in which some bracket is open or some header is broken.
const MOST_ROUNDS: usize = 24;
/// The same for a text beyond [`MANY_ERRORS_BYTES`], where each round takes its time.
const MOST_ROUNDS_LONG: usize = 5;

/// The text without the statements that are no TOML, byte for byte in the same places.
pub(super) fn readable<'a>(doc: &Doc<'a>) -> Cow<'a, str> {
    let mut work = Cow::Borrowed(doc.text);
    let rounds = if work.len() <= MANY_ERRORS_BYTES { MOST_ROUNDS } else { MOST_ROUNDS_LONG };
    for _ in 0..rounds {
        let errors = errors_of(&work);
        if errors.is_empty() {
            return work;
        }
        let before = doc.count();
        let blanks = Round { doc, text: &work, statements: &split(&work) }.report(&errors);
        if blanks.is_empty() || doc.count() == before || doc.count() >= MOST_REPORTED {
            break;
        }
        work = Cow::Owned(blanked(&work, &blanks));
    }
    if let Some(error) = errors_of(&work).first() {
        // Given up: what the parser makes of the rest would be guesswork.
        let at = error.span().map_or(0, |s| s.start.min(work.len()));
        if doc.count() < MOST_REPORTED {
            let (problem, fix) = explain::fallback(error.message());
            doc.record(at, &line_around(doc.text, at), &problem, &fix);
        }
        doc.unread(None);
        return Cow::Borrowed("");
    }
    work
}

fn errors_of(text: &str) -> Vec<Error> {
    let mut errors = if text.len() <= MANY_ERRORS_BYTES {
        DeTable::parse_recoverable(text).1
    } else {
        DeTable::parse(text).err().into_iter().collect()
    };
    errors.sort_by_key(start);
    errors
}

fn start(error: &Error) -> usize {
    error.span().map_or(0, |s| s.start)
}

/// One pass over the parser's errors.
struct Round<'r, 'a> {
    doc: &'r Doc<'a>,
    text: &'r str,
    statements: &'r [Statement],
}

impl Round<'_, '_> {
    /// Reports the mistakes behind `errors` and says what to overwrite before the next round.
    fn report(&self, errors: &[Error]) -> Vec<Range<usize>> {
        let mut blanks: Vec<Range<usize>> = Vec::new();
        for error in errors {
            if self.doc.count() >= MOST_REPORTED {
                break;
            }
            let at = start(error);
            let n = self.statements.partition_point(|s| s.span.end <= at).min(self.statements.len().saturating_sub(1));
            let Some(statement) = self.statements.get(n) else { break };
            let done = blanks.last().map_or(0, |b| b.end);
            if statement.span.start < done {
                continue;
            }
            let open = self.statements[..=n].iter().find(|s| s.unclosed.is_some() && s.span.start >= done);
            if let Some((open, bracket)) = open.and_then(|s| Some((s, s.unclosed?))) {
                let (problem, fix) = explain::unclosed(&self.text[bracket..open.span.end]);
                self.doc.record(bracket, &trimmed(self.text, &open.span), &problem, &fix);
                blanks.push(open.span.clone());
                self.unread(&open.span, false);
                // Whatever the parser said after an open bracket, it said about a text that it had misread.
                break;
            }
            self.report_one(error, at, n);
            let extent = self.extent(n);
            self.unread(&extent, statement.kind == Kind::Header);
            blanks.push(extent);
        }
        blanks
    }

    fn report_one(&self, error: &Error, at: usize, n: usize) {
        let statement = &self.statements[n];
        let span = trimmed(self.text, &statement.span);
        let line = &self.text[span.clone()];
        let (problem, fix) = if error.message() == "duplicate key" {
            explain::twice(line, &self.text[error.span().unwrap_or(at..at)], self.first_line_of(n))
        } else {
            explain::broken(line, statement.kind, error.message())
        };
        self.doc.record(at.clamp(span.start, span.end), &span, &problem, &fix);
    }

    /// Notes the keys that are lost with `span`.
    fn unread(&self, span: &Range<usize>, section: bool) {
        let keys: Vec<&str> = self.text[span.clone()].lines().filter_map(key_of).collect();
        if section || keys.is_empty() {
            self.doc.unread(None);
        }
        for key in keys {
            self.doc.unread(Some(key));
        }
    }

    /// Line of the first statement with the same key in the same section, or of the first such header.
    fn first_line_of(&self, n: usize) -> Option<usize> {
        let line = |s: &Statement| self.text[s.span.clone()].trim();
        let statement = &self.statements[n];
        let earlier = self.statements[..n].iter();
        let first = match statement.kind {
            Kind::Header => {
                let name = header_of(line(statement))?;
                earlier.clone().find(|s| s.kind == Kind::Header && header_of(line(s)) == Some(name))
            }
            Kind::Entry => {
                let key = key_of(line(statement))?;
                earlier.rev().take_while(|s| s.kind == Kind::Entry).find(|s| key_of(line(s)) == Some(key))
            }
        }?;
        Some(self.doc.place(first.span.start).0)
    }

    /// What is overwritten with statement `n`: a header takes its section along, whose keys would else fall
    /// to the section before.
    fn extent(&self, n: usize) -> Range<usize> {
        let statement = &self.statements[n];
        let next_header = || self.statements[n + 1..].iter().find(|s| s.kind == Kind::Header);
        let end = match statement.kind {
            Kind::Entry => statement.span.end,
            Kind::Header => next_header().map_or(self.text.len(), |s| s.span.start),
        };
        statement.span.start..end
    }
}

/// `text` with spaces in place of all but the line ends of `blanks`.
fn blanked(text: &str, blanks: &[Range<usize>]) -> String {
    let mut out = String::with_capacity(text.len());
    let mut at = 0;
    for blank in blanks {
        out.push_str(&text[at..blank.start]);
        for c in text[blank.clone()].chars() {
            match c {
                '\n' => out.push('\n'),
                c => out.extend(std::iter::repeat_n(' ', c.len_utf8())),
            }
        }
        at = blank.end;
    }
    out.push_str(&text[at..]);
    out
}

/// The span without white space at its ends.
fn trimmed(text: &str, span: &Range<usize>) -> Range<usize> {
    let slice = &text[span.clone()];
    let start = span.start + (slice.len() - slice.trim_start().len());
    start..(start + slice.trim().len())
}

fn line_around(text: &str, at: usize) -> Range<usize> {
    let at = text.floor_char_boundary(at);
    let start = text[..at].rfind('\n').map_or(0, |n| n + 1);
    let end = text[at..].find('\n').map_or(text.len(), |n| at + n);
    trimmed(text, &(start..end))
}
