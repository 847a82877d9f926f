//! The voyage of the demonstration: five and a half hours of a 48 V vessel under electric drive, under
//! engine, and on shore power, with one charger that never joins and one alternator that gets too hot.

use super::scenario::{AcInput, Input, NamedLoad, Scenario, SourcePlan, Trace};
use super::wiring::{Device, Sender, Sensor, What, Wiring};
use super::{Noise, Truth, bus_traffic};
use crate::model::{Bank, Body, ChargeProfile, Curve, Source};
use ampwake_schemas::intent::{Chemistry, Coordination, Sense};
use ampwake_schemas::quantity::{AmpereHours, Amperes, Celsius, Ohms, Seconds, Volts};
use ampwake_schemas::time::Timestamp;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// The seed of the voyage that [`write`] leaves behind.
pub const SEED: u64 = 20_260_418;
const LENGTH_MIN: f64 = 330.0;
/// What the designer promises, with the channel addresses of [`wiring`].
const VESSEL: &str = include_str!("vessel.toml");

/// A voyage with its recording's ingredients, its design intent and its truth.
#[derive(Debug, Clone, PartialEq)]
pub struct Voyage {
    /// What happens.
    pub scenario: Scenario,
    /// How it truly was.
    pub trace: Trace,
    /// Who reports it.
    pub wiring: Wiring,
    /// Noise and jitter.
    pub seed: u64,
    /// `vessel.toml`.
    pub intent: &'static str,
    /// What is to be found.
    pub truth: Truth,
}

impl Voyage {
    /// Writes the recording as `candump -l` text; returns the number of frames.
    ///
    /// # Errors
    /// Those of `out`.
    pub fn record(&self, out: &mut dyn Write) -> io::Result<u64> {
        bus_traffic(&self.trace, &self.wiring, self.seed, out)
    }
}

/// Sails the demonstration. The seed decides clouds, sensor noise and jitter, and nothing that matters.
pub fn sail(seed: u64) -> Voyage {
    let scenario = scenario(seed);
    let trace = scenario.sail();
    let truth = Truth::of(&scenario, &trace);
    Voyage { scenario, trace, wiring: wiring(), seed, intent: VESSEL, truth }
}

/// What [`write`] left behind.
#[derive(Debug, Clone, PartialEq)]
pub struct DemoFiles {
    /// The recording, `candump -l` text.
    pub recording: PathBuf,
    /// The design intent.
    pub vessel: PathBuf,
    /// Frames in the recording.
    pub frames: u64,
}

/// Leaves `recording.log` and `vessel.toml` of the voyage [`SEED`] in `dir`, which is made if need be.
///
/// # Errors
/// A directory or file that cannot be written.
pub fn write(dir: &Path) -> io::Result<DemoFiles> {
    let voyage = sail(SEED);
    fs::create_dir_all(dir)?;
    let (recording, vessel) = (dir.join("recording.log"), dir.join("vessel.toml"));
    // Under another name until it is whole, so that nobody reads half a voyage.
    let unfinished = dir.join("recording.log.part");
    let mut out = BufWriter::new(File::create(&unfinished)?);
    let frames = voyage.record(&mut out)?;
    out.flush()?;
    fs::rename(&unfinished, &recording)?;
    fs::write(&vessel, voyage.intent)?;
    Ok(DemoFiles { recording, vessel, frames })
}

const fn min(minutes: f64) -> f64 {
    minutes * 60.0
}

/// A consumer that runs `on` out of every `every` minutes, from `first` on.
fn duty(amperes: f64, first: f64, every: f64, on: f64) -> Curve {
    let times = (0..).map(|n| first + every * f64::from(n)).take_while(|&m| m < LENGTH_MIN);
    Curve::steps(0.0, times.flat_map(|m| [(min(m), amperes), (min(m + on), 0.0)]))
}

/// A consumer that runs once for each pair of minutes.
fn runs(amperes: f64, spans: &[(f64, f64)]) -> Curve {
    Curve::steps(0.0, spans.iter().flat_map(|&(from, to)| [(min(from), amperes), (min(to), 0.0)]))
}

