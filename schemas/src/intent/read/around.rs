//! The smaller sections: vessel, loads, AC sources, links and the sensors' accuracy.

use super::VALID_FROM;
use super::context::{Context, Section, valid_from};
use super::signals::{self, Measure, SignalKey, own, shared};
use super::source::BANK;
use crate::intent::model::{AcSource, AcSourceKind, Accuracy, AccuracyOf, Link, Load, Vessel};
use crate::toml_read::{Item, Key, Limits, Table, did_you_mean, key};

const VESSEL_NAME: Key = key("name", "what the vessel is called", "\"Sandpiper\"");
const TIME_ZONE: Key = key("time_zone", "the time zone for display", "\"Europe/Lisbon\"");
const LOAD_NAME: Key = key("name", "what this load is called", "\"house DC\"");
const LOAD_SIGNALS: Key =
    key("signals", "which channel measures the load", "{ current = \"can0/n2k/127751/9/dc_current\" }");
const LOAD_CURRENT: SignalKey =
    own("current", "its current out of the DC bus", "\"can0/n2k/127751/9/dc_current\"", Measure::Current);
const AC_NAME: Key = key("name", "what this AC source is called", "\"genset\"");
const AC_KIND: Key = key("kind", "what sort of AC source it is", "\"genset\"");
const AC_VOLTS: Key = key("nominal_v", "its nominal volts", "230");
const AC_HERTZ: Key = key("nominal_hz", "its nominal frequency in Hz", "50");
const AC_LIMIT: Key = key("limit_a", "its breaker or rating in A", "63");
const AC_PARALLEL: Key = key("parallel", "whether it is meant to run in parallel with another source", "true");
const AC_SIGNALS: Key = key("signals", "which channels measure it", "{ voltage = \"can0/n2k/127504/0/voltage\" }");
const FROM: Key = key("from", "the bank that it draws from", "\"main bank\"");
const TO: Key = key("to", "the bank that it feeds", "\"house bank\"");
const LINK_SIGNALS: Key =
    key("signals", "which channels measure the link", "{ current = \"can0/n2k/127751/7/dc_current\" }");

const fn ac(name: &'static str, what: &'static str, example: &'static str, measure: Measure) -> SignalKey {
    shared(name, what, example, measure)
}

/// The names are [`crate::intent::AC_SOURCE_SIGNALS`]. An AC line may feed several devices that name it.
pub(super) const AC_KEYS: &[SignalKey] = &[
    ac("voltage", "its volts", "\"can0/n2k/127504/0/voltage\"", Measure::Voltage),
    ac("frequency", "its frequency", "\"can0/n2k/127504/0/frequency\"", Measure::Frequency),
    ac("phase", "its phase angle against the other source", "\"can0/dbc/sync/phase\"", Measure::Any),
    ac("breaker", "whether its breaker is closed", "\"can0/dbc/sync/breaker\"", Measure::Any),
    ac("power", "its power", "\"can0/n2k/127504/0/real_power\"", Measure::Power),
    ac("current", "its current", "\"can0/n2k/127504/0/current\"", Measure::Current),
    ac("fuel_rate", "the fuel that its engine burns", "\"can0/n2k/127489/2/fuel_rate\"", Measure::Any),
];

const LINK_KEYS: &[SignalKey] = &[
    own("current", "its current into the bank that it feeds", "\"can0/n2k/127751/7/dc_current\"", Measure::Current),
    own("voltage", "the volts of its output", "\"can0/n2k/127751/7/dc_voltage\"", Measure::Voltage),
    own("state", "the state that it reports", "\"can0/n2k/127507/7/operating_state\"", Measure::State),
];

/// Reads `[vessel]`. Its `valid_from` is read and has no meaning: a vessel is one vessel.
pub(super) fn vessel(t: &Table<'_>) -> Option<Vessel> {
    let name = t.need(VESSEL_NAME).and_then(|i| i.text()).map(str::to_owned);
    let time_zone = t.take(TIME_ZONE).and_then(|i| time_zone(&i));
    t.take(VALID_FROM).and_then(|i| i.time());
    Some(Vessel { name: name?, time_zone })
}

/// The areas of the IANA time zone database (its file `theory.html`, "Timezone identifiers"; from memory).
const AREAS: &[&str] = &[
    "Africa",
    "America",
    "Antarctica",
    "Arctic",
    "Asia",
    "Atlantic",
    "Australia",
    "Etc",
    "Europe",
    "Indian",
    "Pacific",
];

fn time_zone(item: &Item<'_>) -> Option<String> {
    let text = item.text()?;
    if matches!(text, "UTC" | "GMT") {
        return Some(text.to_owned());
    }
    let (area, place) = text.split_once('/').unwrap_or((text, ""));
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '/' | '_' | '-' | '+');
    if AREAS.contains(&area) && !place.is_empty() && !place.ends_with('/') && place.chars().all(plain) {
        return Some(text.to_owned());
    }
    let place = place.trim().replace(' ', "_");
    let fix = match did_you_mean(area, AREAS.iter().copied()) {
        Some(area) if !place.is_empty() && place.chars().all(plain) => item.write(&format!("\"{area}/{place}\"")),
        _ => "write the area and the city as in `time_zone = \"Europe/Lisbon\"`, or `time_zone = \"UTC\"`".to_owned(),
    };
    item.wrong("this is no time zone of the form `Area/City`", &fix);
    None
}

