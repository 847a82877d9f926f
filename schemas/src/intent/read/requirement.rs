//! `[[requirement]]`: what the design promises.

use super::context::{Context, Section};
use super::source::BANK;
use crate::findings::Stage;
use crate::intent::{Limit, Quantity, Requirement};
use crate::toml_read::{Item, Key, Limits, Table, key, quoted};

const ID: Key = key("id", "a short name for this requirement", "\"R1\"");
const TEXT: Key = key("text", "the promise in the designer's own words", "\"the charger holds 90 A\"");
const QUANTITY: Key = key("quantity", "what is measured", "\"source_current\"");
const AT_LEAST: Key = key("at_least", "the lowest value that keeps the promise", "90");
const AT_MOST: Key = key("at_most", "the highest value that keeps the promise", "120");
const UNIT: Key = key("unit", "the unit of the limit", "\"A\"");
const SOURCE: Key = key("source", "the source concerned", "\"port shore charger\"");
const SOURCES: Key = key("sources", "the sources concerned", "[\"port shore charger\", \"stbd shore charger\"]");
const STAGE: Key = key("stage", "the stage in which it is measured", "\"bulk\"");
const HOLD: Key = key("hold_min", "how many minutes a value must be held", "30");
const FROM_SOC: Key = key("from_soc", "the state of charge at the start", "0.2");
const TO_SOC: Key = key("to_soc", "the state of charge at the end", "0.8");

/// How long a value must be held when the file does not say, min.
const DEFAULT_HOLD_MIN: f64 = 30.0;

/// Stages that can be asked for.
const STAGES: &[Stage] =
    &[Stage::Bulk, Stage::Absorption, Stage::Float, Stage::Equalisation, Stage::Rest, Stage::Discharge];

/// Reads one requirement.
pub(super) fn requirement<'a>(ctx: &mut Context<'a>, t: &Table<'a>) -> Option<Requirement> {
    let (id, valid_from) = ctx.name(Section::Requirement, t, ID);
    let text = t.need(TEXT).and_then(|i| i.text()).map(str::to_owned);
    let quantity = t.need(QUANTITY).and_then(|i| i.word(Quantity::ALL, Quantity::text));
    let unit = t.need(UNIT).and_then(|i| unit(&i, quantity));
    let limit = limit(t, quantity, unit);
    let sources = sources(ctx, t, quantity);
    let bank = t.take(BANK).and_then(|i| {
        let name = i.text()?.to_owned();
        ctx.refer(i, name.clone(), &[Section::Bank]);
        Some(name)
    });
    let stage = t.take(STAGE).map_or(Some(Stage::Bulk), |i| i.word(STAGES, Stage::text));
    let hold = Limits::positive(1440.0, "min");
    let hold_min = t.take(HOLD).map_or(Some(DEFAULT_HOLD_MIN), |i| i.number(hold));
    let (from_soc, to_soc) = soc_range(t, quantity);
    if let Some(q) = quantity {
        names_enough(ctx, t, q, bank.is_some() || t.has(BANK.name), t.has(SOURCE.name) || t.has(SOURCES.name));
    }
    Some(Requirement {
        id: id?,
        text: text?,
        quantity: quantity?,
        limit: limit?,
        unit: unit?.to_owned(),
        sources: sources?,
        bank,
        stage: stage?,
        hold_min: hold_min?,
        from_soc,
        to_soc,
        valid_from,
    })
}

/// Which word an engineer may write for a unit that the file spells otherwise.
const OTHER_SPELLINGS: &[(&str, &str)] = &[
    ("c", "degC"),
    ("°c", "degC"),
    ("celsius", "degC"),
    ("minutes", "min"),
    ("mins", "min"),
    ("hours", "h"),
    ("seconds", "s"),
    ("sec", "s"),
    ("amps", "A"),
    ("amp", "A"),
    ("volts", "V"),
    ("percent", "%"),
    ("°", "deg"),
];

