//! Which instrument says what on the data bus, how often, and how well it measures.

use super::Noise;
use super::scenario::{Instant, Scenario, Trace};
use crate::model::SourceStage;
use ampwake_schemas::message::FieldValue;
use ampwake_schemas::sample::Reading;

/// The data bus of a simulated vessel.
#[derive(Debug, Clone, PartialEq)]
pub struct Wiring {
    /// Its name in the recording, `can0`.
    pub bus: String,
    /// Who is on it.
    pub devices: Vec<Device>,
    /// What they send.
    pub senders: Vec<Sender>,
    /// When the recorder heard nothing, seconds from the start.
    pub silences: Vec<(f64, f64)>,
}

/// A device, as it introduces itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Device {
    /// Its source address.
    pub address: u8,
    /// Its product name.
    pub model: String,
    /// Class and function of its NAME.
    pub class_function: (u8, u8),
}

/// One message that one device sends again and again.
#[derive(Debug, Clone, PartialEq)]
pub struct Sender {
    /// The device's address.
    pub device: u8,
    /// The message's instance.
    pub instance: u8,
    /// What it says.
    pub what: What,
    /// When it is silent, seconds from the start.
    pub silences: Vec<(f64, f64)>,
}

impl Wiring {
    /// An instrument for everything in `scenario`, on bus `can0`: the bank is instance 0, source `j` is 10 + j
    /// (its temperature 40 + j), load `k` is 30 + k, engines and AC inputs have their own numbers. Sensors are
    /// good ones; a test that wants bad ones changes them.
    pub fn of(scenario: &Scenario) -> Self {
        let (volts, amps) = (Sensor::new(0.0, 0.01), Sensor::new(0.0, 0.05));
        let degrees = Sensor { delay: 2.0, ..Sensor::new(0.0, 0.1) };
        let mut wiring = Self { bus: "can0".into(), devices: Vec::new(), senders: Vec::new(), silences: Vec::new() };
        wiring.add("bank monitor", [(0, What::Bank { voltage: volts, current: amps, temperature: degrees })]);
        wiring.add("state of charge", [(0, What::StateOfCharge)]);
        for (source, n) in (0..scenario.sources.len()).zip(0u8..) {
            wiring.add(
                &scenario.sources[source].name,
                [
                    (10 + n, What::Source { source, voltage: volts, current: amps }),
                    (10 + n, What::ChargerState { source }),
                    (40 + n, What::Temperature { source, sensor: degrees }),
                ],
            );
        }
        for (load, n) in (0..scenario.loads.len()).zip(30u8..) {
            wiring.add(&scenario.loads[load].name, [(n, What::Load { load, voltage: volts, current: amps })]);
        }
        for (engine, n) in (0..scenario.engines.len()).zip(0u8..) {
            wiring.add("engine gateway", [(n, What::EngineSpeed { engine, sensor: Sensor::new(0.0, 2.0) })]);
        }
        for (input, n) in (0..scenario.ac.len()).zip(0u8..) {
            wiring.add("ac monitor", [(n, What::AcInput { input, voltage: Sensor::new(0.0, 0.2), current: amps })]);
        }
        wiring.add("clock", [(0, What::Clock)]);
        wiring
    }

    /// One more device with what it sends.
    fn add(&mut self, model: &str, says: impl IntoIterator<Item = (u8, What)>) {
        // Addresses above 251 have a meaning of their own; nobody simulates that many devices.
        let address = 20 + (self.devices.len() % 200) as u8;
        let model = model.chars().take(32).collect();
        self.devices.push(Device { address, model, class_function: (35, 170) });
        let sender = |(instance, what)| Sender { device: address, instance, what, silences: Vec::new() };
        self.senders.extend(says.into_iter().map(sender));
    }

    /// The channel address under which a reader finds `field` of what `is` picks; `None` when nobody sends it.
    pub fn channel(&self, field: &str, is: impl Fn(&What) -> bool) -> Option<String> {
        let sender = self.senders.iter().find(|s| is(&s.what))?;
        Some(format!("{}/n2k/{}/{}/{field}", self.bus, sender.what.pgn(), sender.instance))
    }
}

/// How a sensor departs from the truth: reading = truth × scale + offset + noise, `delay` seconds late.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sensor {
    /// 1 for a good sensor, -1 for one mounted the other way round.
    pub scale: f64,
    /// In the unit of the quantity.
    pub offset: f64,
    /// One standard deviation, in the unit of the quantity; never beyond six of them.
    pub noise: f64,
    /// Seconds.
    pub delay: f64,
}

impl Sensor {
    /// A sensor of this offset and noise.
    pub const fn new(offset: f64, noise: f64) -> Self {
        Self { scale: 1.0, offset, noise, delay: 0.3 }
    }
}

/// What a message says: which of the trace's quantities, through which sensors.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)] // sensors are named for what they measure
pub enum What {
    /// 127508 of the bank.
    Bank { voltage: Sensor, current: Sensor, temperature: Sensor },
    /// 127506: the bank's state of charge, to a whole per cent.
    StateOfCharge,
    /// 127751: volts and amperes of a source.
    Source { source: usize, voltage: Sensor, current: Sensor },
    /// 127751: bus volts and amperes of a load.
    Load { load: usize, voltage: Sensor, current: Sensor },
    /// 127507: what a source says of itself.
    ChargerState { source: usize },
    /// 130316: temperature of a source.
    Temperature { source: usize, sensor: Sensor },
    /// 127488: speed of an engine, rpm.
    EngineSpeed { engine: usize, sensor: Sensor },
    /// 127503: an AC input, one line.
    AcInput { input: usize, voltage: Sensor, current: Sensor },
    /// 126992: UTC.
    Clock,
}