/// Sun through passing clouds, amperes over time: the afternoon's fall, and a wandering share of it.
fn sun(seed: u64) -> Curve {
    let clear = Curve::new([(0.0, 15.0), (min(70.0), 17.0), (min(150.0), 14.0), (min(240.0), 9.0), (min(330.0), 4.5)]);
    let mut noise = Noise::new(seed, u64::MAX);
    let mut cloud = 0.0;
    let points = (0..=LENGTH_MIN as u32).map(|minute| {
        cloud = 0.8 * cloud + 0.2 * noise.uniform();
        let t = min(f64::from(minute));
        (t, clear.at(t) * (1.0 - 0.6 * cloud))
    });
    Curve::new(points.collect::<Vec<_>>())
}

fn scenario(seed: u64) -> Scenario {
    let profile = ChargeProfile {
        absorption: Volts(55.2),
        float: Some(Volts(54.4)),
        rebulk: Volts(52.4),
        rebulk_hold: Seconds(60.0),
        tail: Amperes(14.0),
        tail_hold: Seconds(180.0),
        absorption_max: Seconds(min(90.0)),
    };
    // Its own settings were never changed: it floats low, and above its restart level it takes the bank for full.
    let factory = ChargeProfile { float: Some(Volts(52.8)), tail: Amperes(7.0), ..profile };
    let charger = |rated: f64, coordination, profile, delay| Source {
        droop: Ohms(0.0015),
        cable: Ohms(0.0015),
        sense: Sense::Bank,
        ramp_a_per_s: 4.0,
        start_delay: Seconds(delay),
        derate: Curve::new([(70.0, 1.0), (90.0, 0.5)]),
        heat: Body { capacity_j_per_k: 6_500.0, loss_w_per_k: 13.0 },
        ..Source::new(Amperes(rated), coordination, profile)
    };
    let alternator = Source {
        droop: Ohms(0.002),
        cable: Ohms(0.002),
        ramp_a_per_s: 3.0,
        start_delay: Seconds(12.0),
        efficiency: 0.80,
        heat: Body { capacity_j_per_k: 22_000.0, loss_w_per_k: 33.0 },
        ..Source::new(Amperes(120.0), Coordination::Networked, profile)
    };
    let panels = Source { droop: Ohms(0.01), ..Source::new(Amperes(30.0), Coordination::Networked, profile) };
    let output = Curve::new([(700.0, 0.0), (1100.0, 62.0), (1600.0, 102.0), (2000.0, 120.0)]);
    let locker = Celsius(22.0);
    let shore = || AcInput {
        volts: Curve::steps(0.0, [(min(98.0), 232.0)]),
        nominal: Volts(230.0),
        hertz: 50.0,
        sag_ohm: 0.12,
        inverting: Curve::constant(0.0),
    };
    Scenario {
        // A spring noon, UTC.
        start: Timestamp::from_millis(1_776_511_200_000),
        seconds: min(LENGTH_MIN) as u32,
        bank: Bank {
            r0: Ohms(0.007),
            r1: Ohms(0.006),
            tau: Seconds(600.0),
            ..Bank::new(Chemistry::Lfp, 16, AmpereHours(560.0))
        },
        soc: 0.46,
        ambient: Celsius(19.0),
        profile,
        max_charge: Amperes(280.0),
        sources: vec![
            SourcePlan {
                max: Some(Celsius(85.0)),
                ..SourcePlan::new(
                    "port shore charger",
                    charger(110.0, Coordination::Networked, profile, 6.0),
                    Input::Ac(0),
                    locker,
                )
            },
            SourcePlan {
                max: Some(Celsius(85.0)),
                ..SourcePlan::new(
                    "stbd shore charger",
                    charger(70.0, Coordination::VoltageSensing, factory, 45.0),
                    Input::Ac(1),
                    locker,
                )
            },
            SourcePlan {
                max: Some(Celsius(105.0)),
                // The engine room's blower trips after a quarter of an hour and is found half an hour later.
                cooling: Curve::steps(1.0, [(min(40.0), 0.55), (min(68.0), 1.0)]),
                ambient: Curve::new([(min(24.0), 24.0), (min(45.0), 40.0), (min(91.0), 42.0), (min(200.0), 26.0)]),
                ..SourcePlan::new("engine alternator", alternator, Input::Engine(0, output), Celsius(24.0))
            },
            SourcePlan::new("solar", panels, Input::Amperes(sun(seed)), locker),
        ],
        loads: vec![
            NamedLoad {
                name: "propulsion".into(),
                consumers: vec![Curve::steps(74.0, [(min(9.0), 92.0), (min(17.0), 66.0), (min(24.5), 0.0)])],
            },
            NamedLoad {
                name: "house".into(),
                consumers: vec![
                    Curve::constant(7.0),
                    duty(5.5, 3.0, 25.0, 9.0),
                    // Instruments; mooring winch.
                    runs(5.0, &[(0.0, 104.0)]),
                    runs(14.0, &[(91.0, 97.5)]),
                    // Oven and kettle at noon and for supper, watermaker after absorption, lights.
                    runs(42.0, &[(33.0, 38.0), (126.0, 133.0), (171.0, 176.0)]),
                    runs(16.0, &[(226.0, 262.0)]),
                    runs(6.0, &[(236.0, LENGTH_MIN)]),
                ],
            },
        ],
        engines: vec![Curve::new([
            (min(24.0), 0.0),
            (min(24.0) + 4.0, 900.0),
            (min(24.5), 900.0),
            (min(25.0), 2100.0),
            (min(84.0), 2100.0),
            (min(85.0), 1100.0),
            (min(90.0), 1100.0),
            (min(90.5), 750.0),
            (min(91.0), 750.0),
            (min(91.0) + 3.0, 0.0),
        ])],
        ac: vec![shore(), shore()],
    }
}

