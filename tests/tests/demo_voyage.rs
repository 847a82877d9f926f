//! The demonstration's voyage and the builder behind it: what is recorded is what was sailed, and what was
//! sailed is what the demonstration promises.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::demo::{
    AcInput, Input, NamedLoad, SEED, Scenario, Sender, Sensor, SourcePlan, Trace, Truth, What, Wiring, bus_traffic,
    intent_text, sail, write,
};
use ampwake_analyzer::model::{Bank, ChargeProfile, Curve, Source, SourceStage};
use ampwake_logger::framing::{FastPackets, Outcome};
use ampwake_schemas::findings::Stage;
use ampwake_schemas::intent::{Chemistry, Coordination, Intent, read};
use ampwake_schemas::message::{CanId, Decoded, FieldKind, FieldValue, Protocol, Transport, decode, find};
use ampwake_schemas::quantity::{AmpereHours, Amperes, Celsius, Seconds, Volts};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use std::collections::BTreeMap;

/// Everything that a recording says: when, who, what.
fn decoded(recording: &[u8]) -> Vec<(Timestamp, u8, Decoded)> {
    let mut packets = FastPackets::default();
    let mut out = Vec::new();
    for line in std::str::from_utf8(recording).unwrap().lines() {
        let (time, rest) = line.strip_prefix('(').and_then(|l| l.split_once(") can0 ")).expect(line);
        let (seconds, micros) = time.split_once('.').expect(line);
        let at = Timestamp::from_micros(seconds.parse::<i64>().unwrap() * 1_000_000 + micros.parse::<i64>().unwrap());
        let (id, data) = rest.split_once('#').expect(line);
        let id = CanId::from_raw(u32::from_str_radix(id, 16).unwrap());
        let data: Vec<u8> =
            (0..data.len()).step_by(2).map(|i| u8::from_str_radix(&data[i..i + 2], 16).unwrap()).collect();
        let def = find(Protocol::N2k, id.pgn).expect(line);
        match def.transport {
            Transport::Single => out.push((at, id.source, decode(def, &data))),
            Transport::Fast => match packets.push(at, id, &data) {
                Outcome::Complete(payload) => out.push((at, id.source, decode(def, payload))),
                Outcome::Incomplete => {}
                Outcome::Dropped(why) => panic!("{why:?}: {line}"),
            },
        }
    }
    out
}

fn number(message: &Decoded, field: &str) -> Option<f64> {
    match message.get(field) {
        Some(FieldValue::Reading(Reading::Value(v))) => Some(*v),
        _ => None,
    }
}

fn resolution(message: &Decoded, field: &str) -> f64 {
    match message.def.fields.iter().find(|f| f.name == field).map(|f| &f.kind) {
        Some(FieldKind::Number { scale, .. }) => scale.resolution(),
        other => panic!("{field} is {other:?}"),
    }
}

/// The measured fields of a message with the sensor and the truth behind each.
fn truths(what: What, trace: &Trace, t: f64) -> Vec<(&'static str, Sensor, f64)> {
    let at = |sensor: Sensor| trace.at(t - sensor.delay).unwrap();
    match what {
        What::Bank { voltage, current, temperature } => vec![
            ("battery_voltage", voltage, at(voltage).plant.bus.0),
            ("battery_current", current, at(current).plant.bank.0),
            ("battery_temperature", temperature, at(temperature).plant.temperature.0),
        ],
        What::Source { source, voltage, current } => vec![
            ("dc_voltage", voltage, at(voltage).plant.sources[source].terminal.0),
            ("dc_current", current, at(current).plant.sources[source].current.0),
        ],
        What::Load { load, voltage, current } => {
            vec![("dc_voltage", voltage, at(voltage).plant.bus.0), ("dc_current", current, at(current).loads[load].0)]
        }
        What::Temperature { source, sensor } => {
            vec![("temperature", sensor, at(sensor).plant.sources[source].temperature.0)]
        }
        What::EngineSpeed { engine, sensor } if at(sensor).engines[engine] > 50.0 => {
            vec![("engine_speed", sensor, at(sensor).engines[engine])]
        }
        What::AcInput { input, voltage, .. } if at(voltage).ac[input].hertz > 0.0 => {
            vec![("voltage", voltage, at(voltage).ac[input].voltage.0)]
        }
        _ => Vec::new(),
    }
}

