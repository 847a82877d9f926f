//! One voyage, carried by several buses: the findings are the vessel's and not the protocol's.
//!
//! The demonstration's voyage is written as NMEA 2000, as RV-C, as messages of a DBC file, as NMEA 0183 sentences, and
//! as a boat on which every device speaks something else, SAE J1939 among it. What the intent names is the same each time, by other addresses. RV-C and
//! J1939 carry coarser figures than NMEA 2000 (0.05 A, 1 A), a DBC file no state that a tool could know.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::analyze::{Analysis, analyze};
use ampwake_analyzer::demo::{Instant, SEED, Trace, sail};
use ampwake_analyzer::load::load;
use ampwake_analyzer::model::SourceStage;
use ampwake_logger::bus::recording::{Input, Recording};
use ampwake_logger::dbc::Definitions;
use ampwake_logger::dialect::{Dialect, Dialects};
use ampwake_logger::import::{ImportOptions, import};
use ampwake_schemas::findings::Severity;
use ampwake_schemas::message::{CanId, FieldValue, Protocol, Transport, encode, fast_packet, find};
use ampwake_store::Store;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;
use std::sync::Arc;

/// Seconds from one message to the next.
const PERIOD: usize = 2;

/// The file of the battery and the sources that speak a language of their own.
const OWN: &str = r#"VERSION ""
BO_ 256 Pack: 8 Battery
 SG_ PackVoltage : 7|16@0+ (0.01,0) [0|655] "V" Display
 SG_ PackCurrent : 23|16@0- (0.05,0) [-1600|1600] "A" Display
 SG_ PackTemperature : 39|16@0- (0.1,0) [-100|200] "degC" Display
 SG_ SOC : 55|8@0+ (0.5,0) [0|100] "%" Display
BO_ 512 Source1: 8 C
 SG_ Current : 0|16@1- (0.05,0) [0|0] "A" D
 SG_ Voltage : 16|16@1+ (0.01,0) [0|0] "V" D
 SG_ Temperature : 32|16@1- (0.1,0) [0|0] "degC" D
BO_ 513 Source2: 8 C
 SG_ Current : 0|16@1- (0.05,0) [0|0] "A" D
 SG_ Voltage : 16|16@1+ (0.01,0) [0|0] "V" D
 SG_ Temperature : 32|16@1- (0.1,0) [0|0] "degC" D
BO_ 514 Source3: 8 C
 SG_ Current : 0|16@1- (0.05,0) [0|0] "A" D
 SG_ Voltage : 16|16@1+ (0.01,0) [0|0] "V" D
 SG_ Temperature : 32|16@1- (0.1,0) [0|0] "degC" D
BO_ 515 Source4: 8 C
 SG_ Current : 0|16@1- (0.05,0) [0|0] "A" D
 SG_ Voltage : 16|16@1+ (0.01,0) [0|0] "V" D
 SG_ Temperature : 32|16@1- (0.1,0) [0|0] "degC" D
BO_ 2566856704 Other: 8 L
 SG_ Propulsion : 0|16@1- (0.05,0) [0|0] "A" D
 SG_ House : 16|16@1- (0.05,0) [0|0] "A" D
 SG_ Engine : 32|16@1+ (0.25,0) [0|0] "rpm" D
BO_ 2566856705 Shore: 8 L
 SG_ Port : 0|16@1+ (0.1,0) [0|0] "V" D
 SG_ Stbd : 16|16@1+ (0.1,0) [0|0] "V" D
 SG_ Frequency : 32|16@1+ (0.01,0) [0|0] "Hz" D
"#;

/// The recording of one way to carry the voyage.
struct Carrier {
    log: String,
    /// Fast-packet sequence.
    sequence: u8,
    /// From the intent's own addresses (NMEA 2000) to those of this carrier; `None`: not carried.
    addresses: BTreeMap<String, Option<String>>,
    dialects: Dialects,
}

impl Carrier {
    fn new() -> Self {
        Self { log: String::new(), sequence: 0, addresses: BTreeMap::new(), dialects: Dialects::new() }
    }