fn wiring() -> Wiring {
    let device = |address, model: &str, class, function| Device {
        address,
        model: model.into(),
        class_function: (class, function),
    };
    let sender = |device, instance, what| Sender { device, instance, what, silences: Vec::new() };
    let volts = Sensor::new(0.02, 0.02);
    let amps = |offset| Sensor::new(offset, 0.08);
    let degrees = |offset| Sensor { delay: 2.0, ..Sensor::new(offset, 0.15) };
    let source = |source, offset| What::Source { source, voltage: volts, current: amps(offset) };
    let load = |load, offset| What::Load { load, voltage: volts, current: amps(offset) };
    let ac = |input| What::AcInput { input, voltage: Sensor::new(0.3, 0.2), current: Sensor::new(0.05, 0.05) };
    let heat = |source, offset| What::Temperature { source, sensor: degrees(offset) };
    Wiring {
        bus: "can0".into(),
        // Classes and functions as the standard numbers them, from memory: 35 electrical generation, 30 distribution.
        devices: vec![
            device(20, "bank monitor", 35, 170),
            device(31, "port charger", 35, 160),
            device(32, "stbd charger", 35, 160),
            device(33, "alternator regulator", 35, 141),
            device(34, "solar regulator", 35, 142),
            device(40, "load monitor", 30, 140),
            device(50, "engine gateway", 50, 160),
            device(60, "position receiver", 60, 145),
        ],
        senders: vec![
            sender(
                20,
                1,
                What::Bank {
                    voltage: Sensor::new(0.01, 0.008),
                    current: Sensor::new(0.10, 0.12),
                    temperature: Sensor { delay: 5.0, ..Sensor::new(0.2, 0.05) },
                },
            ),
            sender(20, 1, What::StateOfCharge),
            sender(31, 3, source(0, -0.10)),
            sender(31, 3, What::ChargerState { source: 0 }),
            sender(31, 23, heat(0, 0.4)),
            sender(31, 3, ac(0)),
            sender(32, 4, source(1, 0.05)),
            sender(32, 4, What::ChargerState { source: 1 }),
            sender(32, 24, heat(1, -0.2)),
            sender(32, 4, ac(1)),
            sender(33, 5, source(2, 0.15)),
            sender(33, 5, What::ChargerState { source: 2 }),
            sender(33, 25, heat(2, 0.3)),
            sender(34, 6, source(3, 0.04)),
            sender(34, 6, What::ChargerState { source: 3 }),
            sender(40, 11, load(0, -0.06)),
            sender(40, 12, load(1, 0.06)),
            sender(50, 0, What::EngineSpeed { engine: 0, sensor: Sensor::new(0.0, 6.0) }),
            sender(60, 0, What::Clock),
        ],
        silences: Vec::new(),
    }
}
