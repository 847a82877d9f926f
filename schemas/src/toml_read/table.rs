//! A table that remembers which keys were asked for.

use super::doc::Doc;
use super::item::Item;
use super::mistake::quoted;
use super::nearest::nearest;
use super::{Key, key};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeString, DeTable, DeValue};

/// A table of the file. What is known in it is what was asked for with [`take`](Table::take) and its kin.
#[derive(Debug)]
pub struct Table<'a> {
    pub(super) doc: &'a Doc<'a>,
    entries: &'a DeTable<'a>,
    /// As the file names it: `[bank.profile]`, `[[source]]`, `signals`; empty for the root.
    label: String,
    /// The header, or the whole inline table: where a missing key is reported.
    span: Range<usize>,
    known: RefCell<Vec<&'static str>>,
    missing: RefCell<Vec<Key>>,
}

impl<'a> Table<'a> {
    pub(super) fn root(doc: &'a Doc<'a>, entries: &'a DeTable<'a>) -> Self {
        Self::new(doc, entries, String::new(), doc.first_line())
    }

    pub(super) fn new(doc: &'a Doc<'a>, entries: &'a DeTable<'a>, label: String, span: Range<usize>) -> Self {
        Self { doc, entries, label, span, known: RefCell::default(), missing: RefCell::default() }
    }

    /// The value of a key that may be left out.
    pub fn take(&self, key: Key) -> Option<Item<'a>> {
        let mut known = self.known.borrow_mut();
        if !known.contains(&key.name) {
            known.push(key.name);
        }
        let (k, value) = self.entries.get_key_value(key.name)?;
        Some(Item::new(self.doc, key, k.span(), value))
    }

    /// The value of a key that must be there; reported by [`finish`](Table::finish) if it is not.
    pub fn need(&self, key: Key) -> Option<Item<'a>> {
        let item = self.take(key);
        if item.is_none() {
            self.missing.borrow_mut().push(key);
        }
        item
    }

    /// The sections `[[key]]`, none when there are none. A single `[key]` is reported, and read all the same.
    pub fn sections(&self, key: Key) -> Vec<Item<'a>> {
        self.take(key).map_or(Vec::new(), |item| item.sections(true))
    }

    /// The same where a single `[key]` is as good.
    pub fn one_or_more_sections(&self, key: Key) -> Vec<Item<'a>> {
        self.take(key).map_or(Vec::new(), |item| item.sections(false))
    }

    /// Records a mistake of the table as a whole.
    pub fn wrong(&self, problem: &str, fix: &str) {
        self.doc.record(self.span.start, &self.span, problem, fix);
    }

    /// Records a mistake of the table as a whole that rests on the absence of the keys `of`; it is not said where
    /// one of them may stand in a part of the file that cannot be read.
    pub fn wrong_by_absence(&self, of: &[&'static str], problem: &str, fix: &str) {
        self.doc.record_absence(self.span.start, &self.span, problem, fix, of);
    }

    /// Checks the first line, `schema = "…"`. `this` says what sort of file this should be ("an intent file").
    pub fn schema(&self, schema: &'static str, this: &str) {
        let example = Key { example: schema, ..key("schema", "the kind of file", "") };
        let write = format!("write `schema = \"{schema}\"` as the first line");
        let Some(item) = self.take(example) else {
            let problem = format!("`schema` is missing: it says that this is {this}, and of which version");
            self.wrong_by_absence(&["schema"], &problem, &write);
            return;
        };
        let Some(text) = item.text() else { return };
        if text == schema {
            return;
        }
        let (kind, version) = schema.split_once('/').unwrap_or((schema, ""));
        let problem = match text.split_once('/') {
            Some((k, v)) if k == kind => {
                format!("this file is of version {}, this program reads version {version}", quoted(v))
            }
            Some((k, _)) if k.starts_with("ampwake-") => format!("this should be {this}, but it says {}", quoted(k)),
            _ => format!("`schema` should say that this is {this}"),
        };
        item.wrong(&problem, &write);
    }

    /// Reports keys that nobody asked for, and required ones that are not there. A misspelt required key is one
    /// mistake, not two.
    pub(super) fn finish(self) {
        let known = self.known.take();
        let mut missing = self.missing.take();
        let absent: Vec<&str> = known.iter().copied().filter(|k| !self.entries.contains_key(*k)).collect();
        let known_set: BTreeSet<&str> = known.iter().copied().collect();
        for (k, value) in self.entries {
            let name: &str = k.get_ref();
            if known_set.contains(name) || self.doc.is_full() {
                continue;
            }
            let meant = nearest(name, absent.iter().copied());
            missing.retain(|m| Some(m.name) != meant);
            // Of sections there may be more than one, so a known one may be meant again.
            let again = || nearest(name, known.iter().copied().filter(|_| is_section(value)));
            self.unknown(k, value, meant.or_else(again), &known);
        }
        for key in missing {
            let problem = format!("`{}` is missing: {}", key.name, key.what);
            let fix = match self.label.as_str() {
                "" if key.is_section() => format!("add a section `{}`", key.example),
                "" => format!("add `{} = {}` at the top", key.name, key.example),
                label => format!("add `{} = {}` to {label}", key.name, key.example),
            };
            self.wrong_by_absence(&[key.name], &problem, &fix);
        }
    }

    fn unknown(&self, k: &Spanned<DeString<'_>>, value: &Spanned<DeValue<'_>>, meant: Option<&str>, known: &[&str]) {
        let name: &str = k.get_ref();
        let here = if self.label.is_empty() { "the file's top level" } else { self.label.as_str() };
        let problem = format!("{} is not known in {here}", quoted(name));
        let home = self.doc.homes.iter().find(|(key, home)| *key == name && *home != self.label);
        let fix = match (meant, home) {
            (Some(meant), _) => format!("did you mean `{meant}`?"),
            (None, Some((_, home))) => format!("it belongs in {home}"),
            (None, None) => {
                let mut list: Vec<String> = known.iter().map(|k| format!("`{k}`")).collect();
                list.sort();
                format!("take it out, or put `#` in front of it; known here: {}", list.join(", "))
            }
        };
        if self.label.is_empty() && is_section(value) {
            // What refers to the sections behind this name would seem to refer to nothing.
            self.doc.unread(Some("name"));
        }
        let span = k.span().start..value.span().end.max(k.span().end);
        let span = if is_section(value) { k.span() } else { span };
        self.doc.record(k.span().start, &span, &problem, &fix);
    }

    /// As the file names it.
    pub fn label(&self) -> &str {
        &self.label
    }

    /// True when the key is in the file, known or not.
    pub fn has(&self, name: &str) -> bool {
        self.entries.contains_key(name)
    }
}

fn is_section(value: &Spanned<DeValue<'_>>) -> bool {
    match value.get_ref() {
        DeValue::Table(_) => true,
        DeValue::Array(list) => list.iter().any(|v| matches!(v.get_ref(), DeValue::Table(_))),
        _ => false,
    }
}