fn record(trace: &Trace, wiring: &Wiring, seed: u64) -> Vec<u8> {
    let mut out = Vec::new();
    bus_traffic(trace, wiring, seed, &mut out).unwrap();
    out
}

/// Every measured field of a recording against the trace: within offset, noise (bounded at six deviations) and
/// half a bit. A frame may have waited some milliseconds for the bus, hence the second moment.
fn assert_recorded(trace: &Trace, wiring: &Wiring, messages: &[(Timestamp, u8, Decoded)]) -> BTreeMap<usize, u32> {
    let mut heard = BTreeMap::new();
    for (at, address, message) in messages {
        let is = |s: &&Sender| {
            s.device == *address
                && s.what.pgn() == message.def.number
                && message.instance.is_none_or(|i| i == u32::from(s.instance))
        };
        let Some(n) = wiring.senders.iter().position(|s| is(&s)) else {
            assert!(matches!(message.def.number, 60_928 | 126_996), "unexpected {message:?}");
            continue;
        };
        *heard.entry(n).or_default() += 1;
        let t = at.seconds_since(trace.start);
        let what = wiring.senders[n].what;
        let earlier = truths(what, trace, t - 0.05);
        for ((field, sensor, now), (_, _, before)) in truths(what, trace, t).into_iter().zip(earlier) {
            let said = number(message, field).unwrap_or_else(|| panic!("no {field} at {t}"));
            let bound = 6.0 * sensor.noise + resolution(message, field) / 2.0 + 1e-9;
            let off = [now, before].map(|truth| (said - truth * sensor.scale - sensor.offset).abs());
            assert!(off[0].min(off[1]) <= bound, "{field} at {t}: {said}, truly {now}, bound {bound}");
        }
    }
    heard
}

#[test]
fn the_recording_says_what_was_sailed() {
    let voyage = sail(SEED);
    let mut recording = Vec::new();
    let frames = voyage.record(&mut recording).unwrap();
    assert_eq!(frames, recording.iter().filter(|b| **b == b'\n').count() as u64);
    let messages = decoded(&recording);
    assert!(messages.windows(2).all(|w| w[0].0 < w[1].0), "a bus carries one frame at a time");
    let heard = assert_recorded(&voyage.trace, &voyage.wiring, &messages);
    for (n, sender) in voyage.wiring.senders.iter().enumerate() {
        let expected = voyage.trace.instants.len() as f64 / sender.what.period();
        let got = f64::from(heard[&n]);
        assert!((got / expected - 1.0).abs() < 0.01, "{sender:?}: {got} messages of {expected}");
    }

    // The devices introduce themselves, and the clock is the recorder's.
    for device in &voyage.wiring.devices {
        let of = |pgn| messages.iter().find(|(_, a, m)| *a == device.address && m.def.number == pgn).unwrap();
        assert_eq!(of(126_996).2.get("model_id"), Some(&FieldValue::Text(device.model.clone())));
        assert_eq!(number(&of(60_928).2, "device_class"), Some(f64::from(device.class_function.0)));
    }
    for (at, _, message) in messages.iter().filter(|(_, _, m)| m.def.number == 126_992) {
        let micros = number(message, "date").unwrap() * 86_400e6 + number(message, "time").unwrap() * 1e6;
        assert!((micros - at.micros() as f64).abs() < 50_000.0, "{message:?} at {at}");
    }

    // The charger that is held off says so itself: float, and no current, while it has its input.
    let held = voyage.truth.source("stbd shore charger").unwrap().held_off[0];
    let inside = |at: &Timestamp| {
        let t = at.seconds_since(voyage.trace.start);
        (f64::from(held.from) + 1.0..f64::from(held.to)).contains(&t)
    };
    let of = |pgn, instance| {
        messages
            .iter()
            .filter(move |(at, _, m)| m.def.number == pgn && m.instance == Some(instance) && inside(at))
            .map(|(_, _, m)| m)
    };
    assert!(of(127_507, 4).count() > 5000 && of(127_507, 4).all(|m| number(m, "operating_state") == Some(5.0)));
    assert!(of(127_751, 4).all(|m| number(m, "dc_current").unwrap().abs() < 0.6));
    assert!(of(127_503, 4).all(|m| number(m, "voltage").unwrap() > 225.0));
}