/// Reads one `[[load]]`.
pub(super) fn load<'a>(ctx: &mut Context<'a>, t: &Table<'a>) -> Option<Load> {
    let (name, valid_from) = ctx.name(Section::Load, t, LOAD_NAME);
    let owner = name.as_ref().map_or("a load".to_owned(), |n| format!("load \"{n}\""));
    let bank = ctx.bank(t, BANK);
    let current = t.take(LOAD_SIGNALS).and_then(|i| i.table(|s| signals::take(ctx, &owner, s, LOAD_CURRENT)).flatten());
    Some(Load { name: name?, bank: bank?, current, valid_from })
}

/// Reads one `[[ac_source]]`.
pub(super) fn ac_source<'a>(ctx: &mut Context<'a>, t: &Table<'a>) -> Option<AcSource> {
    let (name, valid_from) = ctx.name(Section::AcSource, t, AC_NAME);
    let owner = name.as_ref().map_or("an ac_source".to_owned(), |n| format!("ac_source \"{n}\""));
    let kind = t.need(AC_KIND).and_then(|i| i.word(AcSourceKind::ALL, AcSourceKind::text));
    let nominal_v = t.take(AC_VOLTS).and_then(|i| i.number(Limits::within(50.0, 1000.0, "V")));
    let nominal_hz = t.take(AC_HERTZ).and_then(|i| i.number(Limits::within(16.0, 500.0, "Hz")));
    let limit_a = t.take(AC_LIMIT).and_then(|i| i.number(Limits::positive(1e5, "A")));
    let parallel = t.take(AC_PARALLEL).and_then(|i| i.flag()).unwrap_or(false);
    let signals =
        t.take(AC_SIGNALS).and_then(|i| i.table(|s| signals::take_all(ctx, &owner, s, AC_KEYS))).unwrap_or_default();
    Some(AcSource { name: name?, kind: kind?, nominal_v, nominal_hz, limit_a, parallel, signals, valid_from })
}

/// Reads one `[[link]]`.
pub(super) fn link<'a>(ctx: &mut Context<'a>, t: &Table<'a>) -> Option<Link> {
    let valid_from = valid_from(t);
    let from = bank_end(ctx, t, FROM);
    let to_item = t.take(TO);
    let to = bank_end(ctx, t, TO);
    let owner = match (&from, &to) {
        (Some(from), Some(to)) => format!("link from \"{from}\" to \"{to}\""),
        _ => "a link".to_owned(),
    };
    if let (Some(from), Some(to), Some(item)) = (&from, &to, to_item) {
        if from == to {
            item.wrong("this link leads from a bank to itself", "write the name of the other bank");
        }
        ctx.remember(Section::Link, format!("{from} to {to}"), valid_from, item);
    }
    let signals = t
        .take(LINK_SIGNALS)
        .and_then(|i| i.table(|s| signals::take_all(ctx, &owner, s, LINK_KEYS)))
        .unwrap_or_default();
    Some(Link { from: from?, to: to?, signals, valid_from: valid_from.flatten() })
}

fn bank_end<'a>(ctx: &mut Context<'a>, t: &Table<'a>, key: Key) -> Option<String> {
    let item = t.need(key)?;
    let name = item.text()?.to_owned();
    ctx.refer(item, name.clone(), &[Section::Bank]);
    Some(name)
}

/// Reads `[accuracy]`; what it leaves out keeps its default. Its `valid_from` is read and has no meaning yet.
pub(super) fn accuracy(t: &Table<'_>) -> Option<Accuracy> {
    const CURRENT: Key = key("current", "how exact current sensors are", "{ percent = 0.5, floor = 0.5 }");
    const VOLTAGE: Key = key("voltage", "how exact voltage sensors are, in V", "{ floor = 0.05 }");
    const TEMPERATURE: Key = key("temperature", "how exact temperature sensors are, in K", "{ floor = 1.0 }");
    t.take(VALID_FROM).and_then(|i| i.time());
    let d = Accuracy::default();
    let of = |key, default| t.take(key).map_or(Some(default), |i| i.table(accuracy_of).flatten());
    let (current, voltage, temperature) =
        (of(CURRENT, d.current), of(VOLTAGE, d.voltage), of(TEMPERATURE, d.temperature));
    Some(Accuracy { current: current?, voltage: voltage?, temperature: temperature? })
}

fn accuracy_of(t: &Table<'_>) -> Option<AccuracyOf> {
    const PERCENT: Key = key("percent", "one standard uncertainty in per cent of the value", "0.5");
    const FLOOR: Key = key("floor", "one standard uncertainty near zero, in the unit of the value", "0.5");
    let percent = t.take(PERCENT).map_or(Some(0.0), |i| i.number(Limits::within(0.0, 50.0, "%")));
    let floor = t.take(FLOOR).map_or(Some(0.0), |i| i.number(Limits::within(0.0, 1000.0, "")));
    let read = AccuracyOf { percent: percent?, floor: floor? };
    if read.percent == 0.0 && read.floor == 0.0 {
        t.wrong("no sensor is exact", "write `percent`, `floor` or both, e.g. `{ percent = 0.5, floor = 0.5 }`");
        return None;
    }
    Some(read)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intent::AC_SOURCE_SIGNALS;

    #[test]
    fn the_ac_signals_are_those_of_the_model() {
        let names: Vec<&str> = AC_KEYS.iter().map(|s| s.key.name).collect();
        assert_eq!(names, AC_SOURCE_SIGNALS);
    }
}
