//! What was found out about an identifier once need not be found out again: what its frames are, how their values are
//! read, and where those go. A live bus and an import of millions of frames take the same short way.
//!
//! Owes its reader: the same database as the long way round leaves (the tests compare them), whatever a bus carries. A
//! shortcut is taken only while nothing has changed: the same device, alone with this message, no fault to be told.

use super::bus::Known;
use super::channels::Way;
use super::faults::{Tells, tells};
use super::pgn;
use crate::bus::Frame;
use crate::identity::DeviceKey;
use ampwake_schemas::message::plain::Plain;
use ampwake_schemas::message::{MessageDef, Protocol};

/// Identifiers remembered; two that share a place push each other out.
const PLACES: usize = 512;
/// Instances remembered of one identifier.
const MOST_INSTANCES: usize = 16;
/// Messages in which the place of measurement tells one sensor from another have it in a field of this name.
const PLACE: &str = "source";

/// The identifiers of one bus.
pub(super) struct Shortcuts {
    /// The tables alone decide what a frame is.
    allowed: bool,
    /// By a hash of the identifier; empty until the first one comes.
    places: Vec<Option<Box<Shortcut>>>,
}

/// What is known of one identifier (29 bits, no CAN FD).
pub(super) struct Shortcut {
    id: u32,
    /// `None`: no row has it.
    pub(super) def: Option<&'static MessageDef>,
    /// How its values are read, where that is simple.
    pub(super) reader: Option<Reader>,
}

/// How the values of one identifier are read, and where they went.
pub(super) struct Reader {
    plain: Plain,
    /// The values that tell of faults: their places, and the bits that do.
    lamps: Vec<(usize, u32)>,
    /// The value that belongs to the address.
    place: Option<usize>,
    routes: Vec<(Key, Way)>,
    pub(super) raws: Vec<i64>,
    pub(super) codes: Vec<u8>,
}

/// What messages that go the same way have in common.
#[derive(Clone, Copy, PartialEq)]
pub(super) struct Key {
    instance: Option<u64>,
    place: Option<(i64, u8)>,
    device: DeviceKey,
}

impl Shortcuts {
    /// None known yet; none ever, where they are not allowed.
    pub(super) fn new(allowed: bool) -> Self {
        Self { allowed, places: Vec::new() }
    }

    /// What is known of a frame's identifier.
    #[inline]
    pub(super) fn get(&mut self, frame: &Frame) -> Option<&mut Shortcut> {
        let place = self.places.get_mut(place_of(frame.id))?.as_deref_mut();
        place.filter(|shortcut| shortcut.id == frame.id && is_plain(frame))
    }

    /// How a frame's values are read.
    #[inline]
    pub(super) fn reader(&mut self, frame: &Frame) -> Option<&mut Reader> {
        self.get(frame)?.reader.as_mut()
    }

    /// Remembers what the frames of an identifier are.
    pub(super) fn learn(&mut self, frame: &Frame, known: &Known) {
        let def = match known {
            Known::Row(def) => Some(*def),
            Known::Unknown => None,
            _ => return,
        };
        if self.allowed && is_plain(frame) {
            self.places.resize_with(PLACES, || None);
            let shortcut = Shortcut { id: frame.id, def, reader: def.and_then(Reader::of) };
            self.places[place_of(frame.id)] = Some(Box::new(shortcut));
        }
    }
}

fn is_plain(frame: &Frame) -> bool {
    frame.flags.extended && !frame.flags.fd
}

/// Multiplicative hashing (Knuth, The Art of Computer Programming 3, 6.4): identifiers differ in few bits.
#[inline]
fn place_of(id: u32) -> usize {
    (id.wrapping_mul(0x9E37_79B1) >> (u32::BITS - PLACES.ilog2())) as usize
}

impl Reader {
    fn of(def: &'static MessageDef) -> Option<Self> {
        let special =
            [pgn::ADDRESS_CLAIM, pgn::SYSTEM_TIME, pgn::HEARTBEAT, pgn::PRODUCT_INFORMATION, pgn::GNSS_POSITION];
        if special.contains(&def.number) {
            return None;
        }
        let plain = Plain::of(def)?;
        let at = |name: &str| plain.fields().iter().position(|f| f.name == name);
        let lamps = match tells(def) {
            Tells::Nothing => Vec::new(),
            Tells::Lamps(words) => words.iter().map(|(name, bits)| Some((at(name)?, *bits))).collect::<Option<_>>()?,
            Tells::Codes => return None,
        };
        let place = if def.protocol == Protocol::N2k { at(PLACE) } else { None };
        Some(Self { plain, lamps, place, routes: Vec::new(), raws: Vec::new(), codes: Vec::new() })
    }

    /// Reads the values into `raws` and `codes`, and says where they go, if that is known and no lamp is lit.
    #[inline]
    pub(super) fn read(&mut self, payload: &[u8], device: DeviceKey) -> Option<Way> {
        let instance = self.plain.instance(payload);
        let mut routes = self.routes.iter().filter(|(key, _)| key.instance == instance && key.device == device);
        let (_, first) = routes.clone().next()?;
        self.plain.read(payload, &mut self.raws, &mut self.codes);
        if self.lamps.iter().any(|(at, bits)| self.codes[*at] == 0 && self.raws[*at] as u32 & bits != 0) {
            return None;
        }
        match self.place.map(|at| (self.raws[at], self.codes[at])) {
            None => Some(*first),
            place => routes.find(|(key, _)| key.place == place).map(|(_, way)| *way),
        }
    }

    /// True where its values tell of faults.
    pub(super) fn has_lamps(&self) -> bool {
        !self.lamps.is_empty()
    }

    /// What a message has in common with those that go the same way.
    pub(super) fn key(&mut self, payload: &[u8], device: DeviceKey) -> Key {
        self.plain.read(payload, &mut self.raws, &mut self.codes);
        let place = self.place.map(|at| (self.raws[at], self.codes[at]));
        Key { instance: self.plain.instance(payload), place, device }
    }

    /// Remembers where the values of such messages go.
    pub(super) fn learn(&mut self, key: Key, way: Way) {
        self.routes.retain(|(known, _)| (known.instance, known.place) != (key.instance, key.place));
        if self.routes.len() >= MOST_INSTANCES {
            self.routes.remove(0);
        }
        self.routes.push((key, way));
    }
}

#[cfg(test)]
mod tests;