    fn frame(&mut self, t: f64, bus: &str, id: &str, data: &[u8]) {
        let hex: String = data.iter().map(|b| format!("{b:02X}")).collect();
        writeln!(self.log, "({:.6}) {bus} {id}#{hex}", 1_776_511_200.0 + t).unwrap();
    }

    fn message(
        &mut self,
        t: f64,
        (bus, protocol): (&str, Protocol),
        number: u32,
        instance: Option<u32>,
        values: &[(&str, f64)],
    ) {
        let def = find(protocol, number).unwrap();
        let values: Vec<(&str, FieldValue)> = values.iter().map(|(n, v)| (*n, (*v).into())).collect();
        let payload = encode(def, instance, &values).unwrap_or_else(|e| panic!("{number:x} {values:?}: {e}"));
        let id = format!("{:08X}", CanId::broadcast(def.priority, number, 40 + instance.unwrap_or(0) as u8).to_raw());
        if def.transport == Transport::Fast {
            self.sequence = (self.sequence + 1) % 8;
            for part in fast_packet::fragment(self.sequence, &payload).unwrap() {
                self.frame(t, bus, &id, &part);
            }
        } else {
            self.frame(t, bus, &id, &payload);
        }
    }

    /// A sentence with its checksum on the line `aft`.
    fn sentence(&mut self, t: f64, body: &str) {
        let sum = body.bytes().fold(0, |sum, b| sum ^ b);
        writeln!(self.log, "({:.6}) aft ${body}*{sum:02X}", 1_776_511_200.0 + t).unwrap();
    }

    /// The intent's address `from` is `to` here.
    fn is(&mut self, from: &str, to: impl Into<Option<&'static str>>) {
        let to = to.into().map(str::to_owned);
        self.addresses.insert(format!("can0/n2k/{from}"), to);
    }

    fn analysis(&self) -> Analysis {
        let mut text = sail(SEED).intent.to_owned();
        for (from, to) in &self.addresses {
            text = match to {
                Some(to) => text.replace(&format!("\"{from}\""), &format!("\"{to}\"")),
                None => ["state", "state_of_charge"]
                    .iter()
                    .fold(text, |text, role| text.replace(&format!(", {role} = \"{from}\""), "")),
            };
        }
        let intent = ampwake_schemas::intent::read("vessel.toml", &text).unwrap();
        let dir = tempfile::tempdir().unwrap();
        let (log, db) = (dir.path().join("voyage.log"), dir.path().join("voyage.db"));
        std::fs::write(&log, &self.log).unwrap();
        assert!(Recording::open(&Input::File(log.clone())).is_ok());
        let mut writer = Store::create(&db).unwrap();
        let options = ImportOptions { bus_protocols: self.dialects.clone(), ..ImportOptions::default() };
        import(&[Input::File(log)], &options, &mut writer, &mut |_| {}).unwrap();
        drop(writer);
        let recording = load(&Store::open(&db).unwrap(), &intent, None, None).unwrap();
        let heard = ampwake_analyzer::quality::signals(&intent);
        let silent: Vec<String> = heard
            .iter()
            .filter(|(_, _, s)| !recording.series.contains_key(&s.address))
            .map(|(_, _, s)| s.address.to_string())
            .collect();
        assert!(silent.is_empty(), "never heard: {silent:?}");
        analyze(&recording, &intent)
    }
}

/// Every `PERIOD` seconds of the voyage.
fn moments(trace: &Trace) -> impl Iterator<Item = (f64, &Instant)> {
    trace.instants.iter().enumerate().step_by(PERIOD).map(|(second, instant)| (second as f64, instant))
}

/// What a source says of itself, as 127507 and as RV-C number it.
fn states(stage: SourceStage) -> (f64, f64) {
    match stage {
        SourceStage::Off => (0.0, 1.0),
        SourceStage::Bulk => (1.0, 2.0),
        SourceStage::Absorption => (2.0, 3.0),
        SourceStage::Float => (5.0, 6.0),
        SourceStage::Idle => (6.0, 1.0),
        SourceStage::Fault => (9.0, 0.0),
    }
}