#[test]
fn the_story_is_clear_cut_whatever_the_clouds() {
    for seed in [SEED, 0, 1, u64::MAX] {
        let voyage = sail(seed);
        let truth = &voyage.truth;
        let stages: Vec<Stage> = truth.bank.stages.iter().map(|s| s.what).collect();
        use Stage::{Absorption, Bulk, Discharge, Float};
        assert_eq!(stages, [Discharge, Bulk, Discharge, Bulk, Absorption, Discharge, Float], "seed {seed}");
        assert!(truth.bank.stages.iter().all(|s| s.to - s.from >= 240), "{:?}", truth.bank.stages);

        let [port, stbd, alternator, solar] = &truth.sources[..] else { panic!("four sources") };
        // Held off from a minute after shore power until the end, nearly four hours.
        assert_eq!(stbd.charge, AmpereHours(0.0));
        let [held] = stbd.held_off[..] else { panic!("{:?}", stbd.held_off) };
        assert!(held.from < 99 * 60 && f64::from(held.to) == 330.0 * 60.0);
        assert!((115.0..140.0).contains(&held.lost.0), "{held:?}");
        let own = Volts(52.8);
        assert!(voyage.trace.instants[held.from as usize..].iter().all(|i| i.plant.bus >= own + Volts(0.1)));
        // Only the alternator gets too hot, once.
        let [hot] = alternator.too_hot[..] else { panic!("{:?}", alternator.too_hot) };
        assert!((600..1200).contains(&(hot.to - hot.from)), "{hot:?}");
        assert!((109.0..119.0).contains(&hot.peak.0), "{hot:?}");
        for other in [port, alternator, solar] {
            assert!(other.held_off.is_empty(), "{}", other.name);
            assert!(other.lost.0 < 1.0, "{} lost {}", other.name, other.lost);
        }
        assert!([port, stbd, solar].iter().all(|s| s.too_hot.is_empty()));
        // One requirement is met and one is not, both by far: 100 A of one charger, 165 A of two.
        assert_eq!(port.highest, Amperes(110.0));
        assert_eq!(stbd.highest, Amperes(0.0));
        // Input limits, shore breaker and bank limit stay out of the story.
        assert!(voyage.trace.instants.iter().all(|i| i.plant.bank < Amperes(140.0) && i.ac[0].current < Amperes(40.0)));
        let stages: Vec<_> = port.stages.iter().map(|s| s.what).collect();
        assert_eq!(stages, [SourceStage::Off, SourceStage::Bulk, SourceStage::Absorption, SourceStage::Float]);
    }
}

#[test]
fn a_seed_repeats_byte_for_byte() {
    let voyage = short(0);
    let trace = voyage.sail();
    let wiring = Wiring::of(&voyage);
    assert_eq!(trace, voyage.sail());
    assert_eq!(record(&trace, &wiring, 5), record(&trace, &wiring, 5));
    assert_ne!(record(&trace, &wiring, 5), record(&trace, &wiring, 6));
    assert_eq!(sail(3).trace, sail(3).trace);
    assert_ne!(sail(3).trace, sail(4).trace);
}

#[test]
fn the_files_are_those_of_the_voyage() {
    let dir = tempfile::tempdir().unwrap();
    let files = write(&dir.path().join("deeper/demo")).unwrap();
    let voyage = sail(SEED);
    let mut recording = Vec::new();
    assert_eq!(voyage.record(&mut recording).unwrap(), files.frames);
    assert_eq!(std::fs::read(&files.recording).unwrap(), recording);
    assert_eq!(std::fs::read_to_string(&files.vessel).unwrap(), voyage.intent);
    assert_eq!(std::fs::read_dir(dir.path().join("deeper/demo")).unwrap().count(), 2, "nothing else is left");
}

