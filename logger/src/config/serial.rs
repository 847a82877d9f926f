//! `[[serial]]`: checked in its form, so that a file which asks for it hears everything at once, and refused.

use super::{Names, file};
use ampwake_schemas::toml_read::{Key, Limits, Table, key};
use std::path::Path;

const NAME: Key = key("name", "what this line is called in channel addresses", "\"aft\"");
const PORT: Key = key("port", "the device file of the line", "\"/dev/ttyUSB0\"");
const BAUD: Key = key("baud", "its speed in bit/s", "4800");
const PROTOCOL: Key = key("protocol", "what the line speaks, unless it is `modbus`", "\"nmea0183\"");
const MODBUS: Key = key("modbus", "the Modbus units to poll", "[{ unit = 7, map = \"maps/shunt.toml\", every_s = 1 }]");
const UNIT: Key = key("unit", "the Modbus unit's address", "7");
const MAP: Key = key("map", "the file that describes its registers", "\"maps/shunt.toml\"");
const EVERY: Key = key("every_s", "the seconds between two polls", "1");

/// Checks one section and says that it is not recorded.
pub(super) fn check<'a>(t: &Table<'a>, base_dir: &Path, names: &mut Names<'a>) {
    t.wrong(
        "serial lines are not recorded by this version",
        "take this section out, or put `#` in front of each of its lines",
    );
    if let Some(item) = t.need(NAME) {
        names.take(item, None);
    }
    t.need(PORT).and_then(|i| i.text());
    t.need(BAUD).and_then(|i| i.whole(Limits::within(300.0, 4_000_000.0, "bit/s")));
    let protocol = t.take(PROTOCOL);
    let modbus = t.take(MODBUS);
    match (&protocol, &modbus) {
        (None, None) => t.wrong_by_absence(
            &[PROTOCOL.name, MODBUS.name],
            "this line has neither `protocol` nor `modbus`",
            "add `protocol = \"nmea0183\"`, or `modbus = […]` with the units to poll",
        ),
        (Some(item), Some(_)) => item.wrong("a line speaks either `protocol` or `modbus`", "keep one of the two"),
        _ => {}
    }
    if let Some(item) = protocol {
        item.word(&["nmea0183"], |w| w);
    }
    for item in modbus.and_then(|i| i.list()).unwrap_or_default() {
        item.table(|u| {
            // Unit addresses 1 to 247: MODBUS over serial line, specification and implementation guide V1.02, 2.2.
            u.need(UNIT).and_then(|i| i.whole(Limits::within(1.0, 247.0, "")));
            u.need(MAP).and_then(|i| file(&i, base_dir));
            u.take(EVERY).and_then(|i| i.number(Limits::within(0.1, 3600.0, "s")));
        });
    }
}
