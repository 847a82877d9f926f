//! The voyage on RV-C.

use crate::carrier::{Carrier, Resolution, moments};
use crate::n2k::states;
use ampwake_analyzer::demo::{Instant, Trace};
use ampwake_schemas::message::Protocol;

pub fn rvc_source(c: &mut Carrier, t: f64, i: &Instant, j: usize, bus: &str) {
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
pub fn rvc_chargers(c: &mut Carrier, bus: &str, sources: std::ops::Range<usize>) {
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

pub fn rv_c(trace: &Trace) -> Carrier {
    let mut c = Carrier::new(Resolution { current: 0.05, voltage: 0.05, temperature: Some(1.0) }, true);
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
