//! The voyage in messages of a DBC file, which carry no state that a tool could know.

use crate::carrier::{Carrier, Resolution, moments};
use ampwake_analyzer::demo::{Instant, Trace};
use ampwake_logger::dbc::Definitions;
use ampwake_logger::dialect::Dialect;
use std::path::Path;
use std::sync::Arc;

/// The file of the battery and the sources that speak a language of their own.
const OWN: &str = r#"VERSION ""
BO_ 256 Pack: 8 Battery
 SG_ PackVoltage : 7|16@0+ (0.01,0) [0|655] "V" Display
 SG_ PackCurrent : 23|16@0- (0.05,0) [-1600|1600] "A" Display
 SG_ PackTemperature : 39|16@0- (0.1,0) [-100|200] "degC" Display
 SG_ SOC : 55|8@0+ (0.5,0) [0|100] "%" Display
BO_ 2566856704 Other: 8 L
 SG_ Propulsion : 0|16@1- (0.05,0) [0|0] "A" D
 SG_ House : 16|16@1- (0.05,0) [0|0] "A" D
 SG_ Engine : 32|16@1+ (0.25,0) [0|0] "rpm" D
BO_ 2566856705 Shore: 8 L
 SG_ Port : 0|16@1+ (0.1,0) [0|0] "V" D
 SG_ Stbd : 16|16@1+ (0.1,0) [0|0] "V" D
 SG_ Frequency : 32|16@1+ (0.01,0) [0|0] "Hz" D
"#;

/// A message per source, all laid out alike.
fn source_message(number: usize) -> String {
    format!(
        r#"BO_ {} Source{number}: 8 C
 SG_ Current : 0|16@1- (0.05,0) [0|0] "A" D
 SG_ Voltage : 16|16@1+ (0.01,0) [0|0] "V" D
 SG_ Temperature : 32|16@1- (0.1,0) [0|0] "degC" D
"#,
        511 + number
    )
}

pub fn described() -> Dialect {
    let text: String = std::iter::once(OWN.to_owned()).chain((1..=4).map(source_message)).collect();
    Dialect::Frames(Arc::new(Definitions::from_bytes(Path::new("own.dbc"), text.as_bytes()).unwrap()))
}

pub fn raw(value: f64, step: f64) -> i16 {
    // Unsigned ones have the same bits.
    (value / step).round() as i64 as i16
}

pub fn dbc_pack(c: &mut Carrier, t: f64, i: &Instant, bus: &str) {
    let p = &i.plant;
    let mut data = Vec::new();
    for value in [raw(p.bus.0, 0.01), raw(p.bank.0, 0.05), raw(p.temperature.0, 0.1)] {
        data.extend(value.to_be_bytes());
    }
    data.extend([(p.soc * 200.0).round() as u8, 0]);
    c.frame(t, bus, "100", &data);
}

pub fn dbc_bank(c: &mut Carrier, bus: &str) {
    for (old, new) in [
        ("127508/1/battery_voltage", "pack/pack_voltage"),
        ("127508/1/battery_current", "pack/pack_current"),
        ("127508/1/battery_temperature", "pack/pack_temperature"),
        ("127506/1/state_of_charge", "pack/soc"),
    ] {
        c.addresses.insert(format!("can0/n2k/{old}"), Some(format!("{bus}/dbc/{new}")));
    }
}

pub fn own_messages(trace: &Trace) -> Carrier {
    let mut c = Carrier::new(Resolution { current: 0.05, voltage: 0.01, temperature: Some(0.1) }, false);
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