fn n2k_bank(c: &mut Carrier, t: f64, i: &Instant, bus: &str) {
    let on = (bus, Protocol::N2k);
    let p = &i.plant;
    c.message(
        t,
        on,
        127_508,
        Some(1),
        &[("battery_voltage", p.bus.0), ("battery_current", p.bank.0), ("battery_temperature", p.temperature.0)],
    );
    c.message(t + 0.01, on, 127_506, Some(1), &[("state_of_charge", (p.soc * 100.0).round() / 100.0)]);
}

fn n2k_source(c: &mut Carrier, t: f64, i: &Instant, j: usize, bus: &str) {
    let on = (bus, Protocol::N2k);
    let (s, instance) = (&i.plant.sources[j], Some(3 + j as u32));
    c.message(t + 0.02, on, 127_751, instance, &[("dc_voltage", s.terminal.0), ("dc_current", s.current.0)]);
    c.message(t + 0.03, on, 127_507, instance, &[("operating_state", states(s.stage).0)]);
    c.message(t + 0.05, on, 130_316, Some(23 + j as u32), &[("source", 3.0), ("temperature", s.temperature.0)]);
}

fn n2k_rest(c: &mut Carrier, t: f64, i: &Instant, bus: &str, engine: bool) {
    let on = (bus, Protocol::N2k);
    for (k, load) in i.loads.iter().enumerate() {
        c.message(t + 0.06, on, 127_751, Some(11 + k as u32), &[("dc_voltage", i.plant.bus.0), ("dc_current", load.0)]);
    }
    for (k, ac) in i.ac.iter().enumerate() {
        let values = [("voltage", ac.voltage.0), ("frequency", ac.hertz)];
        c.message(t + 0.07, on, 127_503, Some(3 + k as u32), &values);
    }
    if engine {
        c.message(t + 0.08, on, 127_488, Some(0), &[("engine_speed", i.engines[0])]);
    }
}

fn nmea_2000(trace: &Trace) -> Carrier {
    let mut c = Carrier::new();
    c.dialects.insert("can0".into(), vec![Protocol::N2k.into()]);
    for (t, i) in moments(trace) {
        n2k_bank(&mut c, t, i, "can0");
        (0..4).for_each(|j| n2k_source(&mut c, t, i, j, "can0"));
        n2k_rest(&mut c, t, i, "can0", true);
    }
    c
}

fn rvc_source(c: &mut Carrier, t: f64, i: &Instant, j: usize, bus: &str) {
    let on = (bus, Protocol::Rvc);
    let (s, instance) = (&i.plant.sources[j], Some(1 + j as u32));
    let values =
        [("charge_voltage", s.terminal.0), ("charge_current", s.current.0), ("operating_state", states(s.stage).1)];
    c.message(t + 0.02, on, 0x1FFC7, instance, &values);
    c.message(t + 0.03, on, 0x1FEA3, instance, &[("charger_temperature", s.temperature.0.round())]);
    if let Some(ac) = i.ac.get(j) {
        let values = [("rms_voltage", ac.voltage.0), ("frequency", ac.hertz)];
        c.message(t + 0.04, on, 0x1FFCA, instance, &values);
    }
}

/// Addresses of the chargers' side of RV-C.
fn rvc_chargers(c: &mut Carrier, bus: &str, sources: std::ops::Range<usize>) {
    for j in sources {
        let (from, to) = (3 + j, 1 + j);
        for (old, new) in [
            (format!("127751/{from}/dc_current"), format!("1ffc7/{to}/charge_current")),
            (format!("127751/{from}/dc_voltage"), format!("1ffc7/{to}/charge_voltage")),
            (format!("127507/{from}/operating_state"), format!("1ffc7/{to}/operating_state")),
            (format!("130316/{}/temperature", 23 + j), format!("1fea3/{to}/charger_temperature")),
            (format!("127503/{from}/voltage"), format!("1ffca/{to}/rms_voltage")),
            (format!("127503/{from}/frequency"), format!("1ffca/{to}/frequency")),
        ] {
            c.addresses.insert(format!("can0/n2k/{old}"), Some(format!("{bus}/rvc/{new}")));
        }
    }
}

