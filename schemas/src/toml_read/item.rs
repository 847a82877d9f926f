//! One value of the file, read as what it should be. Whatever it is instead is recorded, and read as `None`.

use super::Key;
use super::doc::Doc;
use super::explain::leading_number;
use super::limits::Limits;
use super::mistake::{TEXT_CHARS, is_invisible, quoted, visible};
use super::nearest::nearest;
use super::table::Table;
use crate::time::Timestamp;
use std::ops::Range;
use toml::Spanned;
use toml::de::DeValue;

/// One value with its key.
#[derive(Debug, Clone)]
pub struct Item<'a> {
    pub(super) doc: &'a Doc<'a>,
    pub(super) key: Key,
    /// The key and the value, or the value alone inside a list: what is quoted.
    pub(super) quote: Range<usize>,
    pub(super) value: &'a Spanned<DeValue<'a>>,
    pub(super) in_list: bool,
}

impl<'a> Item<'a> {
    pub(super) fn new(doc: &'a Doc<'a>, key: Key, key_span: Range<usize>, value: &'a Spanned<DeValue<'a>>) -> Self {
        let span = value.span();
        // A section's value begins at its header, before its name.
        let quote = span.start.min(key_span.start)..span.end.max(key_span.end);
        Self { doc, key, quote, value, in_list: false }
    }

    /// The key that it was asked for with.
    pub fn key(&self) -> Key {
        self.key
    }

    /// Line in the file, from 1.
    pub fn line(&self) -> usize {
        self.doc.place(self.value.span().start).0
    }

    /// Where it stands, for the order of two.
    pub fn offset(&self) -> usize {
        self.value.span().start
    }

    /// Records a mistake.
    pub fn wrong(&self, problem: &str, fix: &str) {
        self.doc.record(self.value.span().start, &self.quote, problem, fix);
    }

    /// Records a mistake that rests on the absence of the keys `of` elsewhere; it is not said where one of them
    /// may stand in a part of the file that cannot be read.
    pub fn wrong_by_absence(&self, of: &[&'static str], problem: &str, fix: &str) {
        self.doc.record_absence(self.value.span().start, &self.quote, problem, fix, of);
    }

    /// "write `key = value`", for the fix.
    pub fn write(&self, value: &str) -> String {
        if self.in_list { format!("write `{value}`") } else { format!("write `{} = {value}`", self.key.name) }
    }

    /// Records that the value is of the wrong sort.
    pub(super) fn should_be(&self, what: &str, fix: &str) {
        let problem = format!("`{}`, {}, should be {what}, and this is {}", self.key.name, self.key.what, self.found());
        self.wrong(&problem, fix);
    }

    pub(super) fn for_example(&self) -> String {
        let Key { name, example, .. } = self.key;
        match self.in_list {
            _ if self.key.is_section() => format!("write `{example}` on a line of its own, its keys below it"),
            true => format!("for example `{name} = {example}`"),
            false => format!("write it like this: `{name} = {example}`"),
        }
    }

    fn found(&self) -> &'static str {
        match self.value.get_ref() {
            DeValue::String(_) => "text",
            DeValue::Integer(_) | DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "yes or no",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        }
    }

    /// A finite number within limits. Whole numbers in any TOML notation count.
    pub fn number(&self, limits: Limits) -> Option<f64> {
        let v = match self.value.get_ref() {
            DeValue::Float(f) => f.as_str().parse::<f64>().ok(),
            DeValue::Integer(i) => i128::from_str_radix(i.as_str(), i.radix()).ok().map(|v| v as f64),
            DeValue::String(s) => {
                let fix = leading_number(s.trim()).map(|(n, _)| self.write(&n));
                self.should_be("a number without quotation marks", &fix.unwrap_or_else(|| self.for_example()));
                return None;
            }
            _ => {
                self.should_be("a number", &self.for_example());
                return None;
            }
        };
        let Some(v) = v.filter(|v| v.is_finite()) else {
            self.wrong(&format!("`{}` should be a finite number", self.key.name), &self.for_example());
            return None;
        };
        if limits.hold(v) {
            return Some(v);
        }
        let problem = format!("`{}`, {}, should be {}", self.key.name, self.key.what, limits.text());
        let percent = limits == Limits::FRACTION && v > 1.0 && v <= 100.0;
        let fix = if percent { self.write(&(v / 100.0).to_string()) } else { self.for_example() };
        self.wrong(&problem, &fix);
        None
    }

    /// A whole number within limits, written as one (or as `16.0`).
    pub fn whole(&self, limits: Limits) -> Option<u32> {
        let v = self.number(limits)?;
        if v.fract() == 0.0 && v >= 0.0 && v <= f64::from(u32::MAX) {
            return Some(v as u32);
        }
        let problem = format!("`{}`, {}, should be a whole number", self.key.name, self.key.what);
        self.wrong(&problem, &self.write(&format!("{}", v.round().abs())));
        None
    }

