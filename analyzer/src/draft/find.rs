//! Which channels look like a bank, like a source, like an input. One row per kind of message.

use super::Heard;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;
use std::collections::BTreeSet;

/// A message that says what a bank does.
struct BankRow {
    protocol: &'static str,
    voltage: (&'static str, &'static str),
    current: (&'static str, &'static str),
    temperature: (&'static str, &'static str),
    soc: (&'static str, &'static str),
}

const NOWHERE: (&str, &str) = ("", "");
const BANKS: &[BankRow] = &[
    BankRow {
        protocol: "n2k",
        voltage: ("127508", "battery_voltage"),
        current: ("127508", "battery_current"),
        temperature: ("127508", "battery_temperature"),
        soc: ("127506", "state_of_charge"),
    },
    BankRow {
        protocol: "rvc",
        voltage: ("1fffd", "dc_voltage"),
        current: ("1fffd", "dc_current"),
        temperature: ("1fffc", "source_temperature"),
        soc: ("1fffc", "state_of_charge"),
    },
    BankRow {
        protocol: "j1939",
        voltage: ("65271", "battery_potential"),
        current: ("65271", "net_battery_current"),
        temperature: NOWHERE,
        soc: NOWHERE,
    },
];

/// A message by which a source is known, and those that tell more about the same instance.
pub(super) struct SourceRow {
    protocol: &'static str,
    /// What has to be there.
    sign: (&'static str, &'static str),
    current: (&'static str, &'static str),
    voltage: (&'static str, &'static str),
    state: (&'static str, &'static str),
    temperature: (&'static str, &'static str),
    input: (&'static str, &'static str),
    engine: (&'static str, &'static str),
    /// Its kind, where the message leaves no doubt.
    kind: Option<&'static str>,
    /// How it is called until the user gives it a name.
    word: &'static str,
}

const SOURCES: &[SourceRow] = &[
    SourceRow {
        protocol: "n2k",
        sign: ("127507", "operating_state"),
        current: ("127751", "dc_current"),
        voltage: ("127751", "dc_voltage"),
        state: ("127507", "operating_state"),
        temperature: ("130316", "temperature"),
        input: ("127503", "voltage"),
        engine: ("127488", "engine_speed"),
        kind: None,
        word: "charger",
    },
    SourceRow {
        protocol: "rvc",
        sign: ("1ffc7", "charge_current"),
        current: ("1ffc7", "charge_current"),
        voltage: ("1ffc7", "charge_voltage"),
        state: ("1ffc7", "operating_state"),
        temperature: ("1fea3", "charger_temperature"),
        input: ("1ffca", "rms_voltage"),
        engine: NOWHERE,
        kind: None,
        word: "charger",
    },
    SourceRow {
        protocol: "rvc",
        sign: ("1feb3", "charge_current"),
        current: ("1feb3", "charge_current"),
        voltage: ("1feb3", "charge_voltage"),
        state: ("1feb3", "operating_state"),
        temperature: ("1fe81", "controller_temperature"),
        input: NOWHERE,
        engine: NOWHERE,
        kind: Some("solar"),
        word: "solar",
    },
    SourceRow {
        protocol: "rvc",
        sign: ("1fec6", "dc_current"),
        current: ("1fec6", "dc_current"),
        voltage: ("1fec6", "dc_voltage"),
        state: NOWHERE,
        temperature: NOWHERE,
        input: NOWHERE,
        engine: ("1ffdb", "engine_speed"),
        kind: None,
        word: "dc generator",
    },
    SourceRow {
        protocol: "j1939",
        sign: ("65271", "alternator_current"),
        current: ("65271", "alternator_current"),
        voltage: ("65271", "charging_system_potential"),
        state: NOWHERE,
        temperature: NOWHERE,
        input: NOWHERE,
        engine: ("61444", "engine_speed"),
        kind: Some("alternator"),
        word: "alternator",
    },
];

