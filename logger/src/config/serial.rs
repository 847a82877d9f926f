//! `[[serial]]`: serial lines, and what speaks like one over a network.

use super::{Names, file};
use ampwake_schemas::toml_read::{Item, Key, Limits, Table, key};
use std::fmt;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// One line.
#[derive(Debug, Clone, PartialEq)]
pub struct SerialLine {
    /// The name of the bus in channel addresses.
    pub name: String,
    /// Where it is.
    pub port: Port,
    /// What it speaks.
    pub speaks: Speaks,
}

/// What a line speaks.
#[derive(Debug, Clone, PartialEq)]
pub enum Speaks {
    /// Sentences; the line is only listened to.
    Nmea0183,
    /// Modbus; these units are asked.
    Modbus(Vec<UnitConfig>),
}

impl Speaks {
    /// As it stands in channel addresses.
    pub const fn text(&self) -> &'static str {
        match self {
            Self::Nmea0183 => "nmea0183",
            Self::Modbus(_) => "modbus",
        }
    }
}

/// A Modbus unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitConfig {
    /// Its address.
    pub unit: u8,
    /// The file with its registers; `None` for a device that describes itself as SunSpec lays down.
    pub map: Option<PathBuf>,
    /// Seconds between two polls.
    pub every_s: f64,
}

/// Where a line is.
#[derive(Debug, Clone, PartialEq)]
pub enum Port {
    /// A serial port of this computer.
    Device(Device),
    /// A connection: sentences, or Modbus TCP.
    Tcp(String),
    /// A connection to a serial line that carries Modbus RTU frames.
    RtuOverTcp(String),
    /// Datagrams that come in at this address.
    Udp(SocketAddr),
}

/// A serial port and its settings; always eight data bits.
#[derive(Debug, Clone, PartialEq)]
pub struct Device {
    /// The device file.
    pub path: PathBuf,
    /// bit/s.
    pub baud: u32,
    /// The parity bit.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
}

/// The parity bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // each is its own word
pub enum Parity {
    None,
    Even,
    Odd,
}

impl Parity {
    const ALL: &[Self] = &[Self::None, Self::Even, Self::Odd];

    const fn text(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Even => "even",
            Self::Odd => "odd",
        }
    }
}

impl fmt::Display for Port {
    /// As it stands in the file; a serial port with its settings (`/dev/ttyUSB0 9600 8E1`).
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Device(d) => {
                let parity = d.parity.text()[..1].to_uppercase();
                write!(f, "{} {} 8{parity}{}", d.path.display(), d.baud, d.stop_bits)
            }
            Self::Tcp(host) => write!(f, "tcp://{host}"),
            Self::RtuOverTcp(host) => write!(f, "rtu+tcp://{host}"),
            Self::Udp(address) => write!(f, "udp://{address}"),
        }
    }
}

const NAME: Key = key("name", "what this line is called in channel addresses", "\"aft\"");
const PORT: Key = key("port", "the device file of the line, or a network address", "\"/dev/ttyUSB0\"");
const BAUD: Key = key("baud", "its speed in bit/s", "4800");
const PARITY: Key = key("parity", "its parity bit", "\"none\"");
const STOP_BITS: Key = key("stop_bits", "its stop bits", "1");
const PROTOCOL: Key = key("protocol", "what the line speaks, unless it is `modbus`", "\"nmea0183\"");
const MODBUS: Key = key("modbus", "the Modbus units to poll", "[{ unit = 7, map = \"maps/shunt.toml\", every_s = 1 }]");
const UNIT: Key = key("unit", "the Modbus unit's address", "7");
const MAP: Key = key("map", "the file that describes its registers", "\"maps/shunt.toml\"");
const SUNSPEC: Key = key("sunspec", "whether the device describes itself as SunSpec lays down", "true");
const EVERY: Key = key("every_s", "the seconds between two polls", "1");

/// Reads one section.
pub(super) fn line<'a>(t: &Table<'a>, base_dir: &Path, names: &mut Names<'a>) -> Option<SerialLine> {
    let name = t.need(NAME).and_then(|i| names.take(i, None));
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
    let port = port(t, modbus.is_some());
    let speaks = match (protocol, modbus) {
        (Some(item), _) => item.word(&["nmea0183"], |w| w).map(|_| Speaks::Nmea0183),
        (None, Some(item)) => units(&item, base_dir).map(Speaks::Modbus),
        (None, None) => None,
    };
    Some(SerialLine { name: name?, port: port?, speaks: speaks? })
}