fn rv_c(trace: &Trace) -> Carrier {
    let mut c = Carrier::new();
    c.dialects.insert("can0".into(), vec![Protocol::Rvc.into()]);
    c.is("127508/1/battery_voltage", "can0/rvc/1fffd/1/dc_voltage");
    c.is("127508/1/battery_current", "can0/rvc/1fffd/1/dc_current");
    c.is("127508/1/battery_temperature", "can0/rvc/1fffc/1/source_temperature");
    c.is("127506/1/state_of_charge", "can0/rvc/1fffc/1/state_of_charge");
    rvc_chargers(&mut c, "can0", 0..4);
    c.is("127751/11/dc_current", "can0/rvc/1fffd/11/dc_current");
    c.is("127751/12/dc_current", "can0/rvc/1fffd/12/dc_current");
    c.is("127488/0/engine_speed", "can0/rvc/1ffdb/engine_speed");
    let on = ("can0", Protocol::Rvc);
    for (t, i) in moments(trace) {
        let p = &i.plant;
        let dc =
            |volts: f64, amperes: f64| [("device_priority", 120.0), ("dc_voltage", volts), ("dc_current", amperes)];
        c.message(t, on, 0x1FFFD, Some(1), &dc(p.bus.0, p.bank.0));
        let second = [
            ("device_priority", 120.0),
            ("source_temperature", p.temperature.0),
            ("state_of_charge", (p.soc * 200.0).round() / 200.0),
        ];
        c.message(t + 0.01, on, 0x1FFFC, Some(1), &second);
        (0..4).for_each(|j| rvc_source(&mut c, t, i, j, "can0"));
        for (k, load) in i.loads.iter().enumerate() {
            c.message(t + 0.05, on, 0x1FFFD, Some(11 + k as u32), &dc(p.bus.0, load.0));
        }
        c.message(t + 0.06, on, 0x1FFDB, None, &[("engine_speed", i.engines[0])]);
    }
    c
}

fn described() -> Dialect {
    Dialect::Frames(Arc::new(Definitions::from_bytes(Path::new("own.dbc"), OWN.as_bytes()).unwrap()))
}

fn raw(value: f64, step: f64) -> i16 {
    // Unsigned ones have the same bits.
    (value / step).round() as i64 as i16
}

fn dbc_pack(c: &mut Carrier, t: f64, i: &Instant, bus: &str) {
    let p = &i.plant;
    let mut data = Vec::new();
    for value in [raw(p.bus.0, 0.01), raw(p.bank.0, 0.05), raw(p.temperature.0, 0.1)] {
        data.extend(value.to_be_bytes());
    }
    data.extend([(p.soc * 200.0).round() as u8, 0]);
    c.frame(t, bus, "100", &data);
}

fn dbc_bank(c: &mut Carrier, bus: &str) {
    for (old, new) in [
        ("127508/1/battery_voltage", "pack/pack_voltage"),
        ("127508/1/battery_current", "pack/pack_current"),
        ("127508/1/battery_temperature", "pack/pack_temperature"),
        ("127506/1/state_of_charge", "pack/soc"),
    ] {
        c.addresses.insert(format!("can0/n2k/{old}"), Some(format!("{bus}/dbc/{new}")));
    }
}

