//! The voyage in NMEA 0183 sentences, as a log with RFC 3339 times that names no line.

use crate::carrier::{Carrier, Resolution, moments};
use ampwake_analyzer::demo::Trace;

/// Transducers on a serial line, which carry neither states nor a state of charge.
pub fn nmea_0183(trace: &Trace) -> Carrier {
    let mut c = Carrier::new(Resolution { current: 0.01, voltage: 0.01, temperature: Some(0.1) }, false);
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
