//! What only the whole file can tell: names that are there twice, references to names that are not there, and
//! signals that are given to two devices.

use super::VALID_FROM;
use crate::intent::Chemistry;
use crate::time::Timestamp;
use crate::toml_read::{Item, Key, MOST_REPORTED, Table, did_you_mean, quoted};
use std::collections::{BTreeMap, BTreeSet};

/// The sections that have names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Section {
    Bank,
    Source,
    Load,
    AcSource,
    Link,
    Requirement,
}

impl Section {
    fn noun(self) -> &'static str {
        match self {
            Self::Bank => "bank",
            Self::Source => "source",
            Self::Load => "load",
            Self::AcSource => "ac_source",
            Self::Link => "link",
            Self::Requirement => "requirement",
        }
    }
}

struct Named<'a> {
    section: Section,
    name: String,
    /// `None` where the file says something that is no time.
    valid_from: Option<Option<Timestamp>>,
    item: Item<'a>,
}

struct Reference<'a> {
    item: Item<'a>,
    name: String,
    /// In which sections the name may be found.
    among: &'static [Section],
}

struct Use<'a> {
    address: String,
    /// Whose signal it is, for the text: `source "deck solar"`.
    owner: String,
    item: Item<'a>,
}

/// What a bank's voltages are judged by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cells {
    pub(super) chemistry: Chemistry,
    pub(super) in_series: f64,
}

/// From when a section holds: `Some(None)` for always, `None` where that cannot be read.
pub(super) fn valid_from(t: &Table<'_>) -> Option<Option<Timestamp>> {
    t.take(VALID_FROM).map_or(Some(None), |item| item.time().map(Some))
}

/// Gathered while the sections are read.
#[derive(Default)]
pub(super) struct Context<'a> {
    names: Vec<Named<'a>>,
    /// Sections whose name could not be read: a reference may mean one of them.
    nameless: BTreeSet<Section>,
    references: Vec<Reference<'a>>,
    uses: Vec<Use<'a>>,
    /// Per name of a bank, `None` where that could not be read.
    banks: BTreeMap<String, Option<Cells>>,
}

impl<'a> Context<'a> {
    /// Reads a section's name and `valid_from` and remembers them.
    pub(super) fn name(&mut self, section: Section, t: &Table<'a>, key: Key) -> (Option<String>, Option<Timestamp>) {
        let valid_from = valid_from(t);
        let item = t.need(key);
        let name = item.as_ref().and_then(|i| i.text()).map(str::to_owned);
        match (item, &name) {
            (Some(item), Some(name)) => self.remember(section, name.clone(), valid_from, item),
            _ => {
                self.nameless.insert(section);
            }
        }
        (name, valid_from.flatten())
    }

    /// Remembers a name that was read otherwise.
    pub(super) fn remember(
        &mut self,
        section: Section,
        name: String,
        valid_from: Option<Option<Timestamp>>,
        item: Item<'a>,
    ) {
        self.names.push(Named { section, name, valid_from, item });
    }

    pub(super) fn remember_bank(&mut self, name: &str, cells: Option<Cells>) {
        self.banks.entry(name.to_owned()).or_insert(cells);
    }

    /// The cells of a bank, if it is there and could be read.
    pub(super) fn cells_of(&self, bank: &str) -> Option<Cells> {
        self.banks.get(bank).copied().flatten()
    }

    pub(super) fn has_several_banks(&self) -> bool {
        self.banks.len() > 1
    }

    /// The bank that a section belongs to: what it says, else the only one.
    pub(super) fn bank(&mut self, t: &Table<'a>, key: Key) -> Option<String> {
        if let Some(item) = t.take(key) {
            let name = item.text()?.to_owned();
            self.refer(item, name.clone(), &[Section::Bank]);
            return Some(name);
        }
        let mut names = self.banks.keys();
        match (names.next(), names.next()) {
            (Some(only), None) => Some(only.clone()),
            (None, _) => Some(super::bank::ONLY_BANK.to_owned()),
            (Some(first), Some(_)) => {
                let problem = "this vessel has several banks, and this section does not say which one it belongs to";
                t.wrong_by_absence(
                    &[key.name],
                    problem,
                    &format!("add `bank = \"{first}\"` or another bank's name to {}", t.label()),
                );
                None
            }
        }
    }

    /// Notes that `name` must be the name of a section.
    pub(super) fn refer(&mut self, item: Item<'a>, name: String, among: &'static [Section]) {
        self.references.push(Reference { item, name, among });
    }

