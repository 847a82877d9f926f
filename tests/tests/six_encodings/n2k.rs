//! The voyage on NMEA 2000.

use crate::carrier::{Carrier, Resolution, moments};
use ampwake_analyzer::demo::{Instant, Trace};
use ampwake_analyzer::model::SourceStage;
use ampwake_schemas::message::Protocol;

/// What a source says of itself, as 127507 and as RV-C number it.
pub fn states(stage: SourceStage) -> (f64, f64) {
    match stage {
        SourceStage::Off => (0.0, 1.0),
        SourceStage::Bulk => (1.0, 2.0),
        SourceStage::Absorption => (2.0, 3.0),
        SourceStage::Float => (5.0, 6.0),
        SourceStage::Idle => (6.0, 1.0),
        SourceStage::Fault => (9.0, 0.0),
    }
}

pub fn n2k_bank(c: &mut Carrier, t: f64, i: &Instant, bus: &str) {
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

pub fn n2k_source(c: &mut Carrier, t: f64, i: &Instant, j: usize, bus: &str) {
    let on = (bus, Protocol::N2k);
    let (s, instance) = (&i.plant.sources[j], Some(3 + j as u32));
    c.message(t + 0.02, on, 127_751, instance, &[("dc_voltage", s.terminal.0), ("dc_current", s.current.0)]);
    c.message(t + 0.03, on, 127_507, instance, &[("operating_state", states(s.stage).0)]);
    c.message(t + 0.05, on, 130_316, Some(23 + j as u32), &[("source", 3.0), ("temperature", s.temperature.0)]);
}

pub fn n2k_rest(c: &mut Carrier, t: f64, i: &Instant, bus: &str, engine: bool) {
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

pub fn nmea_2000(trace: &Trace) -> Carrier {
    // 127508 says tenths of an ampere, 127751 tenths of a volt.
    let mut c = Carrier::new(Resolution { current: 0.1, voltage: 0.1, temperature: Some(0.01) }, true);
    c.dialects.insert("can0".into(), vec![Protocol::N2k.into()]);
    for (t, i) in moments(trace) {
        n2k_bank(&mut c, t, i, "can0");
        (0..4).for_each(|j| n2k_source(&mut c, t, i, j, "can0"));
        n2k_rest(&mut c, t, i, "can0", true);
    }
    c
}
