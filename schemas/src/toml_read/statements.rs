//! Divides a TOML text into statements (a header, or a key with its value) without parsing it.
//!
//! A parser that has met an unclosed bracket takes the rest of the file for a part of it and complains about
//! everything. A person sees at once where the next statement begins; this file sees it the same way, so that
//! one slip is one mistake and everything else in the file is still read.

use std::ops::Range;

/// What a statement is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// `[bank]` or `[[source]]`.
    Header,
    /// Anything else: a key with its value, a comment, an empty line, or words that are no TOML.
    Entry,
}

/// One statement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Statement {
    /// Whole lines, in bytes.
    pub(super) span: Range<usize>,
    pub(super) kind: Kind,
    /// Offset of a bracket or of three quotation marks that is opened and never closed.
    pub(super) unclosed: Option<usize>,
}

/// Divides `text`; the statements cover it without gaps.
pub(super) fn split(text: &str) -> Vec<Statement> {
    let mut statements = Vec::new();
    let mut open: Option<Open> = None;
    let mut offset = 0;
    for line in text.split_inclusive('\n') {
        let end = offset + line.len();
        if let Some(before) = open.take_if(|o| o.must_end_before(line)) {
            statements.push(before.end(offset));
        }
        let continues = open.is_some();
        let current = open.get_or_insert_with(|| Open::new(offset));
        let header = !continues && is_header(line);
        if header {
            statements.push(Statement { span: offset..end, kind: Kind::Header, unclosed: None });
            open = None;
        } else {
            current.scan(line, offset);
            if current.is_complete()
                && let Some(done) = open.take()
            {
                statements.push(done.end(end));
            }
        }
        offset = end;
    }
    if let Some(last) = open {
        statements.push(last.end(offset));
    }
    statements
}

/// True for a line that is meant as a header, also where one of its brackets is missing.
fn is_header(line: &str) -> bool {
    let bare = line.split('#').next().unwrap_or_default().trim();
    bare.starts_with('[') || (bare.ends_with(']') && !bare.contains(['=', '[', '{']))
}

/// The key of a `key = value` line, if it looks like one.
pub(super) fn key_of(line: &str) -> Option<&str> {
    let (key, _) = line.split_once('=')?;
    let key = key.trim();
    let bare = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | '.');
    (key.starts_with(|c: char| c.is_ascii_alphabetic()) && key.chars().all(bare)).then_some(key)
}

/// The name in a line such as `[bank.profile]` or `[[source]]`, if it looks like one.
pub(super) fn header_of(line: &str) -> Option<&str> {
    let line = line.split('#').next().unwrap_or_default().trim();
    let inner = line.strip_prefix('[')?.strip_suffix(']')?;
    let inner = inner.strip_prefix('[').and_then(|i| i.strip_suffix(']')).unwrap_or(inner).trim();
    let bare = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | '.' | ' ');
    (inner.starts_with(|c: char| c.is_ascii_alphabetic()) && inner.chars().all(bare)).then_some(inner)
}

/// A statement that may go on in the next line.
struct Open {
    start: usize,
    /// Open brackets with their offsets.
    brackets: Vec<(u8, usize)>,
    /// Inside text in three quotation marks: which, and from where.
    long_text: Option<(&'static str, usize)>,
    /// An opening bracket whose partner is another one.
    mismatch: Option<usize>,
    /// The last character that was neither space nor comment.
    last: u8,
}

impl Open {
    fn new(start: usize) -> Self {
        Self { start, brackets: Vec::new(), long_text: None, mismatch: None, last: b' ' }
    }

    fn is_complete(&self) -> bool {
        self.brackets.is_empty() && self.long_text.is_none()
    }

    /// True when `line` begins a new statement although a bracket is still open.
    fn must_end_before(&self, line: &str) -> bool {
        if self.long_text.is_some() {
            return false;
        }
        let entry = key_of(line).is_some();
        let in_table = self.brackets.iter().any(|(b, _)| *b == b'{');
        // Inside braces `key = value` is at home, if the line before left room for it.
        let has_room = in_table && matches!(self.last, b',' | b'{');
        header_of(line).is_some() || (entry && !has_room)
    }

    fn end(self, at: usize) -> Statement {
        let bracket = self.mismatch.or_else(|| self.brackets.last().map(|(_, at)| *at));
        let unclosed = bracket.or(self.long_text.map(|(_, at)| at));
        Statement { span: self.start..at, kind: Kind::Entry, unclosed }
    }

