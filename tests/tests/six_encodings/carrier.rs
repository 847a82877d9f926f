//! One way to carry the voyage: its recording, the addresses of what it carries, and how fine its figures are.

use ampwake_analyzer::analyze::{Analysis, analyze};
use ampwake_analyzer::demo::{Instant, SEED, Trace, sail};
use ampwake_analyzer::load::load;
use ampwake_logger::dialect::Dialects;
use ampwake_logger::import::ImportOptions;
use ampwake_schemas::intent::{Intent, Signal};
use ampwake_schemas::message::Protocol;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;
use ampwake_tests::imported::Imported;
use ampwake_tests::log_text::LogText;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Seconds from one message to the next.
pub const PERIOD: usize = 2;

/// The first moment of the voyage, s since 1970.
pub const START_S: i64 = 1_776_511_200;

/// What is required of the one source that every protocol knows.
const ALTERNATOR: &str = r#"
[[requirement]]
id = "R3"
text = "the engine alternator holds at least 90 A in bulk"
quantity = "source_current"
source = "engine alternator"
at_least = 90
unit = "A"
"#;

/// The coarsest step of what is compared, A, V and K.
#[derive(Debug, Clone, Copy)]
pub struct Resolution {
    pub current: f64,
    pub voltage: f64,
    /// Where temperatures are carried.
    pub temperature: Option<f64>,
}

/// The recording of one way to carry the voyage.
pub struct Carrier {
    pub log: LogText,
    /// From the intent's own addresses (NMEA 2000) to those of this carrier; `None`: not carried.
    pub addresses: BTreeMap<String, Option<String>>,
    pub dialects: Dialects,
    pub resolution: Resolution,
    /// What the sources say of themselves is carried.
    pub states: bool,
}

impl Carrier {
    pub fn new(resolution: Resolution, states: bool) -> Self {
        let (addresses, dialects) = (BTreeMap::new(), Dialects::new());
        Self { log: LogText::starting(START_S as f64), addresses, dialects, resolution, states }
    }

    pub fn frame(&mut self, t: f64, bus: &str, id: &str, data: &[u8]) {
        self.log.frame(t, bus, id, data);
    }

    pub fn message(
        &mut self,
        t: f64,
        (bus, protocol): (&str, Protocol),
        number: u32,
        instance: Option<u32>,
        values: &[(&str, f64)],
    ) {
        self.message_from(t, (bus, protocol), 40 + instance.unwrap_or(0) as u8, number, instance, values);
    }

    /// The same from a device with this address.
    pub fn message_from(
        &mut self,
        t: f64,
        (bus, protocol): (&str, Protocol),
        source: u8,
        number: u32,
        instance: Option<u32>,
        values: &[(&str, f64)],
    ) {
        self.log.message(t, (bus, protocol), source, number, instance, values);
    }

    /// A sentence with its checksum.
    pub fn sentence(&mut self, t: f64, body: &str) {
        let sum = body.bytes().fold(0, |sum, b| sum ^ b);
        let at = Timestamp::from_millis(START_S * 1000 + (t * 1000.0).round() as i64);
        writeln!(self.log.text, "{at} ${body}*{sum:02X}").unwrap();
    }

    /// The intent's address `from` is `to` here.
    pub fn is(&mut self, from: &str, to: impl Into<Option<&'static str>>) {
        let to = to.into().map(str::to_owned);
        self.addresses.insert(format!("can0/n2k/{from}"), to);
    }

    /// The intent with this carrier's addresses. A signal that is not carried is left out, and so is a source or load
    /// without its current, an AC source without its volts, and what is required of a source that is left out.
    pub fn intent(&self) -> Intent {
        let text = format!("{}{ALTERNATOR}", sail(SEED).intent);
        let mut intent = ampwake_schemas::intent::read("vessel.toml", &text).unwrap();
        let there = |signal: &mut Signal| match self.addresses.get(&signal.address.to_string()) {
            Some(Some(to)) => {
                signal.address = to.parse().unwrap();
                true
            }
            Some(None) => false,
            None => true,
        };
        let keep = |signal: &mut Option<Signal>| *signal = signal.take().and_then(|mut s| there(&mut s).then_some(s));
        for bank in &mut intent.banks {
            let g = &mut bank.signals;
            [&mut g.voltage, &mut g.current, &mut g.state_of_charge].into_iter().for_each(keep);
            g.temperature.retain_mut(there);
        }
        for source in &mut intent.sources {
            let g = &mut source.signals;
            [&mut g.current, &mut g.voltage, &mut g.state, &mut g.temperature, &mut source.engine_speed]
                .into_iter()
                .for_each(keep);
            source.available_when =
                source.available_when.take().and_then(|mut rule| there(&mut rule.signal).then_some(rule));
        }
        intent.loads.iter_mut().for_each(|load| keep(&mut load.current));
        intent.ac_sources.iter_mut().for_each(|ac| ac.signals.retain(|_, signal| there(signal)));
        intent.ac_sources.retain(|ac| ac.signals.contains_key("voltage"));
        intent.sources.retain(|s| s.signals.current.is_some());
        intent.loads.retain(|load| load.current.is_some());
        let sources = &intent.sources;
        intent.requirements.retain(|r| r.sources.iter().all(|name| sources.iter().any(|s| s.name == *name)));
        intent
    }

    /// Imports the recording and analyses it.
    pub fn analysis(&self) -> Analysis {
        let options = ImportOptions { bus_protocols: self.dialects.clone(), sentence_bus: Some("aft".to_owned()) };
        self.analysis_of(Imported::from_log(&self.log.text, &options).store())
    }

    /// The same for what was recorded already.
    pub fn analysis_of(&self, store: &Store) -> Analysis {
        let intent = self.intent();
        let recording = load(store, &intent, None, None).unwrap();
        let silent: Vec<String> = ampwake_analyzer::quality::signals(&intent)
            .iter()
            .filter(|(_, _, s)| !recording.series.contains_key(&s.address))
            .map(|(_, _, s)| s.address.to_string())
            .collect();
        assert!(silent.is_empty(), "never heard: {silent:?}");
        analyze(&recording, &intent)
    }
}

/// Every `PERIOD` seconds of the voyage.
pub fn moments(trace: &Trace) -> impl Iterator<Item = (f64, &Instant)> {
    trace.instants.iter().enumerate().step_by(PERIOD).map(|(second, instant)| (second as f64, instant))
}