fn own_messages(trace: &Trace) -> Carrier {
    let mut c = Carrier::new();
    c.dialects.insert("can0".into(), vec![described()]);
    dbc_bank(&mut c, "can0");
    for j in 0..4 {
        let name = |field: &str| Some(format!("can0/dbc/source{}/{field}", j + 1));
        c.addresses.insert(format!("can0/n2k/127751/{}/dc_current", 3 + j), name("current"));
        c.addresses.insert(format!("can0/n2k/127751/{}/dc_voltage", 3 + j), name("voltage"));
        c.addresses.insert(format!("can0/n2k/130316/{}/temperature", 23 + j), name("temperature"));
        c.addresses.insert(format!("can0/n2k/127507/{}/operating_state", 3 + j), None);
    }
    c.is("127751/11/dc_current", "can0/dbc/other/propulsion");
    c.is("127751/12/dc_current", "can0/dbc/other/house");
    c.is("127488/0/engine_speed", "can0/dbc/other/engine");
    c.is("127503/3/voltage", "can0/dbc/shore/port");
    c.is("127503/4/voltage", "can0/dbc/shore/stbd");
    c.is("127503/3/frequency", "can0/dbc/shore/frequency");
    let words = |values: &[i16]| values.iter().flat_map(|v| v.to_le_bytes()).collect::<Vec<u8>>();
    for (t, i) in moments(trace) {
        dbc_pack(&mut c, t, i, "can0");
        for (j, s) in i.plant.sources.iter().enumerate() {
            let data = words(&[raw(s.current.0, 0.05), raw(s.terminal.0, 0.01), raw(s.temperature.0, 0.1), 0]);
            c.frame(t + 0.01, "can0", &format!("{:03X}", 0x200 + j), &data);
        }
        let other = [raw(i.loads[0].0, 0.05), raw(i.loads[1].0, 0.05), raw(i.engines[0], 0.25), 0];
        c.frame(t + 0.02, "can0", "18FF2000", &words(&other));
        let shore = [raw(i.ac[0].voltage.0, 0.1), raw(i.ac[1].voltage.0, 0.1), raw(i.ac[0].hertz, 0.01), 0];
        c.frame(t + 0.03, "can0", "18FF2001", &words(&shore));
    }
    c
}

/// The battery by its DBC file, the shore chargers on RV-C, the engine and its alternator on J1939, the rest on
/// NMEA 2000: four buses.
fn refit(trace: &Trace) -> Carrier {
    let mut c = Carrier::new();
    c.dialects.insert("can1".into(), vec![described()]);
    c.dialects.insert("can2".into(), vec![Protocol::Rvc.into()]);
    c.dialects.insert("can3".into(), vec![Protocol::J1939.into()]);
    dbc_bank(&mut c, "can1");
    rvc_chargers(&mut c, "can2", 0..2);
    c.is("127751/5/dc_current", "can3/j1939/65271/alternator_current");
    c.is("127751/5/dc_voltage", "can3/j1939/65271/charging_system_potential");
    c.is("127507/5/operating_state", None);
    c.is("127488/0/engine_speed", "can3/j1939/61444/engine_speed");
    let on = ("can3", Protocol::J1939);
    for (t, i) in moments(trace) {
        dbc_pack(&mut c, t, i, "can1");
        (0..2).for_each(|j| rvc_source(&mut c, t, i, j, "can2"));
        let s = &i.plant.sources[2];
        let values = [("alternator_current", s.current.0.round()), ("charging_system_potential", s.terminal.0)];
        c.message(t + 0.03, on, 65271, None, &values);
        c.message(t + 0.04, on, 61444, None, &[("engine_speed", i.engines[0])]);
        c.message(
            t + 0.05,
            ("can0", Protocol::N2k),
            130_316,
            Some(25),
            &[("source", 3.0), ("temperature", s.temperature.0)],
        );
        n2k_source(&mut c, t, i, 3, "can0");
        n2k_rest(&mut c, t, i, "can0", false);
    }
    c
}