    /// Follows brackets, texts and comments through one line.
    fn scan(&mut self, line: &str, offset: usize) {
        let bytes = line.as_bytes();
        let mut i = 0;
        while i < bytes.len() {
            if let Some((mark, _)) = self.long_text {
                match find_from(line, i, mark) {
                    Some(at) => {
                        self.long_text = None;
                        self.last = b'"';
                        i = at + mark.len();
                    }
                    None => return,
                }
                continue;
            }
            let b = bytes[i];
            match b {
                b'#' => return,
                b'"' | b'\'' => {
                    let mark = if b == b'"' { "\"\"\"" } else { "'''" };
                    if bytes[i..].starts_with(mark.as_bytes()) {
                        self.long_text = Some((mark, offset + i));
                        i += 3;
                        continue;
                    }
                    i = end_of_text(bytes, i);
                }
                b'[' | b'{' => self.brackets.push((b, offset + i)),
                b']' | b'}' => self.close(if b == b']' { b'[' } else { b'{' }),
                _ => {}
            }
            if !b.is_ascii_whitespace() {
                self.last = b;
            }
            i += 1;
        }
    }

    fn close(&mut self, opener: u8) {
        // A closing bracket without any partner is left to the parser's own complaint.
        let Some(partner) = self.brackets.iter().rposition(|(b, _)| *b == opener) else { return };
        if let Some((_, at)) = self.brackets.get(partner + 1) {
            self.mismatch = self.mismatch.or(Some(*at));
        }
        self.brackets.truncate(partner);
    }
}

/// `str::find` from byte `from` on.
fn find_from(line: &str, from: usize, mark: &str) -> Option<usize> {
    line.get(from..)?.find(mark).map(|at| from + at)
}

/// Index of the closing quotation mark of the one-line text that opens at `from`, or of the last byte.
fn end_of_text(bytes: &[u8], from: usize) -> usize {
    let quote = bytes[from];
    let mut i = from + 1;
    while i < bytes.len() {
        match bytes[i] {
            b'\\' if quote == b'"' => i += 1,
            b if b == quote || b == b'\n' => return i,
            _ => {}
        }
        i += 1;
    }
    bytes.len() - 1
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lines(text: &str) -> Vec<(&str, bool)> {
        split(text).iter().map(|s| (text[s.span.clone()].trim_end(), s.unclosed.is_some())).collect()
    }

    #[test]
    fn brackets_texts_and_comments_are_followed() {
        let text =
            "a = 1 # [\n[bank]\nb = [\n  [40, 1.0], # \" [\n  [60, 0.5],\n]\nc = \"]\\\"[\"\nd = '''\nx = [\n'''\n";
        let expect = [
            ("a = 1 # [", false),
            ("[bank]", false),
            ("b = [\n  [40, 1.0], # \" [\n  [60, 0.5],\n]", false),
            ("c = \"]\\\"[\"", false),
            ("d = '''\nx = [\n'''", false),
        ];
        assert_eq!(lines(text), expect);
    }

    #[test]
    fn an_unclosed_bracket_ends_where_the_next_statement_begins() {
        assert_eq!(lines("s = { a = 1\nc = 2\n"), [("s = { a = 1", true), ("c = 2", false)]);
        assert_eq!(lines("s = {\n a = 1,\n b = 2 }\nc = 2\n"), [("s = {\n a = 1,\n b = 2 }", false), ("c = 2", false)]);
        assert_eq!(lines("s = [\"a\",\n[[source]]\n"), [("s = [\"a\",", true), ("[[source]]", false)]);
        assert_eq!(lines("s = { a = [1 }\n"), [("s = { a = [1 }", true)]);
        assert_eq!(lines("s = \"\"\"x\ny = 1"), [("s = \"\"\"x\ny = 1", true)]);
    }

    proptest! {
        #[test]
        fn any_text_is_covered_without_gaps(text in "[a-c=\\[\\]{}\"'#,\\\\ \nä]{0,200}") {
            let mut at = 0;
            for s in split(&text) {
                prop_assert_eq!(s.span.start, at);
                at = s.span.end;
            }
            prop_assert_eq!(at, text.len());
        }
    }
}
