//! A configuration that is read again while the recording goes on: what is different, and making it so.
//!
//! Owes its reader: all or nothing. A configuration that cannot be followed changes nothing; of one that can, only the
//! buses that it says something else about are opened, closed or decoded anew.

use crate::bus::socketcan::{CanError, CanInterface};
use crate::bus::source::{Heard, Source};
use crate::config::maps::{self, Maps};
use crate::config::serial::{SerialLine, Speaks};
use crate::config::{CanBus, Config};
use crate::record::Change;
use crate::run::{dialects_of, line, options, questions};
use crate::threads::Threads;
use std::collections::BTreeMap;
use std::net::SocketAddr;

/// What is recorded at present.
pub(crate) struct Present {
    config: Config,
    maps: Maps,
    /// The recorder's number of each bus, by name.
    numbers: BTreeMap<String, usize>,
    /// The next free one.
    next: usize,
}

/// What a configuration says about one bus.
#[derive(Clone, Copy)]
enum Said<'a> {
    Can(&'a CanBus),
    Line(&'a SerialLine, &'a Maps),
}

impl Said<'_> {
    /// It is read in the same way; how it is decoded may differ.
    fn is_read_alike(self, other: Self) -> bool {
        match (self, other) {
            (Said::Can(a), Said::Can(b)) => a.ask == b.ask && (!a.ask || a.protocols == b.protocols),
            (Said::Line(a, of_a), Said::Line(b, of_b)) => a == b && maps_of(a, of_a).eq(maps_of(b, of_b)),
            _ => false,
        }
    }

    fn is_decoded_alike(self, other: Self) -> bool {
        match (self, other) {
            (Said::Can(a), Said::Can(b)) => (&a.protocols, &a.definitions) == (&b.protocols, &b.definitions),
            (_, Said::Can(_)) => false,
            _ => true,
        }
    }
}

/// The contents of the maps of a line: the file may be another under the same name.
fn maps_of<'a>(
    line: &'a SerialLine,
    maps: &'a Maps,
) -> impl Iterator<Item = Option<&'a ampwake_schemas::modbus_map::ModbusMap>> {
    let units = match &line.speaks {
        Speaks::Modbus(units) => units.as_slice(),
        Speaks::Nmea0183 => &[],
    };
    units.iter().map(|unit| maps.get(unit.map.as_ref()?))
}

fn said<'a>(config: &'a Config, maps: &'a Maps) -> Vec<(&'a str, Said<'a>)> {
    let can = config.can.iter().map(|bus| (bus.name.as_str(), Said::Can(bus)));
    can.chain(config.serial.iter().map(|line| (line.name.as_str(), Said::Line(line, maps)))).collect()
}

/// A bus to be opened, and whether something read it before.
struct Opening {
    name: String,
    source: Box<dyn Source>,
    anew: bool,
}

impl Present {
    /// At the start; the recorder numbers the buses in the order of the configuration.
    pub(crate) fn new(config: Config, maps: Maps) -> Self {
        let names: Vec<String> = said(&config, &maps).into_iter().map(|(name, _)| name.to_owned()).collect();
        let next = names.len();
        Self { config, maps, numbers: names.into_iter().zip(0..).collect(), next }
    }

    /// Where figures are to be shown.
    pub(crate) fn metrics(&self) -> Option<SocketAddr> {
        self.config.metrics
    }

