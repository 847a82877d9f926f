//! Signals: an address, or a table with an address and a scale, checked against what the key measures.

use super::context::Context;
use crate::channel::{AddressError, ChannelAddress};
use crate::intent::model::Signal;
use crate::toml_read::{Item, Key, Limits, Table, did_you_mean, key, quoted};
use std::collections::BTreeMap;

/// What a signal measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Measure {
    Voltage,
    Current,
    Temperature,
    StateOfCharge,
    State,
    Frequency,
    Power,
    Speed,
    /// Whatever the designer has.
    Any,
}

impl Measure {
    const fn noun(self) -> &'static str {
        match self {
            Self::Voltage => "a voltage",
            Self::Current => "a current",
            Self::Temperature => "a temperature",
            Self::StateOfCharge => "a state of charge",
            Self::State => "an operating state",
            Self::Frequency => "a frequency",
            Self::Power => "a power",
            Self::Speed => "a speed",
            Self::Any => "a value",
        }
    }

    /// What a field measures by its name; `Any` where the name does not clearly say it.
    ///
    /// Field names follow the titles of the standards (see `channel`), so the word for the quantity is in them.
    fn of_field(field: &str) -> Self {
        match field {
            "state_of_charge" => return Self::StateOfCharge,
            "state_of_health" | "power_factor" => return Self::Any,
            _ => {}
        }
        let mut found = field.split('_').filter_map(|word| match word {
            "voltage" | "volts" => Some(Self::Voltage),
            "current" | "amps" => Some(Self::Current),
            "temperature" | "temp" => Some(Self::Temperature),
            "state" | "mode" | "status" => Some(Self::State),
            "frequency" => Some(Self::Frequency),
            "power" => Some(Self::Power),
            "speed" | "rpm" => Some(Self::Speed),
            _ => None,
        });
        match (found.next(), found.next()) {
            (Some(one), None) => one,
            _ => Self::Any,
        }
    }

    /// True unless the field clearly is something else.
    fn admits(self, field: Self) -> bool {
        // Engine speed is often taken from the frequency of the alternator's own phase terminal.
        let speed_from_frequency = self == Self::Speed && field == Self::Frequency;
        self == Self::Any || field == Self::Any || self == field || speed_from_frequency
    }
}

/// A key under `signals`.
#[derive(Debug, Clone, Copy)]
pub(super) struct SignalKey {
    pub(super) key: Key,
    pub(super) measure: Measure,
    /// May be named by several devices (what feeds or stops them), so it identifies none.
    pub(super) shared: bool,
}

/// A signal that belongs to one device alone.
pub(super) const fn own(name: &'static str, what: &'static str, example: &'static str, measure: Measure) -> SignalKey {
    SignalKey { key: key(name, what, example), measure, shared: false }
}

/// A signal that several devices may name.
pub(super) const fn shared(
    name: &'static str,
    what: &'static str,
    example: &'static str,
    measure: Measure,
) -> SignalKey {
    SignalKey { key: key(name, what, example), measure, shared: true }
}

const ADDRESS: Key = key("signal", "the channel's address", "\"can0/n2k/127508/0/battery_current\"");
const SCALE: Key = key("scale", "the factor from the sensor's value to the true one", "-1");
const SCALE_LIMITS: Limits = Limits::within(-1e6, 1e6, "");

/// Protocol words that an address may have.
const PROTOCOLS: &[&str] = &["n2k", "rvc", "j1939", "canopen", "dbc", "nmea0183", "modbus"];

/// Reads one signal of `owner`.
pub(super) fn signal<'a>(ctx: &mut Context<'a>, owner: &str, what: SignalKey, item: &Item<'a>) -> Option<Signal> {
    let read = if item.is_table() {
        item.table(|t| {
            let address = t.need(ADDRESS).and_then(|i| address(&i, what));
            let scale = t.take(SCALE).map_or(Some(1.0), |i| scale(&i));
            Some(Signal { address: address?, scale: scale? })
        })
        .flatten()?
    } else {
        Signal { address: address(item, what)?, scale: 1.0 }
    };
    if !what.shared {
        ctx.owns(owner, read.address.to_string(), item.clone());
    }
    Some(read)
}

/// The signal `what` of a table, if it is there.
pub(super) fn take<'a>(ctx: &mut Context<'a>, owner: &str, t: &Table<'a>, what: SignalKey) -> Option<Signal> {
    let item = t.take(what.key)?;
    signal(ctx, owner, what, &item)
}

/// All signals of a table by name.
pub(super) fn take_all<'a>(
    ctx: &mut Context<'a>,
    owner: &str,
    t: &Table<'a>,
    keys: &[SignalKey],
) -> BTreeMap<String, Signal> {
    keys.iter().filter_map(|what| Some((what.key.name.to_owned(), take(ctx, owner, t, *what)?))).collect()
}

fn scale(item: &Item<'_>) -> Option<f64> {
    let scale = item.number(SCALE_LIMITS)?;
    if scale == 0.0 {
        item.wrong(
            "a `scale` of 0 makes every value 0",
            "write -1 for a sensor mounted the other way round, or leave it out",
        );
        return None;
    }
    Some(scale)
}

fn address(item: &Item<'_>, what: SignalKey) -> Option<ChannelAddress> {
    let text = item.text()?;
    let example = format!("give an address like {}", what.key.example);
    let address: ChannelAddress = match text.parse() {
        Ok(address) => address,
        Err(error) => {
            let lower = text.to_lowercase().replace(' ', "_");
            let fix = match error {
                AddressError::Part(_) if lower.parse::<ChannelAddress>().is_ok() => item.write(&format!("\"{lower}\"")),
                _ => format!("{example}; `ampwake channels` lists what was heard"),
            };
            item.wrong(&format!("this is no channel address: {error}"), &fix);
            return None;
        }
    };
    if !PROTOCOLS.contains(&address.protocol.as_str()) {
        let problem = format!("{} is no protocol; it is the second part of the address", quoted(&address.protocol));
        let fix = match did_you_mean(&address.protocol, PROTOCOLS.iter().copied()) {
            Some(meant) => {
                let right = ChannelAddress { protocol: meant.to_owned(), ..address };
                item.write(&format!("\"{right}\""))
            }
            None => format!("write one of {}", PROTOCOLS.join(", ")),
        };
        item.wrong(&problem, &fix);
        return None;
    }
    let field = Measure::of_field(&address.field);
    if !what.measure.admits(field) {
        let (name, wanted) = (what.key.name, what.measure.noun());
        let problem = format!("`{name}` should be {wanted}, but {} is {}", quoted(&address.field), field.noun());
        item.wrong(&problem, &format!("give the address of {wanted}, like {}", what.key.example));
        return None;
    }
    Some(address)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_says_what_it_measures_where_it_is_clear() {
        for (field, measure) in [
            ("battery_current", Measure::Current),
            ("charge_current_limit", Measure::Current),
            ("cell_temperature_max", Measure::Temperature),
            ("voltage_2", Measure::Voltage),
            ("operating_state", Measure::State),
            ("state_of_charge", Measure::StateOfCharge),
            ("state_of_health", Measure::Any),
            ("power_factor", Measure::Any),
            ("real_power", Measure::Power),
            // Two words for quantities: not clear.
            ("temperature_state", Measure::Any),
            ("pack_p", Measure::Any),
        ] {
            assert_eq!(Measure::of_field(field), measure, "{field}");
        }
        assert!(Measure::Speed.admits(Measure::Frequency));
        assert!(!Measure::Current.admits(Measure::Temperature));
    }
}