    /// Text that is not empty, has at most 200 characters and neither invisible ones nor spaces at its ends.
    pub fn text(&self) -> Option<&'a str> {
        let DeValue::String(s) = self.value.get_ref() else {
            let plain = matches!(self.value.get_ref(), DeValue::Integer(_) | DeValue::Float(_) | DeValue::Boolean(_));
            let as_text = format!("\"{}\"", self.doc.slice(&self.value.span()));
            let fix = if plain { self.write(&as_text) } else { self.for_example() };
            self.should_be("text in quotation marks", &fix);
            return None;
        };
        let text: &'a str = s;
        if text.trim().is_empty() {
            self.wrong(&format!("`{}`, {}, is empty", self.key.name, self.key.what), &self.for_example());
        } else if text.chars().count() > 200 {
            self.wrong(&format!("`{}` has more than 200 characters", self.key.name), "shorten it");
        } else if text.trim() != text || text.contains(is_invisible) {
            let clean: String = text.trim().chars().filter(|c| !is_invisible(*c)).collect();
            let problem = format!("`{}` has spaces at its ends or invisible characters in it", self.key.name);
            self.wrong(&problem, &self.write(&format!("\"{}\"", visible(&clean, TEXT_CHARS))));
        } else {
            return Some(text);
        }
        None
    }

    /// Yes or no.
    pub fn flag(&self) -> Option<bool> {
        if let DeValue::Boolean(b) = self.value.get_ref() {
            return Some(*b);
        }
        let fix = match self.value.get_ref() {
            DeValue::String(s) if ["yes", "true", "on"].contains(&s.to_lowercase().as_str()) => self.write("true"),
            DeValue::String(s) if ["no", "false", "off"].contains(&s.to_lowercase().as_str()) => self.write("false"),
            _ => self.for_example(),
        };
        self.should_be("`true` or `false`", &fix);
        None
    }

    /// One of the words of a closed list.
    pub fn word<T: Copy>(&self, all: &[T], word: impl Fn(T) -> &'static str) -> Option<T> {
        self.word_or(all, word, &[])
    }

    /// The same, with what people write instead: (their words in small letters, the right word).
    pub fn word_or<T: Copy>(
        &self,
        all: &[T],
        word: impl Fn(T) -> &'static str,
        instead: &[(&str, &'static str)],
    ) -> Option<T> {
        let DeValue::String(s) = self.value.get_ref() else {
            self.should_be("a word in quotation marks", &self.for_example());
            return None;
        };
        if let Some(found) = all.iter().copied().find(|w| word(*w) == s) {
            return Some(found);
        }
        let problem = format!("{} is none of the words for `{}`, {}", quoted(s), self.key.name, self.key.what);
        let lower = s.to_lowercase();
        let known = instead.iter().find(|(theirs, _)| *theirs == lower).map(|(_, right)| *right);
        let fix = match known.or_else(|| nearest(s, all.iter().map(|w| word(*w)))) {
            Some(meant) => self.write(&format!("\"{meant}\"")),
            None => {
                let words: Vec<String> = all.iter().map(|w| format!("\"{}\"", word(*w))).collect();
                format!("write one of {}", words.join(", "))
            }
        };
        self.wrong(&problem, &fix);
        None
    }

    /// A point in time: a TOML date-time with its offset from UTC, or the same as text.
    pub fn time(&self) -> Option<Timestamp> {
        let written = match self.value.get_ref() {
            DeValue::Datetime(t) => t.to_string(),
            DeValue::String(s) => s.trim().to_owned(),
            _ => {
                self.should_be("a date and time", &self.for_example());
                return None;
            }
        };
        // TOML 1.1 lets the seconds be left out, RFC 3339 does not.
        let with_seconds = match written.split_at_checked(16) {
            Some((minute, rest)) if !rest.starts_with(':') => format!("{minute}:00{rest}"),
            _ => written.clone(),
        };
        let read = |t: &str| Timestamp::parse_rfc3339(t).ok();
        if let Some(time) = read(&written).or_else(|| read(&with_seconds)) {
            return Some(time);
        }
        let candidates = [format!("{written}T00:00:00Z"), format!("{written}Z"), format!("{with_seconds}Z")];
        let fix = match candidates.iter().find(|c| read(c).is_some()) {
            Some(right) => self.write(right),
            None => self.for_example(),
        };
        self.wrong(&format!("`{}` should be a date and time with `Z` for UTC behind it", self.key.name), &fix);
        None
    }

    /// A table, read with `body`; afterwards its unknown and its missing keys are reported.
    pub fn table<T>(&self, body: impl FnOnce(&Table<'a>) -> T) -> Option<T> {
        let DeValue::Table(entries) = self.value.get_ref() else {
            self.should_be("a table", &self.for_example());
            return None;
        };
        let span = self.value.span();
        let header = self.doc.slice(&span).starts_with('[');
        let label = if header { self.doc.slice(&span).to_owned() } else { format!("`{}`", self.key.name) };
        let span = if header { span } else { self.quote.clone() };
        let table = Table::new(self.doc, entries, visible(&label, TEXT_CHARS), span);
        let read = body(&table);
        table.finish();
        Some(read)
    }

    /// True for text (an item that may be text or something else).
    pub fn is_text(&self) -> bool {
        matches!(self.value.get_ref(), DeValue::String(_))
    }

    /// True for text of no characters, which [`Item::text`] takes for a mistake.
    pub fn is_empty_text(&self) -> bool {
        matches!(self.value.get_ref(), DeValue::String(s) if s.is_empty())
    }

    /// True for a table.
    pub fn is_table(&self) -> bool {
        matches!(self.value.get_ref(), DeValue::Table(_))
    }

    /// True for a list.
    pub fn is_list(&self) -> bool {
        matches!(self.value.get_ref(), DeValue::Array(_))
    }
}