    /// Follows `config` from now on.
    ///
    /// # Errors
    /// Why it cannot be followed, one reason a line; then all is as it was.
    pub(crate) fn follow(&mut self, config: Config, threads: &mut Threads) -> Result<(), String> {
        if config.database != self.config.database {
            return Err(format!(
                "`database` is another ({} instead of {}): that takes a restart",
                config.database.display(),
                self.config.database.display()
            ));
        }
        let maps = maps::load(&config).map_err(|e| e.to_string())?;
        let (before, after) = (said(&self.config, &self.maps), said(&config, &maps));
        let old = |name: &str| before.iter().find(|(n, _)| *n == name).map(|(_, said)| *said);
        let removed: Vec<&str> =
            before.iter().map(|(name, _)| *name).filter(|name| after.iter().all(|(n, _)| n != name)).collect();

        let (mut openings, mut problems, mut speak) = (Vec::new(), Vec::new(), Vec::new());
        for &(name, said) in &after {
            let before = old(name);
            if !before.is_some_and(|before| before.is_decoded_alike(said))
                && let Said::Can(bus) = said
            {
                speak.push((name.to_owned(), dialects_of(bus)));
            }
            if before.is_some_and(|before| before.is_read_alike(said)) {
                continue;
            }
            // Opened before the old one is closed, so that nothing is lost between the two.
            match open(said) {
                Ok(source) => openings.push(Opening { name: name.to_owned(), source, anew: before.is_some() }),
                Err(e) => problems.push(e.to_string()),
            }
        }
        if !problems.is_empty() {
            return Err(problems.join("\n"));
        }

        let added: Vec<String> = openings.iter().filter(|o| !o.anew).map(|o| o.name.clone()).collect();
        let decoded: Vec<&str> = speak.iter().map(|(name, _)| name.as_str()).filter(|n| old(n).is_some()).collect();
        let reopened: Vec<&str> = openings.iter().filter(|o| o.anew).map(|o| o.name.as_str()).collect();
        let lists = [
            ("new", added.iter().map(String::as_str).collect::<Vec<_>>()),
            ("no more recorded", removed.clone()),
            ("opened anew", reopened),
            ("decoded in another way", decoded),
        ];
        let mut words: Vec<String> = lists
            .iter()
            .filter(|(_, names)| !names.is_empty())
            .map(|(w, n)| format!("{w}: {}", n.join(", ")))
            .collect();
        if (config.commit_every_s, config.keep) != (self.config.commit_every_s, self.config.keep) {
            words.push(format!("commits every {} s, {}", config.commit_every_s, crate::check::kept(&config.keep)));
        }
        if words.is_empty() {
            tracing::info!("the configuration was read again; it says the same about the recording");
            (self.config, self.maps) = (config, maps);
            return Ok(());
        }
        let text = format!("the configuration was read again; {}", words.join("; "));

        let ended = |threads: &mut Threads, name: &str| self.numbers.get(name).map(|bus| (*bus, threads.end(*bus)));
        let removed: Vec<usize> = removed.iter().filter_map(|name| Some(ended(threads, name)?.0)).collect();
        let openings: Vec<(Opening, Option<(usize, i64)>)> = openings
            .into_iter()
            .map(|o| {
                let place = if o.anew { ended(threads, &o.name) } else { None };
                (o, place)
            })
            .collect();
        self.numbers.retain(|name, _| after.iter().any(|(n, _)| n == name));
        let change = Change { options: options(&config), added, removed, speak, text };
        // Where the recorder is gone there is nobody left to do it.
        threads.tell(Heard::Change(Box::new(change)));
        for (opening, place) in openings {
            let (bus, before_us) = place.unwrap_or_else(|| {
                self.next += 1;
                (self.next - 1, i64::MIN)
            });
            self.numbers.insert(opening.name, bus);
            threads.start(bus, opening.source, before_us);
        }
        (self.config, self.maps) = (config, maps);
        Ok(())
    }
}

/// As at the start: an interface that is not there yet is waited for, one that will never do is refused.
fn open(said: Said<'_>) -> Result<Box<dyn Source>, CanError> {
    Ok(match said {
        Said::Can(bus) => Box::new(match CanInterface::open(&bus.name, questions(bus)) {
            Err(e) if e.may_pass() => CanInterface::waiting(&bus.name, questions(bus), e),
            opened => opened?,
        }),
        Said::Line(serial, maps) => line(serial, maps),
    })
}
