//! `[[source]]`: a charging source.

use super::context::{Context, Section};
use super::profile::{ABSORPTION_V, FLOAT_V, SET_POINT_LOWEST, set_point};
use super::signals::{self, Measure, SignalKey, own, shared};
use crate::intent::model::{AvailableWhen, Coordination, LoadDump, Sense, Source, SourceKind, SourceSignals};
use crate::toml_read::{Item, Key, Limits, Table, key};

const NAME: Key = key("name", "what this source is called", "\"port shore charger\"");
const KIND: Key = key("kind", "what sort of source it is", "\"shore_charger\"");
const RATED: Key = key("rated_a", "its rated output in A", "100");
const SET: Key = key("set_a", "the output in A that it is deliberately set to, below its rating", "80");
const COORDINATION: Key = key("coordination", "how it knows when to charge", "\"networked\"");
const GROUP: Key = key("group", "the sources that share one profile with it", "\"shore pair\"");
pub(super) const BANK: Key = key("bank", "the bank that this belongs to", "\"main bank\"");
const SIGNALS: Key =
    key("signals", "which channels measure the source", "{ current = \"can0/n2k/127751/2/dc_current\" }");
const AVAILABLE: Key =
    key("available_when", "when it has its input", "{ signal = \"can0/n2k/127503/0/voltage\", above = 200 }");
const MAX_C: Key = key("max_c", "its highest temperature in degC", "85");
const SENSE: Key = key("sense", "where it senses the voltage that it regulates", "\"bank\"");
const FED_BY: Key = key("fed_by", "the ac_source that feeds it", "\"genset\"");
const DERATE: Key = key("derate", "what it gives when hot: [degC, fraction of the rating]", "[[40, 1.0], [60, 0.5]]");
const CURVE: Key = key("curve", "what it gives over engine speed: [rpm, A]", "[[1200, 40], [2400, 110]]");
const LOAD_DUMP: Key = key("load_dump", "what protects it when the battery disconnects", "\"clamp\"");
const ABOVE: Key = key("above", "it has its input when the signal is above this", "200");
const BELOW: Key = key("below", "it has its input when the signal is below this", "260");

const CURRENT: SignalKey =
    own("current", "its current into the DC bus", "\"can0/n2k/127751/2/dc_current\"", Measure::Current);
const VOLTAGE: SignalKey =
    own("voltage", "the volts at its terminals", "\"can0/n2k/127751/2/dc_voltage\"", Measure::Voltage);
const STATE: SignalKey =
    own("state", "the charging state that it reports", "\"can0/n2k/127507/2/operating_state\"", Measure::State);
const TEMPERATURE: SignalKey =
    own("temperature", "its temperature", "\"can0/n2k/130316/12/temperature\"", Measure::Temperature);
// What feeds a source may feed another one too.
const INPUT_VOLTAGE: SignalKey =
    shared("input_voltage", "the volts of its AC input", "\"can0/n2k/127503/0/voltage\"", Measure::Voltage);
const INPUT_CURRENT: SignalKey =
    shared("input_current", "the current of its AC input", "\"can0/n2k/127503/0/current\"", Measure::Current);
const INPUT_POWER: SignalKey =
    shared("input_power", "its input power", "\"can0/n2k/127503/0/real_power\"", Measure::Power);
const ENGINE_SPEED: SignalKey =
    shared("engine_speed", "the speed of its engine in rpm", "\"can0/n2k/127488/0/engine_speed\"", Measure::Speed);
const STOP: SignalKey = shared(
    "stop_signal",
    "the battery's signal that stops this source",
    "\"can0/dbc/pack_status/charge_stop\"",
    Measure::Any,
);
const INPUT: SignalKey =
    shared("signal", "the channel that shows whether there is input", "\"can0/n2k/127503/0/voltage\"", Measure::Any);

const AMPS: Limits = Limits::positive(1e5, "A");
const VOLTS: Limits = Limits::positive(10_000.0, "V");

