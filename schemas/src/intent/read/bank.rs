//! `[bank]`, or several `[[bank]]`.

use super::VALID_FROM;
use super::context::{Cells, Context, Section};
use super::profile;
use super::signals::{self, Measure, SignalKey, own};
use crate::intent::Chemistry;
use crate::intent::model::{Bank, BankSignals, Signal};
use crate::toml_read::{Item, Key, Limits, Table, key};
use std::collections::BTreeSet;

/// The name of a vessel's only bank, when the file gives it none.
pub(super) const ONLY_BANK: &str = "bank";

const NAME: Key = key("name", "what this bank is called", "\"main bank\"");
const CHEMISTRY: Key = key("chemistry", "the chemistry of its cells", "\"lfp\"");
const NOMINAL_V: Key = key("nominal_v", "its nominal volts", "51.2");
const CELLS: Key = key("cells_in_series", "how many cells stand in series", "16");
const CAPACITY: Key = key("capacity_ah", "its rated capacity in Ah", "560");
const MAX_CHARGE: Key = key("max_charge_a", "the highest charge current it may get, in A", "280");
const SIGNALS: Key = key(
    "signals",
    "which channels measure the bank",
    "{ voltage = \"can0/n2k/127508/0/battery_voltage\", current = \"can0/n2k/127508/0/battery_current\" }",
);
const PROFILE: Key = key("profile", "its charge profile", "[bank.profile]");
const TEMPERATURE: Key = key("temperature", "its temperature limits", "[bank.temperature]");

/// What people call the chemistries; only names that leave no doubt.
const CHEMISTRY_NAMES: &[(&str, &str)] = &[
    ("lifepo4", "lfp"),
    ("lifepo", "lfp"),
    ("lithium iron phosphate", "lfp"),
    ("titanate", "lto"),
    ("wet", "flooded"),
];

const VOLTAGE_SIGNAL: SignalKey =
    own("voltage", "the bank's volts", "\"can0/n2k/127508/0/battery_voltage\"", Measure::Voltage);
const CURRENT_SIGNAL: SignalKey = own(
    "current",
    "the bank's net current, into the bank positive",
    "\"can0/n2k/127508/0/battery_current\"",
    Measure::Current,
);
const TEMPERATURE_SIGNAL: SignalKey =
    own("temperature", "the bank's temperatures", "[\"can0/n2k/127508/0/battery_temperature\"]", Measure::Temperature);
const SOC_SIGNAL: SignalKey = own(
    "state_of_charge",
    "the state of charge that the battery reports",
    "\"can0/n2k/127506/0/state_of_charge\"",
    Measure::StateOfCharge,
);

const fn further(name: &'static str, what: &'static str, measure: Measure) -> SignalKey {
    own(name, what, "\"can0/dbc/pack_limits/charge_current_limit\"", measure)
}

/// The bank's further signals; the names are [`crate::intent::FURTHER_BANK_SIGNALS`].
pub(super) const FURTHER: &[SignalKey] = &[
    further("charge_current_limit", "the charge current that the battery allows now", Measure::Current),
    further("charge_voltage_limit", "the charge voltage that the battery allows now", Measure::Voltage),
    further("discharge_current_limit", "the discharge current that the battery allows now", Measure::Current),
    further("charge_permitted", "whether the battery allows charging", Measure::Any),
    further("contactor", "whether the battery's contactor is closed", Measure::Any),
    further("precharge", "whether the battery pre-charges the DC bus", Measure::Any),
    further("cell_voltage_min", "the lowest cell voltage", Measure::Voltage),
    further("cell_voltage_max", "the highest cell voltage", Measure::Voltage),
    further("cell_temperature_min", "the lowest cell temperature", Measure::Temperature),
    further("cell_temperature_max", "the highest cell temperature", Measure::Temperature),
    further("isolation_resistance", "the insulation resistance", Measure::Any),
];

