//! A line that speaks Modbus: a serial line with several units, or a connection. Polling is by nature asking;
//! nothing but the four functions that read is ever sent.

pub mod discover;
pub mod link;
pub mod unit;

use super::port::{Line, block_on, keep_open, pause};
use super::readings::{DeviceWords, NamedReading, Readings};
use super::source::{NOTICE, Outlet, Source};
use crate::config::serial::Port;
use crate::record::now;
use ampwake_schemas::modbus_map::ModbusMap;
use ampwake_schemas::modbus_map::sunspec::{models, place};
use ampwake_schemas::time::Timestamp;
use discover::discover;
use link::{Failure, Link, Packing};
use serde_json::{Map, Value};
use std::io::{Error, ErrorKind, Result};
use std::sync::Arc;
use std::time::{Duration, Instant};
use unit::{Remark, Unit};

/// As it stands in channel addresses.
pub const PROTOCOL: &str = "modbus";
/// Questions in a row without a byte of an answer after which a connection is opened anew.
const DEAD_AFTER: u32 = 6;
/// Seconds between two searches for SunSpec models: the first and the longest.
const SEARCH_S: [f64; 2] = [5.0, 300.0];

/// What is known of a unit's registers.
#[derive(Debug, Clone, PartialEq)]
pub enum Registers {
    /// This map.
    Map(ModbusMap),
    /// It says so itself.
    SunSpec,
}

/// One unit to poll.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitPlan {
    /// Its address.
    pub address: u8,
    /// Its registers.
    pub registers: Registers,
    /// Seconds between two polls, where the map does not say otherwise.
    pub every_s: f64,
}

/// A unit as it is now.
enum Asked {
    Polled(Unit),
    /// Its models are not known yet.
    Searched {
        plan: UnitPlan,
        due: f64,
        wait: f64,
    },
}

impl Asked {
    fn due(&self) -> f64 {
        match self {
            Self::Polled(unit) => unit.next().map_or(f64::INFINITY, |(_, due)| due),
            Self::Searched { due, .. } => *due,
        }
    }
}

/// Tells the time of day.
pub type TimeOfDay = Arc<dyn Fn() -> Timestamp + Send + Sync>;

/// One line.
pub struct ModbusLine {
    name: String,
    port: Port,
    units: Vec<UnitPlan>,
    clock: TimeOfDay,
}

impl ModbusLine {
    /// The bus `name` at `port` with its units; nothing is opened yet.
    pub fn new(name: &str, port: Port, units: Vec<UnitPlan>) -> Self {
        Self { name: name.to_owned(), port, units, clock: Arc::new(now) }
    }

    /// The same with another clock for the times of the answers: a simulated voyage has its own.
    #[must_use]
    pub fn with_clock(self, clock: TimeOfDay) -> Self {
        Self { clock, ..self }
    }
}

impl Source for ModbusLine {
    fn name(&self) -> &str {
        &self.name
    }

    fn run(self: Box<Self>, out: &Outlet) {
        let packing = match &self.port {
            Port::Device(device) => Packing::Rtu(device.baud),
            Port::RtuOverTcp(_) => Packing::Rtu(0),
            Port::Tcp(_) | Port::Udp(_) => Packing::Tcp,
        };
        let mut poller = Poller::new(&self.name, self.units, self.clock, out);
        block_on(
            out,
            keep_open(&self.name, &self.port, out, async |line| match line {
                Line::Stream(stream) => poller.poll(&mut Link::new(stream, packing), packing).await,
                // The configuration refuses it.
                Line::Datagrams(..) => Err(Error::new(ErrorKind::Unsupported, "Modbus does not listen to datagrams")),
            }),
        );
    }
}

/// The units of a line; they outlive a reconnect.
struct Poller<'a> {
    bus: String,
    units: Vec<Asked>,
    out: &'a Outlet,
    began: Instant,
    time_of_day: TimeOfDay,
}

impl<'a> Poller<'a> {
    fn new(bus: &str, plans: Vec<UnitPlan>, time_of_day: TimeOfDay, out: &'a Outlet) -> Self {
        let units = plans.into_iter().map(|plan| match plan.registers {
            Registers::Map(map) => {
                Asked::Polled(Unit::new(plan.address, map.registers, map.read_gaps, plan.every_s, 0.0))
            }
            Registers::SunSpec => Asked::Searched { plan, due: 0.0, wait: SEARCH_S[0] },
        });
        Self { bus: bus.to_owned(), units: units.collect(), out, began: Instant::now(), time_of_day }
    }

