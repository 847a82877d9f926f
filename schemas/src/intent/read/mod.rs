//! Reads the intent file: every mistake at once, each with its place and what would be right.
//!
//! One file per part of the intent reads that part; `context` holds what only the whole file can tell (names
//! that are used twice or not at all, signals that belong to two devices).

mod around;
mod bank;
mod context;
mod profile;
mod requirement;
mod signals;
mod source;

use super::SCHEMA;
use super::model::Intent;
use crate::toml_read::{self, Homes, Key, Mistakes, Table, key};
use context::Context;

const VESSEL: Key = key("vessel", "the vessel's name and time zone", "[vessel]");
const BANK: Key = key("bank", "the battery bank", "[bank]");
const LINK: Key = key("link", "a converter or combiner between two banks", "[[link]]");
const SOURCE: Key = key("source", "a charging source", "[[source]]");
const LOAD: Key = key("load", "a load with its own current sensor", "[[load]]");
const AC_SOURCE: Key = key("ac_source", "a genset, shore connection or inverter", "[[ac_source]]");
const REQUIREMENT: Key = key("requirement", "one thing that the design promises", "[[requirement]]");
const ACCURACY: Key = key("accuracy", "how exact the sensors are", "[accuracy]");
const VALID_FROM: Key = key("valid_from", "from when this section holds", "2026-05-01T00:00:00Z");

/// For a key in the wrong section: where it is at home.
const HOMES: Homes = &[
    ("absorption_v", "[bank.profile]"),
    ("float_v", "[bank.profile]"),
    ("rebulk_v", "[bank.profile]"),
    ("tail_a", "[bank.profile]"),
    ("absorption_max_min", "[bank.profile]"),
    ("temp_comp_mv_per_k_cell", "[bank.profile]"),
    ("charge_min_c", "[bank.temperature]"),
    ("charge_max_c", "[bank.temperature]"),
    ("warn_margin_c", "[bank.temperature]"),
    ("rise_max_c_per_min", "[bank.temperature]"),
    ("spread_max_c", "[bank.temperature]"),
    ("chemistry", "[bank]"),
    ("cells_in_series", "[bank]"),
    ("capacity_ah", "[bank]"),
    ("max_charge_a", "[bank]"),
    ("valid_from", "[bank]"),
    ("signals", "[bank], before [bank.profile] and [bank.temperature]"),
    ("time_zone", "[vessel]"),
    ("profile", "[bank]: write [bank.profile]"),
    ("temperature", "[bank]: write [bank.temperature]"),
    ("rated_a", "[[source]]"),
    ("fed_by", "[[source]]"),
    ("limit_a", "[[ac_source]]"),
];

/// Reads the text of an intent file; `file_name` is for the messages.
///
/// # Errors
/// Every mistake of the file, in the order of their places.
pub fn read(file_name: &str, text: &str) -> Result<Intent, Mistakes> {
    toml_read::read(file_name, text, HOMES, intent)
}

fn intent(root: &Table<'_>) -> Option<Intent> {
    root.schema(SCHEMA, "an intent file");
    let mut ctx = Context::default();
    let vessel = root.need(VESSEL).and_then(|v| v.table(around::vessel)).flatten();

    // Banks first: the other sections refer to them.
    let bank_sections = root.one_or_more_sections(BANK);
    if bank_sections.is_empty() {
        root.need(BANK);
    }
    let several = bank_sections.len() > 1;
    let banks = all(&bank_sections, |t| bank::bank(&mut ctx, t, several));
    let sources = all(&root.sections(SOURCE), |t| source::source(&mut ctx, t));
    let loads = all(&root.sections(LOAD), |t| around::load(&mut ctx, t));
    let ac_sources = all(&root.sections(AC_SOURCE), |t| around::ac_source(&mut ctx, t));
    let links = all(&root.sections(LINK), |t| around::link(&mut ctx, t));
    let requirements = all(&root.sections(REQUIREMENT), |t| requirement::requirement(&mut ctx, t));
    let accuracy = match root.take(ACCURACY) {
        Some(item) => item.table(around::accuracy).flatten(),
        None => Some(Default::default()),
    };
    ctx.check();
    Some(Intent {
        vessel: vessel?,
        banks: banks?,
        sources: sources?,
        loads: loads?,
        ac_sources: ac_sources?,
        links: links?,
        requirements: requirements?,
        accuracy: accuracy?,
    })
}

/// Reads each section, the later ones also after a mistake in an earlier one.
fn all<'a, T>(sections: &[toml_read::Item<'a>], mut section: impl FnMut(&Table<'a>) -> Option<T>) -> Option<Vec<T>> {
    let read: Vec<Option<T>> = sections.iter().map(|item| item.table(&mut section).flatten()).collect();
    read.into_iter().collect()
}

#[cfg(test)]
mod tests;