/// A bank that was heard.
#[derive(Debug, Clone)]
pub(super) struct FoundBank<'a> {
    pub(super) voltage: &'a Heard,
    pub(super) current: &'a Heard,
    pub(super) temperature: Vec<&'a Heard>,
    pub(super) soc: Option<&'a Heard>,
    /// Further signals by role, found by the words of their names.
    pub(super) further: Vec<(&'static str, &'a Heard)>,
}

/// A source that was heard.
#[derive(Debug, Clone)]
pub(super) struct FoundSource<'a> {
    pub(super) name: String,
    pub(super) kind: Option<&'static str>,
    pub(super) current: Option<&'a Heard>,
    pub(super) voltage: Option<&'a Heard>,
    pub(super) state: Option<&'a Heard>,
    pub(super) temperature: Option<&'a Heard>,
    pub(super) input: Option<&'a Heard>,
    pub(super) engine: Option<&'a Heard>,
}

/// Looks things up in what was heard.
pub(super) struct Look<'a>(pub(super) &'a [Heard]);

impl<'a> Look<'a> {
    fn all(&self, protocol: &str, (message, field): (&str, &str)) -> impl Iterator<Item = &'a Heard> {
        let of = move |h: &&Heard| {
            let a = &h.address;
            a.protocol == protocol && a.message == message && a.field == field && h.range.is_some()
        };
        // Collected: the caller's texts do not live as long as what was heard.
        self.0.iter().filter(of).collect::<Vec<_>>().into_iter()
    }

    /// The channel of another message that has the same bus and instance; the same sender where both say one.
    pub(super) fn beside(&self, of: &ChannelAddress, message: (&str, &str)) -> Option<&'a Heard> {
        self.all(&of.protocol, message).find(|h| {
            let a = &h.address;
            // Some messages have no instance where their neighbours do: there is one such device.
            a.bus == of.bus
                && (a.instance.is_none() || a.instance == of.instance)
                && (a.source.is_none() || of.source.is_none() || a.source == of.source)
        })
    }

    /// Every bank with voltage and current, the one with the largest current first.
    pub(super) fn banks(&self) -> Vec<FoundBank<'a>> {
        let mut out = Vec::new();
        for row in BANKS {
            for voltage in self.all(row.protocol, row.voltage) {
                let of = &voltage.address;
                // An alternator or a solar panel may have a battery status of its own.
                let other = self.beside(of, ("127506", "dc_type")).is_some_and(|t| t.latest != Some(0.0));
                let Some(current) = self.beside(of, row.current).filter(|_| !other) else { continue };
                let temperature = self.beside(of, row.temperature).into_iter().collect();
                out.push(FoundBank {
                    voltage,
                    current,
                    temperature,
                    soc: self.beside(of, row.soc),
                    further: Vec::new(),
                });
            }
        }
        out.extend(self.described_bank());
        for bank in &mut out {
            bank.further = self.further(&bank.voltage.address);
        }
        out.sort_by(|a, b| b.current.most().total_cmp(&a.current.most()));
        out
    }

    /// Batteries with a voltage and no current to judge by: starter batteries, mostly.
    pub(super) fn mute_banks(&self, banks: &[FoundBank]) -> Vec<&'a Heard> {
        let known = |h: &&Heard| banks.iter().all(|b| b.voltage.address != h.address);
        BANKS.iter().flat_map(|row| self.all(row.protocol, row.voltage)).filter(known).collect()
    }

    /// A battery that a DBC file describes, by the words of its signals.
    fn described_bank(&self) -> Option<FoundBank<'a>> {
        let of = |unit: Unit, no: &'static [&'static str]| {
            self.0.iter().filter(move |h| {
                let w = words(&h.address);
                h.address.protocol == "dbc"
                    && h.unit == unit
                    && h.range.is_some()
                    && ["pack", "battery", "batt", "bank", "bms"].iter().any(|b| w.contains(b))
                    && no.iter().all(|n| !w.contains(n))
            })
        };
        let voltage = of(Unit::Volt, &["cell", "limit", "min", "max", "charger"]).next()?;
        let current = of(Unit::Ampere, &["cell", "limit", "min", "max", "charger"])
            .find(|c| c.address.bus == voltage.address.bus)?;
        let here = |h: &&'a Heard| h.address.bus == voltage.address.bus;
        let soc = self.0.iter().filter(here).find(|h| {
            let field = parts(&h.address.field);
            h.unit == Unit::Fraction && (field.contains("soc") || field.is_superset(&["state", "charge"].into()))
        });
        let temperature = of(Unit::Celsius, &["charger", "motor"]).filter(here).take(4).collect();
        Some(FoundBank { voltage, current, temperature, soc, further: Vec::new() })
    }

    /// Signals of a battery's protection whose names hold every word of the role.
    fn further(&self, bank: &ChannelAddress) -> Vec<(&'static str, &'a Heard)> {
        let mut out: Vec<(&'static str, &'a Heard)> = Vec::new();
        for role in ampwake_schemas::intent::FURTHER_BANK_SIGNALS {
            let wanted = parts(role);
            let fits = |h: &&Heard| {
                let field = parts(&h.address.field);
                if *role == "isolation_resistance" {
                    let said = field.contains("isolation") || field.contains("insulation");
                    return h.address.protocol == "dbc" && h.address.bus == bank.bus && h.unit == Unit::Ohm && said;
                }
                let unit = match *role {
                    r if r.contains("current") => h.unit == Unit::Ampere,
                    r if r.contains("voltage") => h.unit == Unit::Volt,
                    r if r.contains("temperature") => h.unit == Unit::Celsius,
                    _ => true,
                };
                h.address.protocol == "dbc" && h.address.bus == bank.bus && unit && wanted.is_subset(&field)
            };
            out.extend(self.0.iter().filter(|h| h.range.is_some()).find(fits).map(|h| (*role, h)));
        }
        out
    }

    /// Every source, by rising instance.
    pub(super) fn sources(&self) -> Vec<FoundSource<'a>> {
        let mut out = Vec::new();
        for row in SOURCES {
            for sign in self.all(row.protocol, row.sign) {
                let of = &sign.address;
                let find = |message| self.beside(of, message);
                let dc_type = self.beside(of, ("127506", "dc_type")).and_then(|t| t.latest);
                let kind = row.kind.or(match dc_type {
                    Some(1.0) => Some("alternator"),
                    Some(3.0) => Some("solar"),
                    Some(4.0) => Some("wind"),
                    _ => None,
                });
                let number = of.instance.clone().or(of.source.map(|s| s.to_string()));
                let name =
                    [Some(kind.unwrap_or(row.word).to_owned()), number].into_iter().flatten().collect::<Vec<_>>();
                out.push(FoundSource {
                    name: name.join(" "),
                    kind,
                    current: find(row.current),
                    voltage: find(row.voltage),
                    state: find(row.state),
                    temperature: find(row.temperature),
                    input: find(row.input),
                    engine: find(row.engine),
                });
            }
        }
        let number = |s: &FoundSource| {
            let of = s.state.or(s.current).map(|h| &h.address);
            of.and_then(|a| a.instance.as_ref()?.parse::<u32>().ok())
        };
        out.sort_by_key(number);
        let mut taken = BTreeSet::new();
        for source in &mut out {
            let plain = source.name.clone();
            let mut n = 2;
            while !taken.insert(source.name.clone()) {
                source.name = format!("{plain} ({n})");
                n += 1;
            }
        }
        out
    }

    /// Channels of a sort that nothing has used yet.
    pub(super) fn left(&self, protocol: &str, message: (&str, &str), used: &BTreeSet<String>) -> Vec<&'a Heard> {
        self.all(protocol, message).filter(|h| !used.contains(&h.address.to_string())).collect()
    }

    /// Everything of a message and field, whoever uses it.
    pub(super) fn every(&self, protocol: &str, message: (&str, &str)) -> Vec<&'a Heard> {
        self.all(protocol, message).collect()
    }
}

fn parts(name: &str) -> BTreeSet<&str> {
    name.split('_').collect()
}

fn words(address: &ChannelAddress) -> BTreeSet<&str> {
    address.message.split('_').chain(address.field.split('_')).collect()
}