/// Reads one bank. With `several`, it must have a name.
pub(super) fn bank<'a>(ctx: &mut Context<'a>, t: &Table<'a>, several: bool) -> Option<Bank> {
    let (name, valid_from) = if several || t.has(NAME.name) {
        ctx.name(Section::Bank, t, NAME)
    } else {
        t.take(NAME);
        (Some(ONLY_BANK.to_owned()), t.take(VALID_FROM).and_then(|i| i.time()))
    };
    let chemistry = t.need(CHEMISTRY).and_then(|i| i.word_or(Chemistry::ALL, Chemistry::text, CHEMISTRY_NAMES));
    let nominal_v = t.need(NOMINAL_V).and_then(|i| i.number(Limits::positive(1500.0, "V")));
    let cells_item = t.need(CELLS);
    let cells_in_series = cells_item.as_ref().and_then(|i| i.whole(Limits::within(1.0, 1000.0, "cells")));
    let capacity_ah = t.need(CAPACITY).and_then(|i| i.number(Limits::positive(1e6, "Ah")));
    let max_charge_a = t.take(MAX_CHARGE).and_then(|i| i.number(Limits::positive(1e5, "A")));

    let cells = match (chemistry, cells_in_series, nominal_v, &cells_item) {
        (Some(chemistry), Some(n), Some(volts), Some(item)) => plausible_cells(item, chemistry, n, volts),
        _ => None,
    };
    if let Some(name) = &name {
        ctx.remember_bank(name, cells);
    }
    let owner = name.as_ref().map_or("the bank".to_owned(), |n| format!("bank \"{n}\""));
    let signals = t.take(SIGNALS).and_then(|i| i.table(|s| bank_signals(ctx, &owner, s))).unwrap_or_default();
    let profile = profile::profile(t.take(PROFILE), cells, capacity_ah, max_charge_a);
    let temperature = profile::temperature(t.take(TEMPERATURE), chemistry);
    Some(Bank {
        name: name?,
        chemistry: chemistry?,
        nominal_v: nominal_v?,
        cells_in_series: cells_in_series?,
        capacity_ah: capacity_ah?,
        max_charge_a,
        signals,
        profile: profile?,
        temperature: temperature?,
        valid_from,
    })
}

/// Cells in series times the chemistry's nominal voltage must be about the bank's nominal voltage. Within
/// 25 %: names of nominal voltages are generous (48 V for 51.2 V, 12 V for 12.8 V; common practice, no source).
fn plausible_cells(item: &Item<'_>, chemistry: Chemistry, n: u32, volts: f64) -> Option<Cells> {
    let per_cell = chemistry.defaults().nominal_v;
    let expected = f64::from(n) * per_cell;
    if (expected / volts - 1.0).abs() <= 0.25 {
        return Some(Cells { chemistry, in_series: f64::from(n) });
    }
    let fitting = (volts / per_cell).round().max(1.0);
    let problem = format!(
        "{n} {chemistry} {} in series {} about {expected:.1} V, but `nominal_v` is {volts}",
        if n == 1 { "cell" } else { "cells" },
        if n == 1 { "makes" } else { "make" },
    );
    let block = if chemistry.is_lead_acid() { "; count cells, not batteries: a 12 V battery has 6" } else { "" };
    let fix = format!("{} if the {volts} V are right{block}", item.write(&fitting.to_string()));
    item.wrong(&problem, &fix);
    None
}

fn bank_signals<'a>(ctx: &mut Context<'a>, owner: &str, s: &Table<'a>) -> BankSignals {
    BankSignals {
        voltage: signals::take(ctx, owner, s, VOLTAGE_SIGNAL),
        current: signals::take(ctx, owner, s, CURRENT_SIGNAL),
        temperature: s.take(TEMPERATURE_SIGNAL.key).map_or(Vec::new(), |i| temperatures(ctx, owner, &i)),
        state_of_charge: signals::take(ctx, owner, s, SOC_SIGNAL),
        further: signals::take_all(ctx, owner, s, FURTHER),
    }
}

/// One address or a list of them, each once.
fn temperatures<'a>(ctx: &mut Context<'a>, owner: &str, item: &Item<'a>) -> Vec<Signal> {
    if !item.is_list() {
        return signals::signal(ctx, owner, TEMPERATURE_SIGNAL, item).into_iter().collect();
    }
    let mut read: Vec<Signal> = Vec::new();
    let mut seen = BTreeSet::new();
    for member in item.list().unwrap_or_default() {
        let Some(signal) = signals::signal(ctx, owner, TEMPERATURE_SIGNAL, &member) else { continue };
        if !seen.insert(signal.address.clone()) {
            member.wrong("this sensor is in the list twice", "take one of the two out");
        }
        read.push(signal);
    }
    read
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intent::FURTHER_BANK_SIGNALS;

    #[test]
    fn the_further_signals_are_those_of_the_model() {
        let names: Vec<&str> = FURTHER.iter().map(|s| s.key.name).collect();
        assert_eq!(names, FURTHER_BANK_SIGNALS);
    }
}