#[test]
fn every_channel_of_the_intent_is_in_the_recording() {
    let voyage = sail(SEED);
    let mut said: Vec<String> = Vec::new();
    for sender in &voyage.wiring.senders {
        let mut noise = ampwake_analyzer::demo::Noise::new(0, 0);
        // In port, where everything that has a frequency shows it.
        for (field, _) in sender.what.values(&voyage.trace, 7000.0, &mut noise) {
            said.push(format!("can0/n2k/{}/{}/{field}", sender.what.pgn(), sender.instance));
        }
    }
    let named: Vec<&str> = voyage.intent.split('"').filter(|s| s.starts_with("can0/")).collect();
    assert!(named.len() > 20);
    for address in named {
        assert!(said.iter().any(|s| s == address), "{address} is never sent");
    }
}

/// The intent promises what the scenario has.
fn assert_same(intent: &Intent, scenario: &Scenario) {
    let bank = &intent.banks[0];
    let profile = &scenario.profile;
    assert_eq!(bank.capacity_ah, scenario.bank.capacity.0);
    assert_eq!(bank.cells_in_series, scenario.bank.cells_in_series);
    assert_eq!(bank.max_charge_a, Some(scenario.max_charge.0));
    let read = (bank.profile.absorption_v, bank.profile.float_v, bank.profile.rebulk_v, bank.profile.tail_a);
    assert_eq!(read, (profile.absorption.0, profile.float.map(|v| v.0), profile.rebulk.0, profile.tail.0));
    assert_eq!(intent.sources.len(), scenario.sources.len());
    for (read, plan) in intent.sources.iter().zip(&scenario.sources) {
        assert_eq!((&read.name, read.kind, read.rated_a), (&plan.name, plan.kind, plan.source.rated.0));
        assert_eq!((read.coordination, read.max_c), (Some(plan.source.coordination), plan.max.map(|t| t.0)));
        if let Input::Engine(_, output) = &plan.input {
            assert_eq!(read.curve, output.points());
        }
        assert_eq!(read.available_when.is_some(), !matches!(plan.input, Input::Amperes(_)));
    }
    let names = |loads: Vec<&String>| loads.into_iter().cloned().collect::<Vec<_>>();
    let read = names(intent.loads.iter().map(|l| &l.name).collect());
    assert_eq!(read, names(scenario.loads.iter().map(|l| &l.name).collect()));
}

#[test]
fn the_intents_read_without_a_mistake() {
    let voyage = sail(SEED);
    let intent = read("vessel.toml", voyage.intent).unwrap_or_else(|mistakes| panic!("{mistakes}"));
    assert_same(&intent, &voyage.scenario);
    assert_eq!(intent.requirements.len(), 2);
    for n in 0..4 {
        let scenario = short(n);
        let text = intent_text(&scenario, &Wiring::of(&scenario), "Test", Chemistry::Lfp);
        let intent = read("vessel.toml", &text).unwrap_or_else(|mistakes| panic!("{mistakes}\n{text}"));
        assert_same(&intent, &scenario);
    }
}

/// An hour of shore power and engine with invented troubles, a different one for every number.
fn short(n: u32) -> Scenario {
    let profile = ChargeProfile {
        absorption: Volts(28.4),
        float: Some(Volts(27.2)),
        rebulk: Volts(25.6),
        rebulk_hold: Seconds(30.0),
        tail: Amperes(6.0),
        tail_hold: Seconds(60.0),
        absorption_max: Seconds(3600.0),
    };
    let source = |rated, mode| Source::new(Amperes(rated), mode, profile);
    let warm = Celsius(20.0);
    let mut scenario = Scenario {
        start: Timestamp::from_millis(1_700_000_000_250),
        seconds: 3600,
        bank: Bank::new(Chemistry::Lfp, 8, AmpereHours(200.0)),
        soc: 0.5 + 0.05 * f64::from(n % 8),
        ambient: warm,
        profile,
        max_charge: Amperes(150.0),
        sources: vec![
            SourcePlan::new("charger", source(60.0, Coordination::Networked), Input::Ac(0), warm),
            SourcePlan::new(
                "alternator",
                source(80.0, Coordination::VoltageSensing),
                Input::Engine(0, Curve::new([(600.0, 0.0), (2000.0, 80.0)])),
                warm,
            ),
            SourcePlan::new(
                "panels",
                source(20.0, Coordination::Networked),
                Input::Amperes(Curve::new([(0.0, 2.0), (1800.0, 15.0)])),
                warm,
            ),
        ],
        loads: vec![NamedLoad {
            name: "all".into(),
            consumers: vec![Curve::constant(4.0), Curve::steps(0.0, [(900.0, 30.0), (1200.0, 0.0)])],
        }],
        engines: vec![Curve::steps(0.0, [(1500.0, 1400.0), (3000.0, 0.0)])],
        ac: vec![AcInput {
            volts: Curve::steps(0.0, [(300.0, 230.0)]),
            nominal: Volts(230.0),
            hertz: 50.0,
            sag_ohm: 0.2,
            inverting: Curve::constant(0.0),
        }],
    };
    match n % 4 {
        1 => scenario.sources[0].fault = Curve::steps(0.0, [(2000.0, 1.0), (2400.0, 0.0)]),
        2 => scenario.sources[2].linked = Curve::steps(1.0, [(600.0, 0.0)]),
        3 => scenario.sources[1].on = Curve::constant(0.0),
        _ => {}
    }
    scenario
}