fn unit(item: &Item<'_>, quantity: Option<Quantity>) -> Option<&'static str> {
    let quantity = quantity?;
    let units: Vec<&'static str> = quantity.units().iter().map(|(u, _)| *u).collect();
    let text = item.text()?;
    if let Some(unit) = units.iter().find(|u| **u == text) {
        return Some(unit);
    }
    let lower = text.to_lowercase();
    let spelt = OTHER_SPELLINGS.iter().find(|(other, _)| *other == lower).map_or(text, |(_, unit)| unit);
    let meant = units.iter().find(|u| u.eq_ignore_ascii_case(spelt));
    let fix = match (meant, units.as_slice()) {
        (Some(unit), _) | (None, [unit]) => item.write(&format!("\"{unit}\"")),
        (None, units) => {
            format!("write one of {}", units.iter().map(|u| format!("\"{u}\"")).collect::<Vec<_>>().join(", "))
        }
    };
    item.wrong(&format!("{} is no unit of `{quantity}`", quoted(text)), &fix);
    None
}

fn limit(t: &Table<'_>, quantity: Option<Quantity>, unit: Option<&str>) -> Option<Limit> {
    let (least, most) = (t.take(AT_LEAST), t.take(AT_MOST));
    match (least, most) {
        (Some(_), Some(most)) => {
            most.wrong(
                "this requirement has both `at_least` and `at_most`",
                "keep one of the two; for a range write two requirements, each with its own id",
            );
            None
        }
        (Some(item), None) => limit_value(&item, quantity, unit).map(Limit::AtLeast),
        (None, Some(item)) => limit_value(&item, quantity, unit).map(Limit::AtMost),
        (None, None) => {
            let unit = unit.map_or(String::new(), |u| format!(", in {u}"));
            t.wrong_by_absence(
                &[AT_LEAST.name, AT_MOST.name],
                "this requirement has no limit",
                &format!("add `at_least = …` (more is better) or `at_most = …` (less is better){unit}"),
            );
            None
        }
    }
}

fn limit_value(item: &Item<'_>, quantity: Option<Quantity>, unit: Option<&str>) -> Option<f64> {
    let temperature = matches!(quantity, Some(Quantity::BankTemperature | Quantity::SourceTemperature));
    let value = item.number(match unit {
        _ if temperature => Limits::within(-60.0, 400.0, "degC"),
        Some("deg") => Limits::within(0.0, 180.0, "deg"),
        _ => Limits::within(0.0, 1e9, ""),
    })?;
    let name = item.key().name;
    // A generator may be asked to stay below 110 % of its rating; nothing else goes beyond the whole.
    let whole = if quantity == Some(Quantity::GensetLoad) { 1.5 } else { 1.0 };
    match unit {
        Some("fraction") if value > whole => {
            let problem = format!("`{name}` = {value} with the unit `fraction` is {} %", value * 100.0);
            let fix = format!("write `{name} = {}`, or keep {value} and write `unit = \"%\"`", value / 100.0);
            item.wrong(&problem, &fix);
            None
        }
        Some("%") if value > 100.0 * whole => {
            item.wrong(&format!("`{name}` is above {} %", 100.0 * whole), "write per cent of the whole");
            None
        }
        _ => Some(value),
    }
}

/// Quantities of the AC side, where the names of AC sources may stand.
fn is_about_ac(quantity: Quantity) -> bool {
    use Quantity as Q;
    matches!(
        quantity,
        Q::GensetLoad | Q::SpecificFuel | Q::SyncVoltage | Q::SyncFrequency | Q::SyncPhase | Q::TransferTime
    )
}

fn sources<'a>(ctx: &mut Context<'a>, t: &Table<'a>, quantity: Option<Quantity>) -> Option<Vec<String>> {
    let (one, several) = (t.take(SOURCE), t.take(SOURCES));
    let items = match (one, several) {
        (Some(_), Some(several)) => {
            several.wrong("this requirement has both `source` and `sources`", "put all names into `sources`");
            return None;
        }
        (Some(one), None) if one.is_list() => {
            one.wrong("`source` is for one name", "write `sources = […]` for several");
            return None;
        }
        (Some(one), None) => vec![one],
        (None, Some(several)) => several.list()?,
        (None, None) => Vec::new(),
    };
    let among: &'static [Section] = match quantity {
        Some(q) if !is_about_ac(q) => &[Section::Source],
        _ => &[Section::Source, Section::AcSource],
    };
    let mut names: Vec<String> = Vec::new();
    let mut good = true;
    for item in items {
        let Some(name) = item.text() else {
            good = false;
            continue;
        };
        if names.iter().any(|n| n == name) {
            item.wrong("this source is named twice here", "take one of the two out");
        }
        names.push(name.to_owned());
        ctx.refer(item, name.to_owned(), among);
    }
    good.then_some(names)
}

/// `from_soc` and `to_soc` belong to `charge_time`, which cannot do without them.
fn soc_range(t: &Table<'_>, quantity: Option<Quantity>) -> (Option<f64>, Option<f64>) {
    let needed = quantity == Some(Quantity::ChargeTime);
    let take = |key| if needed { t.need(key) } else { t.take(key) };
    let (from, to) = (take(FROM_SOC), take(TO_SOC));
    if let (Some(q), false) = (quantity, needed) {
        for item in [&from, &to].into_iter().flatten() {
            item.wrong(
                &format!("`{}` has no meaning for `{q}`", item.key().name),
                "take it out; it belongs to `charge_time`",
            );
        }
    }
    let from_soc = from.and_then(|i| i.number(Limits::FRACTION));
    let to_soc = to.as_ref().and_then(|i| i.number(Limits::FRACTION));
    if let (Some(a), Some(b), Some(item), true) = (from_soc, to_soc, to, needed)
        && a >= b
    {
        item.wrong(&format!("`to_soc` = {b} should be above `from_soc` = {a}"), "exchange the two");
    }
    (from_soc, to_soc)
}

/// Says what a quantity cannot be measured without.
fn names_enough(ctx: &Context<'_>, t: &Table<'_>, quantity: Quantity, has_bank: bool, has_sources: bool) {
    use Quantity as Q;
    if quantity == Q::ContributionShare && !has_sources {
        t.wrong_by_absence(
            &[SOURCE.name, SOURCES.name],
            "`contribution_share` is the share of one or more sources, and none is named",
            &format!("add `source = {}`", SOURCE.example),
        );
    }
    let of_bank = matches!(
        quantity,
        Q::ChargeTime | Q::BankTemperature | Q::StageVoltage | Q::AbsorptionTime | Q::CellVoltage | Q::BankCapacity
    );
    if of_bank && ctx.has_several_banks() && !has_bank && !has_sources {
        t.wrong_by_absence(
            &[BANK.name],
            &format!("this vessel has several banks, and `{quantity}` does not say of which one"),
            &format!("add `bank = {}`", BANK.example),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn other_spellings_lead_to_units_that_exist() {
        let known: Vec<&str> = Quantity::ALL.iter().flat_map(|q| q.units()).map(|(u, _)| *u).collect();
        for (_, unit) in OTHER_SPELLINGS {
            assert!(known.contains(unit), "{unit}");
        }
    }
}