/// Transducers on a serial line, which carry neither states nor a state of charge.
fn nmea_0183(trace: &Trace) -> Carrier {
    let mut c = Carrier::new();
    let mut is = |from: String, to: Option<&str>| {
        c.addresses.insert(format!("can0/n2k/{from}"), to.map(|to| format!("aft/nmea0183/{to}")));
    };
    is("127508/1/battery_voltage".into(), Some("xdr/bank/voltage"));
    is("127508/1/battery_current".into(), Some("xdr/bank/current"));
    is("127508/1/battery_temperature".into(), Some("xdr/bank/temperature"));
    is("127506/1/state_of_charge".into(), None);
    for j in 0..4 {
        is(format!("127751/{}/dc_voltage", 3 + j), Some(&format!("xdr/source{j}/voltage")));
        is(format!("127751/{}/dc_current", 3 + j), Some(&format!("xdr/source{j}/current")));
        is(format!("130316/{}/temperature", 23 + j), Some(&format!("xdr/source{j}/temperature")));
        is(format!("127507/{}/operating_state", 3 + j), None);
    }
    is("127751/11/dc_current".into(), Some("xdr/propulsion/current"));
    is("127751/12/dc_current".into(), Some("xdr/house/current"));
    is("127503/3/voltage".into(), Some("xdr/shore0/voltage"));
    is("127503/4/voltage".into(), Some("xdr/shore1/voltage"));
    is("127503/3/frequency".into(), Some("xdr/shore0/frequency"));
    is("127488/0/engine_speed".into(), Some("rpm/engine_0/speed"));
    for (t, i) in moments(trace) {
        let volts = |name: &str, v: f64| format!(",U,{v:.2},V,{name}");
        let amperes = |name: &str, a: f64| format!(",I,{a:.2},A,{name}");
        let degrees = |name: &str, d: f64| format!(",C,{d:.1},C,{name}");
        let p = &i.plant;
        let bank = volts("BANK", p.bus.0) + &amperes("BANK", p.bank.0) + &degrees("BANK", p.temperature.0);
        c.sentence(t, &format!("IIXDR{bank}"));
        for (j, s) in p.sources.iter().enumerate() {
            let name = format!("SOURCE{j}");
            let said = volts(&name, s.terminal.0) + &amperes(&name, s.current.0) + &degrees(&name, s.temperature.0);
            c.sentence(t + 0.1, &format!("IIXDR{said}"));
        }
        let loads = amperes("PROPULSION", i.loads[0].0) + &amperes("HOUSE", i.loads[1].0);
        c.sentence(t + 0.2, &format!("IIXDR{loads}"));
        let shore = volts("SHORE0", i.ac[0].voltage.0) + &volts("SHORE1", i.ac[1].voltage.0);
        c.sentence(t + 0.3, &format!("IIXDR{shore},F,{:.1},H,SHORE0", i.ac[0].hertz));
        c.sentence(t + 0.4, &format!("IIRPM,E,0,{:.0},,A", i.engines[0]));
    }
    c
}

/// What somebody should know, without the figures: kind, cause, source.
fn points(analysis: &Analysis) -> Vec<String> {
    let serious = analysis.findings.findings.iter().filter(|f| f.severity >= Severity::Caution);
    let mut out: Vec<String> =
        serious.map(|f| format!("{} {:?} {:?}", f.kind, f.cause, f.source.as_deref().unwrap_or("bank"))).collect();
    out.sort();
    out.dedup();
    out
}

fn verdicts(analysis: &Analysis) -> Vec<String> {
    analysis.findings.verdicts.iter().map(|v| format!("{} {}", v.id, v.verdict)).collect()
}

/// Ampere-hours of each source over all sessions.
fn charges(analysis: &Analysis) -> BTreeMap<String, f64> {
    let mut out = BTreeMap::new();
    for s in analysis.findings.sessions.iter().flat_map(|s| &s.sources) {
        *out.entry(s.source.clone()).or_default() += s.charge_ah;
    }
    out
}

#[test]
fn the_same_findings_whatever_carries_the_voyage() {
    let voyage = sail(SEED);
    let reference = nmea_2000(&voyage.trace).analysis();
    let expected = points(&reference);
    assert!(expected.iter().any(|p| p.contains("held_off_by_bus_voltage") || p.contains("HeldOffByBusVoltage")));
    assert!(expected.iter().any(|p| p.starts_with("temperature_excursion")), "{expected:?}");
    for (name, carrier) in [
        ("RV-C", rv_c(&voyage.trace)),
        ("DBC", own_messages(&voyage.trace)),
        ("NMEA 0183", nmea_0183(&voyage.trace)),
        ("a refit", refit(&voyage.trace)),
    ] {
        let found = carrier.analysis();
        assert_eq!(points(&found), expected, "{name}");
        assert_eq!(verdicts(&found), verdicts(&reference), "{name}");
        for (source, charge) in charges(&reference) {
            let here = charges(&found)[&source];
            // J1939 says whole amperes.
            assert!((here - charge).abs() < 0.02 * charge.max(5.0), "{name}, {source}: {here} Ah, not {charge} Ah");
        }
    }
}