/// The values of one message.
pub type Values = Vec<(&'static str, FieldValue)>;

impl What {
    /// The parameter group number.
    pub const fn pgn(self) -> u32 {
        match self {
            Self::Bank { .. } => 127_508,
            Self::StateOfCharge => 127_506,
            Self::Source { .. } | Self::Load { .. } => 127_751,
            Self::ChargerState { .. } => 127_507,
            Self::Temperature { .. } => 130_316,
            Self::EngineSpeed { .. } => 127_488,
            Self::AcInput { .. } => 127_503,
            Self::Clock => 126_992,
        }
    }

    /// Seconds from one message to the next.
    pub const fn period(self) -> f64 {
        match self {
            Self::Bank { .. } | Self::EngineSpeed { .. } => 1.0,
            Self::Source { .. } | Self::Load { .. } => 1.25,
            Self::ChargerState { .. } => 2.0,
            Self::StateOfCharge | Self::AcInput { .. } => 3.0,
            Self::Temperature { .. } => 4.0,
            Self::Clock => 5.0,
        }
    }

    /// What the message says at `t` seconds from the start; empty where the trace has no such thing.
    pub fn values(self, trace: &Trace, t: f64, noise: &mut Noise) -> Values {
        let mut read = |sensor: Sensor, of: &dyn Fn(&Instant) -> Option<f64>| {
            let error = sensor.offset + sensor.noise * noise.bell();
            let truth = trace.at(t - sensor.delay).and_then(of);
            FieldValue::from(truth.map_or(Reading::NotAvailable, |x| Reading::Value(x * sensor.scale + error)))
        };
        match self {
            Self::Bank { voltage, current, temperature } => vec![
                ("battery_voltage", read(voltage, &|i| Some(i.plant.bus.0))),
                ("battery_current", read(current, &|i| Some(i.plant.bank.0))),
                ("battery_temperature", read(temperature, &|i| Some(i.plant.temperature.0))),
            ],
            Self::StateOfCharge => {
                let soc = trace.at(t).map_or(0.0, |i| (i.plant.soc * 100.0).round() / 100.0);
                vec![("dc_type", 0.0.into()), ("state_of_charge", soc.into())]
            }
            Self::Source { source, voltage, current } => vec![
                ("dc_voltage", at_least_zero(read(voltage, &|i| Some(i.plant.sources.get(source)?.terminal.0)))),
                ("dc_current", read(current, &|i| Some(i.plant.sources.get(source)?.current.0))),
            ],
            Self::Load { load, voltage, current } => vec![
                ("dc_voltage", at_least_zero(read(voltage, &|i| Some(i.plant.bus.0)))),
                ("dc_current", read(current, &|i| Some(i.loads.get(load)?.0))),
            ],
            Self::ChargerState { source } => {
                let stage = trace.at(t).and_then(|i| i.plant.sources.get(source)).map(|s| s.stage);
                let on = stage.is_some_and(SourceStage::is_charging);
                vec![
                    (
                        "operating_state",
                        stage.map_or(Reading::NotAvailable, |s| Reading::Value(charger_state(s))).into(),
                    ),
                    ("enabled", f64::from(u8::from(on)).into()),
                ]
            }
            Self::Temperature { source, sensor } => {
                vec![("temperature", read(sensor, &|i| Some(i.plant.sources.get(source)?.temperature.0)))]
            }
            Self::EngineSpeed { engine, sensor } => {
                let turning = trace.at(t - sensor.delay).and_then(|i| i.engines.get(engine)).is_some_and(|n| *n > 0.0);
                let speed = read(sensor, &|i| i.engines.get(engine).copied());
                vec![("engine_speed", if turning { at_least_zero(speed) } else { 0.0.into() })]
            }
            Self::AcInput { input, voltage, current } => {
                let Some(ac) = trace.at(t).and_then(|i| i.ac.get(input)) else { return Vec::new() };
                if ac.hertz <= 0.0 {
                    // Nothing connected: it measures no volts and no amperes, and there is no frequency.
                    return vec![("acceptability", 0.0.into()), ("voltage", 0.0.into()), ("current", 0.0.into())];
                }
                vec![
                    ("acceptability", 3.0.into()),
                    ("voltage", at_least_zero(read(voltage, &|i| Some(i.ac.get(input)?.voltage.0)))),
                    ("current", at_least_zero(read(current, &|i| Some(i.ac.get(input)?.current.0)))),
                    ("frequency", ac.hertz.into()),
                    ("real_power", ac.power.0.into()),
                ]
            }
            Self::Clock => {
                let micros = trace.start.micros() + (t * 1e6) as i64;
                const DAY: i64 = 86_400_000_000;
                vec![
                    ("source", 0.0.into()),
                    ("date", (micros.div_euclid(DAY) as f64).into()),
                    ("time", (micros.rem_euclid(DAY) as f64 / 1e6).into()),
                ]
            }
        }
    }
}

/// The state as 127507 has it.
const fn charger_state(stage: SourceStage) -> f64 {
    match stage {
        SourceStage::Off => 0.0,
        SourceStage::Bulk => 1.0,
        SourceStage::Absorption => 2.0,
        SourceStage::Float => 5.0,
        SourceStage::Idle => 6.0,
        SourceStage::Fault => 9.0,
    }
}

/// Unsigned fields cannot say that their noise went below zero.
fn at_least_zero(value: FieldValue) -> FieldValue {
    match value {
        FieldValue::Reading(Reading::Value(x)) => FieldValue::from(x.max(0.0)),
        other => other,
    }
}