#[test]
fn any_scenario_balances_and_decodes() {
    for n in 0..8 {
        let scenario = short(n);
        let trace = scenario.sail();
        assert_eq!(trace.instants.len(), 3600);
        for i in &trace.instants {
            let sources: Amperes = i.plant.sources.iter().map(|s| s.current).sum();
            let residual = sources - i.loads.iter().copied().sum::<Amperes>() - i.plant.bank;
            assert!(residual.0.abs() < 1e-9, "{residual}");
            assert!(i.plant.sources.iter().zip(&i.available).all(|(s, a)| s.current <= *a));
        }
        let truth = Truth::of(&scenario, &trace);
        let given: f64 = truth.sources.iter().map(|s| s.charge.0).sum();
        let used: f64 = trace.instants.iter().map(|i| i.loads[0].0 / 3600.0).sum();
        assert!((given - used - truth.bank.charge_net.0).abs() < 1e-6);
        let lost: f64 = truth.sources.iter().map(|s| s.lost.0).sum();
        assert!(lost >= 0.0 && lost < scenario.max_charge.0, "an hour has no more room than that: {lost}");
        if n % 4 == 3 {
            let off = truth.source("alternator").unwrap();
            assert!(off.charge.0 == 0.0 && off.held_off.is_empty());
        }

        let wiring = Wiring::of(&scenario);
        let heard = assert_recorded(&trace, &wiring, &decoded(&record(&trace, &wiring, u64::from(n))));
        assert_eq!(heard.len(), wiring.senders.len());
    }
}

#[test]
fn silences_and_bad_sensors_are_as_ordered() {
    let scenario = short(0);
    let trace = scenario.sail();
    let mut wiring = Wiring::of(&scenario);
    let whole = decoded(&record(&trace, &wiring, 1));
    wiring.silences = vec![(1000.0, 1240.0)];
    let is_charger = |w: &What| matches!(w, What::Source { source: 0, .. });
    let charger = wiring.senders.iter().position(|s| is_charger(&s.what)).unwrap();
    wiring.senders[charger].silences = vec![(2000.0, 2100.0)];
    let what = &mut wiring.senders[charger].what;
    let What::Source { current, .. } = what else { panic!("{what:?}") };
    current.scale = -1.0;
    let messages = decoded(&record(&trace, &wiring, 1));
    assert_recorded(&trace, &wiring, &messages);
    let seconds = |at: &Timestamp| at.seconds_since(trace.start);
    assert!(!messages.iter().any(|(at, ..)| (1000.1..1240.0).contains(&seconds(at))));
    let own = wiring.senders[charger].device;
    assert!(
        !messages
            .iter()
            .any(|(at, a, m)| { *a == own && m.def.number == 127_751 && (2000.1..2100.0).contains(&seconds(at)) })
    );
    // What is heard later is heard when it would have been heard anyway, but for its wait for the bus.
    let later = |all: &[(Timestamp, u8, Decoded)]| -> Vec<f64> {
        all.iter().map(|(at, ..)| seconds(at)).filter(|t| *t > 2200.0).collect()
    };
    let (with, without) = (later(&messages), later(&whole));
    assert_eq!(with.len(), without.len());
    assert!(with.iter().zip(&without).all(|(a, b)| (a - b).abs() < 0.02));
}