    /// Notes that a signal belongs to `owner` alone.
    pub(super) fn owns(&mut self, owner: &str, address: String, item: Item<'a>) {
        self.uses.push(Use { address, owner: owner.to_owned(), item });
    }

    /// The checks across sections.
    pub(super) fn check(&mut self) {
        self.check_names();
        let known: BTreeSet<(Section, &str)> = self.names.iter().map(|n| (n.section, n.name.as_str())).collect();
        let found = |r: &&Reference<'a>| {
            let bank = r.among.contains(&Section::Bank) && self.banks.contains_key(&r.name);
            bank || r.among.iter().any(|s| known.contains(&(*s, r.name.as_str())) || self.nameless.contains(s))
        };
        for (n, r) in self.references.iter().filter(|r| !found(r)).enumerate() {
            // Looking for what was meant takes its time; beyond what is reported nobody reads it.
            self.report_reference(r, &known, n < MOST_REPORTED);
        }
        self.check_uses();
    }

    fn check_names(&mut self) {
        self.names.sort_by_key(|n| n.item.offset());
        let same_time = |a: &Named<'_>, b: &Named<'_>| a.valid_from.is_some() && a.valid_from == b.valid_from;
        let mut seen: BTreeMap<(Section, &str), Vec<&Named<'_>>> = BTreeMap::new();
        for n in &self.names {
            let earlier = seen.entry((n.section, &n.name)).or_default();
            let requirement = n.section == Section::Requirement;
            if let Some(first) = earlier.iter().find(|e| requirement || same_time(e, n)) {
                let problem = format!(
                    "{} is already the name of the {} in line {}{}",
                    quoted(&n.name),
                    n.section.noun(),
                    first.item.line(),
                    if requirement { "" } else { ", which holds from the same time on" },
                );
                let fix = match n.section {
                    Section::Requirement => "give each requirement an id of its own",
                    Section::Link => {
                        "say from when the second one holds with `valid_from = 2026-05-01T00:00:00Z`, or take it out"
                    }
                    _ => {
                        "give it another name; if it replaces the first one, say from when with `valid_from = 2026-05-01T00:00:00Z`"
                    }
                };
                n.item.wrong(&problem, fix);
            }
            earlier.push(n);
        }
    }

    fn report_reference(&self, r: &Reference<'a>, known: &BTreeSet<(Section, &str)>, suggest: bool) {
        let candidates = known.iter().filter(|(s, _)| suggest && r.among.contains(s));
        let candidates: Vec<&str> = candidates.map(|(_, name)| *name).collect();
        let nouns: Vec<&str> = r.among.iter().map(|s| s.noun()).collect();
        let problem = format!("there is no {} with the name {}", nouns.join(" or "), quoted(&r.name));
        let elsewhere = self.names.iter().find(|n| n.name == r.name && n.section != Section::Requirement);
        let fix = match (did_you_mean(&r.name, candidates.iter().copied()), elsewhere) {
            (Some(meant), _) => r.item.write(&format!("\"{meant}\"")),
            (None, Some(n)) => {
                let (wanted, is) = (nouns.join(" or "), n.section.noun());
                format!("write the name of one {wanted}; this is the name of one {is}")
            }
            (None, None) if r.among == [Section::Bank] && candidates.is_empty() => {
                format!("leave it out, or give the bank this name: `name = \"{}\"`", r.name)
            }
            (None, None) if candidates.is_empty() => format!("add the section `[[{}]]` for it", nouns[0]),
            (None, None) => {
                let list: Vec<String> = candidates.iter().take(12).map(|c| format!("\"{c}\"")).collect();
                format!("write one of {}", list.join(", "))
            }
        };
        r.item.wrong_by_absence(&["name"], &problem, &fix);
    }

    /// Which sensor belongs to which device is exactly what this file says: nothing may belong to two. The same
    /// signal of the same device may come again in a later section of that name.
    fn check_uses(&mut self) {
        self.uses.sort_by_key(|u| u.item.offset());
        let mut first: BTreeMap<&str, &Use<'_>> = BTreeMap::new();
        for u in &self.uses {
            let Some(f) = first.get(u.address.as_str()) else {
                first.insert(&u.address, u);
                continue;
            };
            let (key, first_key) = (u.item.key().name, f.item.key().name);
            if f.owner == u.owner && first_key == key {
                continue;
            }
            let owner = if f.owner == u.owner { "the same section".to_owned() } else { f.owner.clone() };
            u.item.wrong(
                &format!("this signal is already the `{first_key}` of {owner} (line {})", f.item.line()),
                "each sensor belongs to one thing: correct one of the two addresses, or leave out the one that has no sensor of its own",
            );
        }
    }
}