    fn clock(&self) -> f64 {
        self.began.elapsed().as_secs_f64()
    }

    /// Polls until the stop or until the line fails.
    async fn poll(&mut self, link: &mut Link, packing: Packing) -> Result<()> {
        let network = !matches!(packing, Packing::Rtu(1..));
        let mut fruitless = 0;
        while !self.out.is_over() {
            let first = (0..self.units.len()).min_by(|a, b| self.units[*a].due().total_cmp(&self.units[*b].due()));
            let wait = first.map_or(f64::INFINITY, |i| self.units[i].due() - self.clock());
            let Some(i) = first.filter(|_| wait <= 0.0) else {
                pause(Duration::from_secs_f64(wait.min(NOTICE.as_secs_f64())), self.out).await;
                continue;
            };
            match self.turn(i, link).await {
                Ok(()) => fruitless = 0,
                Err(Failure::Line(e)) => return Err(e),
                Err(Failure::Exception(_)) => fruitless = 0,
                Err(Failure::Heard(_)) => fruitless += 1,
            }
            if network && fruitless >= DEAD_AFTER {
                return Err(Error::new(ErrorKind::TimedOut, "nobody behind it answers"));
            }
        }
        Ok(())
    }

    /// One question to the unit with this index.
    async fn turn(&mut self, i: usize, link: &mut Link) -> std::result::Result<(), Failure> {
        let Asked::Polled(unit) = &self.units[i] else { return self.search(i, link).await };
        let Some((turn, request)) = unit.next().and_then(|(turn, _)| Some((turn, unit.request(turn)?.clone()))) else {
            return Ok(());
        };
        let address = unit.address;
        let answer = link.ask(address, &request).await;
        let (time, clock) = ((self.time_of_day)(), self.clock());
        let Asked::Polled(unit) = &mut self.units[i] else { return Ok(()) };
        match answer {
            Ok(words) => {
                let (values, device, back) = unit.answered(turn, clock, &words);
                self.say(back);
                self.hand_on(time, address, values, device);
                Ok(())
            }
            Err(failure) => {
                let (name, remark) = unit.failed(turn, clock, &failure);
                self.out.count(name, 1);
                self.say(remark);
                Err(failure)
            }
        }
    }

    /// Looks for the SunSpec models of a unit.
    async fn search(&mut self, i: usize, link: &mut Link) -> std::result::Result<(), Failure> {
        let Asked::Searched { plan, wait, .. } = &self.units[i] else { return Ok(()) };
        let (plan, wait) = (plan.clone(), *wait);
        let found = discover(link, plan.address).await;
        let clock = self.clock();
        let problem = match &found {
            Ok(Some(heads)) => {
                let registers = place(heads, &models());
                let numbers: Vec<String> = heads.iter().map(|h| h.model.to_string()).collect();
                let numbers = numbers.join(", ");
                if !registers.is_empty() {
                    let text = format!("unit {} holds the SunSpec models {numbers}", plan.address);
                    self.say(Some(("sunspec_found", text)));
                    self.units[i] = Asked::Polled(Unit::new(plan.address, registers, true, plan.every_s, clock));
                    return Ok(());
                }
                format!("unit {} holds no SunSpec model that is known here ({numbers})", plan.address)
            }
            Ok(None) => format!("unit {} is no SunSpec device: it has no marker at 40000, 50000 or 0", plan.address),
            Err(_) => format!("unit {} does not answer the search for SunSpec models", plan.address),
        };
        if wait == SEARCH_S[0] {
            self.say(Some(("sunspec_missing", format!("{problem}; it is asked again at times"))));
        }
        self.units[i] = Asked::Searched { plan, due: clock + wait, wait: (wait * 2.0).min(SEARCH_S[1]) };
        found.map(|_| ()).inspect_err(|failure| {
            if let Failure::Heard(heard) = failure {
                self.out.count(heard.name(), 1);
            }
        })
    }

    fn hand_on(&self, time: Timestamp, address: u8, values: Vec<NamedReading>, words: Map<String, Value>) {
        self.out.readings(Readings {
            time,
            protocol: PROTOCOL,
            message: address.to_string().into(),
            values,
            told: None,
            device: Some(DeviceWords { address, words }),
        });
    }

    fn say(&self, remark: Option<Remark>) {
        if let Some((kind, text)) = remark {
            self.out.note(kind, format!("{}: {text}", self.bus));
        }
    }
}
