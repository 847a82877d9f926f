//! The voyage on a boat on which every device speaks something else.

use crate::carrier::{Carrier, Resolution, moments};
use crate::dbc::{dbc_bank, dbc_pack, described};
use crate::n2k::{n2k_rest, n2k_source};
use crate::rvc::{rvc_chargers, rvc_source};
use ampwake_analyzer::demo::Trace;
use ampwake_schemas::message::Protocol;

/// The battery by its DBC file, the shore chargers on RV-C, the engine and its alternator on J1939, the rest on
/// NMEA 2000: four buses.
pub fn refit(trace: &Trace) -> Carrier {
    // The alternator's whole amperes on J1939, the chargers' whole degrees on RV-C.
    let mut c = Carrier::new(Resolution { current: 1.0, voltage: 0.1, temperature: Some(1.0) }, true);
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