/// Reads one source.
pub(super) fn source<'a>(ctx: &mut Context<'a>, t: &Table<'a>) -> Option<Source> {
    let (name, valid_from) = ctx.name(Section::Source, t, NAME);
    let owner = name.as_ref().map_or("a source".to_owned(), |n| format!("source \"{n}\""));
    let kind = t.need(KIND).and_then(|i| i.word(SourceKind::ALL, SourceKind::text));
    let rated_a = t.need(RATED).and_then(|i| i.number(AMPS));
    let set_a = t.take(SET).and_then(|i| set_below(&i, rated_a));
    let coordination = t.take(COORDINATION).and_then(|i| i.word(Coordination::ALL, Coordination::text));
    let group = t.take(GROUP).and_then(|i| i.text()).map(str::to_owned);
    let bank = ctx.bank(t, BANK);
    let signals = t.take(SIGNALS).and_then(|i| i.table(|s| source_signals(ctx, &owner, s))).unwrap_or_default();
    let available_when = t.take(AVAILABLE).and_then(|i| available(ctx, &owner, &i));
    let max_c = t.take(MAX_C).and_then(|i| i.number(Limits::within(0.0, 400.0, "degC")));
    let (absorption_v, float_v) = own_set_points(ctx, t, bank.as_deref());
    let sense = t.take(SENSE).and_then(|i| i.word(Sense::ALL, Sense::text));
    let fed_by = t.take(FED_BY).and_then(|i| {
        let name = i.text()?.to_owned();
        ctx.refer(i, name.clone(), &[Section::AcSource]);
        Some(name)
    });
    let derate = t.take(DERATE).and_then(|i| i.rising_pairs(Limits::within(-60.0, 400.0, "degC"), Limits::FRACTION));
    let engine_speed = signals::take(ctx, &owner, t, ENGINE_SPEED);
    let curve = t.take(CURVE).and_then(|i| {
        if !t.has(ENGINE_SPEED.key.name) {
            let problem = "`curve` is over engine speed, but `engine_speed` is missing";
            i.wrong(problem, &format!("add `engine_speed = {}`", ENGINE_SPEED.key.example));
        }
        i.rising_pairs(Limits::within(0.0, 50_000.0, "rpm"), Limits::within(0.0, 1e5, "A"))
    });
    let stop_signal = signals::take(ctx, &owner, t, STOP);
    let load_dump = t.take(LOAD_DUMP).and_then(|i| i.word(LoadDump::ALL, LoadDump::text));
    Some(Source {
        name: name?,
        kind: kind?,
        rated_a: rated_a?,
        set_a,
        coordination,
        group,
        bank: bank?,
        signals,
        available_when,
        max_c,
        absorption_v,
        float_v,
        sense,
        fed_by,
        derate: derate.unwrap_or_default(),
        engine_speed,
        curve: curve.unwrap_or_default(),
        stop_signal,
        load_dump,
        valid_from,
    })
}

fn set_below(item: &Item<'_>, rated_a: Option<f64>) -> Option<f64> {
    let set = item.number(AMPS)?;
    if let Some(rated) = rated_a
        && set > rated
    {
        let problem = format!(
            "`set_a` = {set} A is above `rated_a` = {rated} A: it is for a source that is deliberately set lower"
        );
        item.wrong(&problem, "correct one of the two, or leave `set_a` out");
    }
    Some(set)
}

fn source_signals<'a>(ctx: &mut Context<'a>, owner: &str, s: &Table<'a>) -> SourceSignals {
    let mut take = |what| signals::take(ctx, owner, s, what);
    SourceSignals {
        current: take(CURRENT),
        voltage: take(VOLTAGE),
        state: take(STATE),
        temperature: take(TEMPERATURE),
        input_voltage: take(INPUT_VOLTAGE),
        input_current: take(INPUT_CURRENT),
        input_power: take(INPUT_POWER),
    }
}

fn available<'a>(ctx: &mut Context<'a>, owner: &str, item: &Item<'a>) -> Option<AvailableWhen> {
    const ANY: Limits = Limits::within(-1e9, 1e9, "");
    item.table(|t| {
        // `signal` here is the key itself: an address, or a table with `signal` and `scale`.
        let signal = t.need(INPUT.key).and_then(|i| signals::signal(ctx, owner, INPUT, &i));
        let (above, below) = (t.take(ABOVE), t.take(BELOW));
        if above.is_none() && below.is_none() {
            t.wrong(
                "`available_when` does not say when",
                "add `above = 200`, or `below = …`, in the signal's own unit",
            );
        }
        let low = above.and_then(|i| i.number(ANY));
        let high = below.as_ref().and_then(|i| i.number(ANY));
        if let (Some(low), Some(high), Some(item)) = (low, high, &below)
            && low >= high
        {
            item.wrong(
                &format!("nothing is above {low} and below {high} at once"),
                "`above` is the lower limit and `below` the upper one; exchange them or leave one out",
            );
        }
        Some(AvailableWhen { signal: signal?, above: low, below: high })
    })
    .flatten()
}

/// The set-points that a source has of its own; they must suit the cells that they charge.
fn own_set_points<'a>(ctx: &Context<'a>, t: &Table<'a>, bank: Option<&str>) -> (Option<f64>, Option<f64>) {
    let cells = bank.and_then(|b| ctx.cells_of(b));
    let read = |key| {
        let item = t.take(key)?;
        let volts = item.number(VOLTS)?;
        if let Some(cells) = cells {
            set_point(&item, volts, cells, SET_POINT_LOWEST);
        }
        Some((item, volts))
    };
    let absorption = read(ABSORPTION_V);
    let float = read(FLOAT_V);
    if let (Some((_, absorption_v)), Some((item, float_v))) = (&absorption, &float)
        && float_v >= absorption_v
    {
        let problem =
            format!("`float_v` = {float_v} V should be below this source's `absorption_v` = {absorption_v} V");
        item.wrong(&problem, "correct one of the two");
    }
    (absorption.map(|(_, v)| v), float.map(|(_, v)| v))
}