/// Where the line is, with its settings where it has any.
fn port(t: &Table<'_>, modbus: bool) -> Option<Port> {
    let item = t.need(PORT);
    let written = item.as_ref().and_then(Item::text);
    let network = written.is_some_and(|p| p.contains("://"));
    let baud = if network { t.take(BAUD) } else { t.need(BAUD) };
    let settings = [baud.clone(), t.take(PARITY), t.take(STOP_BITS)];
    if network {
        for setting in settings.iter().flatten() {
            let problem = format!("a network address has no `{}`", setting.key().name);
            setting.wrong(&problem, "take it out; it is set in the device at the other end");
        }
        return address(&item?, written?, modbus);
    }
    let [baud, parity, stop_bits] = settings;
    let baud = baud.and_then(|i| i.whole(Limits::within(300.0, 4_000_000.0, "bit/s")));
    // The default of MODBUS over serial line V1.02, 2.5.1, is even parity; sentences come without.
    let usual = if modbus { Parity::Even } else { Parity::None };
    let instead = [("n", "none"), ("e", "even"), ("o", "odd"), ("no", "none")];
    let parity = parity.map_or(Some(usual), |i| i.word_or(Parity::ALL, Parity::text, &instead));
    let stop_bits = stop_bits.map_or(Some(1), |i| i.whole(Limits::within(1.0, 2.0, "")));
    Some(Port::Device(Device { path: written?.into(), baud: baud?, parity: parity?, stop_bits: stop_bits? as u8 }))
}

/// A network address.
fn address(item: &Item<'_>, written: &str, modbus: bool) -> Option<Port> {
    let (scheme, host) = written.split_once("://")?;
    let port =
        host.rsplit_once(':').filter(|(host, _)| !host.is_empty()).and_then(|(_, port)| port.parse::<u16>().ok());
    if port.is_none_or(|port| port == 0) {
        let example = if modbus { "192.168.1.20:502" } else { "192.168.1.20:10110" };
        item.wrong("a network address ends in `host:port`", &format!("for example `port = \"{scheme}://{example}\"`"));
        return None;
    }
    match (scheme, modbus) {
        ("tcp", _) => Some(Port::Tcp(host.to_owned())),
        ("rtu+tcp", true) => Some(Port::RtuOverTcp(host.to_owned())),
        ("udp", false) => {
            let address = host.parse().ok();
            if address.is_none() {
                let problem = "to listen to datagrams an address of this computer is needed, not a name";
                item.wrong(problem, "write `port = \"udp://0.0.0.0:10110\"` for all of its addresses");
            }
            address.map(Port::Udp)
        }
        _ => {
            let known = if modbus { "`tcp://` (Modbus TCP) or `rtu+tcp://`" } else { "`tcp://` or `udp://`" };
            item.wrong("this kind of network address is not known here", &format!("begin it with {known}"));
            None
        }
    }
}

fn units(item: &Item<'_>, base_dir: &Path) -> Option<Vec<UnitConfig>> {
    let members = item.list()?;
    if members.is_empty() {
        item.wrong("a line without units has nothing to ask", &format!("write `modbus = {}`", MODBUS.example));
        return None;
    }
    let read: Vec<Option<UnitConfig>> = members.iter().map(|m| m.table(|t| unit(t, base_dir)).flatten()).collect();
    for (i, (read_unit, member)) in read.iter().zip(&members).enumerate() {
        let same = |u: &UnitConfig| read[..i].iter().flatten().any(|earlier| earlier.unit == u.unit);
        if read_unit.as_ref().is_some_and(same) {
            member.wrong("this unit is in the list twice", "put all of its registers into one map");
        }
    }
    read.into_iter().collect()
}

fn unit(t: &Table<'_>, base_dir: &Path) -> Option<UnitConfig> {
    // Unit addresses 1 to 247: MODBUS over serial line, specification and implementation guide V1.02, 2.2.
    let unit = t.need(UNIT).and_then(|i| i.whole(Limits::within(1.0, 247.0, "")));
    let every_s = t.take(EVERY).map_or(Some(1.0), |i| i.number(Limits::within(0.1, 3600.0, "s")));
    let sunspec = t.take(SUNSPEC);
    let map = match (t.take(MAP), &sunspec) {
        (Some(map), None) => file(&map, base_dir).map(Some),
        (Some(map), Some(_)) => {
            map.wrong("a unit has either a `map` or `sunspec = true`", "keep one of the two");
            None
        }
        (None, Some(sunspec)) => match sunspec.flag()? {
            true => Some(None),
            false => {
                sunspec.wrong("a unit without a map can only be asked for its SunSpec models", &sunspec.write("true"));
                None
            }
        },
        (None, None) => {
            t.need(MAP);
            None
        }
    };
    Some(UnitConfig { unit: unit? as u8, map: map?, every_s: every_s? })
}
