//! What SAE J1939 can carry of the voyage: the bank's volts and amperes, the alternator's, the engine's speed.
//!
//! Its vehicle electrical power (65271) knows one battery and one alternator, the battery's current from -125 A to
//! 125 A (SPN 114). Chargers, solar regulators, loads, AC inputs, the temperatures of bank and alternator, states of
//! charge and of charging have no message in the tables here: the layouts of the standard's own (battery charger,
//! 64789) were found in no public source.

use crate::carrier::{Carrier, Resolution, moments};
use ampwake_analyzer::demo::Trace;
use ampwake_schemas::message::Protocol;

/// The intent's addresses that have no place on J1939.
pub const NOT_CARRIED: [&str; 20] = [
    "127508/1/battery_temperature",
    "127506/1/state_of_charge",
    "127751/3/dc_current",
    "127751/3/dc_voltage",
    "127507/3/operating_state",
    "130316/23/temperature",
    "127503/3/voltage",
    "127503/3/frequency",
    "127751/4/dc_current",
    "127751/4/dc_voltage",
    "127507/4/operating_state",
    "130316/24/temperature",
    "127503/4/voltage",
    "127507/5/operating_state",
    "130316/25/temperature",
    "127751/6/dc_current",
    "127751/6/dc_voltage",
    "127507/6/operating_state",
    "127751/11/dc_current",
    "127751/12/dc_current",
];

pub fn j1939(trace: &Trace) -> Carrier {
    let mut c = Carrier::new(Resolution { current: 1.0, voltage: 0.05, temperature: None }, false);
    c.dialects.insert("can0".into(), vec![Protocol::J1939.into()]);
    NOT_CARRIED.iter().for_each(|address| c.is(address, None));
    c.is("127508/1/battery_voltage", "can0/j1939/65271/battery_potential");
    c.is("127508/1/battery_current", "can0/j1939/65271/net_battery_current");
    c.is("127751/5/dc_current", "can0/j1939/65271/alternator_current");
    c.is("127751/5/dc_voltage", "can0/j1939/65271/charging_system_potential");
    c.is("127488/0/engine_speed", "can0/j1939/61444/engine_speed");
    let on = ("can0", Protocol::J1939);
    for (t, i) in moments(trace) {
        let (p, alternator) = (&i.plant, &i.plant.sources[2]);
        let power = [
            ("net_battery_current", p.bank.0.round()),
            ("alternator_current", alternator.current.0.round()),
            ("charging_system_potential", alternator.terminal.0),
            ("battery_potential", p.bus.0),
        ];
        c.message(t, on, 65271, None, &power);
        c.message(t + 0.01, on, 61444, None, &[("engine_speed", i.engines[0])]);
    }
    c
}
