//! Captures in the pcap and pcapng forms, as packet sniffers write them from a CAN interface.
//!
//! Sources: the published forms of both files (IETF drafts "PCAP Capture File Format" and "PCAP Next Generation
//! Capture File Format"; their numbers are unchanged since tcpdump 4 and 2012) and of the packets in them
//! (LINKTYPE_CAN_SOCKETCAN, 227): identifier and flags in network byte order, length, CAN FD flags, two bytes, data.
//!
//! Owes its reader: memory bounded by one block; damage is counted; an end in the middle of a packet is the end.

use super::{Flags, Frame};
use ampwake_schemas::time::Timestamp;
use std::io::{ErrorKind, Read};

const LINKTYPE_CAN: u16 = 227;
/// No packet of a CAN bus comes near; a longer block is damage or another network's.
const MOST_BYTES: usize = 1 << 18;
/// More interfaces than this are no vessel.
const MOST_INTERFACES: usize = 64;

/// How a capture goes on.
#[derive(Debug, PartialEq, Eq)]
pub enum Next {
    /// A frame with its time, of the interface with this number.
    Frame(usize, Frame),
    /// Something that is no frame of a CAN bus, by the name under which it is counted.
    Problem(&'static str),
    /// The end.
    End,
}

/// An interface of a capture.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Interface {
    name: Vec<u8>,
    /// Of its packets; others than CAN are counted.
    link: u16,
    /// Units of its times per second.
    per_second: u64,
    /// Seconds to add to its times.
    offset: i64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    /// One interface, one header, packets.
    Plain,
    /// Blocks.
    Blocks,
}

/// An open capture.
pub struct Capture<R> {
    source: R,
    form: Form,
    big_endian: bool,
    interfaces: Vec<Interface>,
    /// Interfaces of the present section begin here.
    section: usize,
    buffer: Vec<u8>,
    over: bool,
}

/// True where these first bytes are those of a capture.
pub fn is_capture(start: &[u8]) -> bool {
    let Some(magic) = start.first_chunk::<4>() else { return false };
    is_blocks(magic) || plain(magic).is_some()
}

fn is_blocks(magic: &[u8; 4]) -> bool {
    *magic == [0x0A, 0x0D, 0x0D, 0x0A]
}

/// Byte order and units per second of the plain form.
fn plain(magic: &[u8; 4]) -> Option<(bool, u64)> {
    Some(match u32::from_be_bytes(*magic) {
        0xA1B2_C3D4 => (true, 1_000_000),
        0xD4C3_B2A1 => (false, 1_000_000),
        0xA1B2_3C4D => (true, 1_000_000_000),
        0x4D3C_B2A1 => (false, 1_000_000_000),
        _ => return None,
    })
}

impl<R: Read> Capture<R> {
    /// Over a source at whose start [`is_capture`] is true.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn open(source: R) -> std::io::Result<Self> {
        let (form, buffer) = (Form::Blocks, Vec::new());
        let mut out = Self { source, form, big_endian: false, interfaces: Vec::new(), section: 0, buffer, over: false };
        let mut magic = [0; 4];
        out.over = !out.fill(&mut magic)?;
        if let Some((big_endian, per_second)) = plain(&magic) {
            out.form = Form::Plain;
            out.big_endian = big_endian;
            let mut rest = [0; 20];
            out.over = !out.fill(&mut rest)?;
            // Versions, zone and accuracy (never used), longest packet, link type in the lower half.
            let link = out.u32(&rest[16..]) as u16;
            out.interfaces.push(Interface { name: b"can0".to_vec(), link, per_second, offset: 0 });
        } else {
            out.begin_section()?;
        }
        Ok(out)
    }

    /// The name of an interface: what the capture says, else `can` and its number.
    pub fn name(&self, interface: usize) -> &[u8] {
        self.interfaces.get(interface).map_or(b"can0", |i| &i.name)
    }

    /// Goes on.
    ///
    /// # Errors
    /// The source cannot be read.
    pub fn advance(&mut self) -> std::io::Result<Next> {
        loop {
            if self.over {
                return Ok(Next::End);
            }
            let step = match self.form {
                Form::Plain => self.next_plain()?,
                Form::Blocks => self.next_block()?,
            };
            if let Some(next) = step {
                return Ok(next);
            }
        }
    }

    /// Ends it: its source has failed.
    pub fn close(&mut self) {
        self.over = true;
    }

    /// Reads the first byte of what comes next; false at the regular end. An archive that is cut here is an error.
    fn begins(&mut self, first: &mut u8) -> std::io::Result<bool> {
        loop {
            match self.source.read(std::slice::from_mut(first)) {
                Ok(n) => {
                    self.over = n == 0;
                    return Ok(n > 0);
                }
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
    }

    /// Reads exactly; false where the source ends before.
    fn fill(&mut self, bytes: &mut [u8]) -> std::io::Result<bool> {
        match self.source.read_exact(bytes) {
            Ok(()) => Ok(true),
            Err(e) if e.kind() == ErrorKind::UnexpectedEof => Ok(false),
            Err(e) => Err(e),
        }
    }

    /// Reads so many bytes into the buffer; the problem where they are not there.
    fn fill_buffer(&mut self, length: usize) -> std::io::Result<Option<Next>> {
        if length > MOST_BYTES {
            self.over = true;
            return Ok(Some(Next::Problem("damaged_capture")));
        }
        let mut buffer = std::mem::take(&mut self.buffer);
        buffer.resize(length, 0);
        let whole = self.fill(&mut buffer)?;
        self.buffer = buffer;
        self.over = !whole;
        Ok((!whole).then_some(Next::Problem("truncated_recording")))
    }

    fn u32(&self, bytes: &[u8]) -> u32 {
        let four = bytes.first_chunk::<4>().copied().unwrap_or_default();
        if self.big_endian { u32::from_be_bytes(four) } else { u32::from_le_bytes(four) }
    }

    fn u16(&self, bytes: &[u8]) -> u16 {
        let two = bytes.first_chunk::<2>().copied().unwrap_or_default();
        if self.big_endian { u16::from_be_bytes(two) } else { u16::from_le_bytes(two) }
    }

    fn next_plain(&mut self) -> std::io::Result<Option<Next>> {
        let mut head = [0; 16];
        if !self.begins(&mut head[0])? {
            return Ok(None);
        }
        if !self.fill(&mut head[1..])? {
            self.over = true;
            return Ok(Some(Next::Problem("truncated_recording")));
        }
        let (seconds, part) = (u64::from(self.u32(&head)), u64::from(self.u32(&head[4..])));
        let (length, whole) = (self.u32(&head[8..]) as usize, self.u32(&head[12..]) as usize);
        if let Some(problem) = self.fill_buffer(length)? {
            return Ok(Some(problem));
        }
        let per_second = self.interfaces[0].per_second;
        let Some(ticks) = seconds.checked_mul(per_second).and_then(|t| t.checked_add(part)) else {
            return Ok(Some(Next::Problem("damaged_packet")));
        };
        Ok(Some(self.packet(0, ticks, 0..length, whole)))
    }

    /// The head of a section, behind its magic number.
    fn begin_section(&mut self) -> std::io::Result<()> {
        let mut head = [0; 8];
        let whole = self.fill(&mut head)?;
        self.big_endian = head[4..] == [0x1A, 0x2B, 0x3C, 0x4D];
        let length = self.u32(&head) as usize;
        let sound = self.big_endian || head[4..] == [0x4D, 0x3C, 0x2B, 0x1A];
        // Twelve bytes were read.
        if !whole || !sound || length < 28 || self.fill_buffer(length - 12)?.is_some() {
            self.over = true;
        }
        self.section = self.interfaces.len();
        Ok(())
    }

    fn next_block(&mut self) -> std::io::Result<Option<Next>> {
        let mut kind = [0; 4];
        let mut length = [0; 4];
        if !self.begins(&mut kind[0])? {
            return Ok(None);
        }
        if !self.fill(&mut kind[1..])? {
            self.over = true;
            return Ok(Some(Next::Problem("truncated_recording")));
        }
        if is_blocks(&kind) {
            self.begin_section()?;
            return Ok(self.over.then_some(Next::Problem("damaged_capture")));
        }
        if !self.fill(&mut length)? {
            self.over = true;
            return Ok(Some(Next::Problem("truncated_recording")));
        }
        let (kind, length) = (self.u32(&kind), self.u32(&length) as usize);
        if length < 12 || !length.is_multiple_of(4) {
            self.over = true;
            return Ok(Some(Next::Problem("damaged_capture")));
        }
        if let Some(problem) = self.fill_buffer(length - 8)? {
            return Ok(Some(problem));
        }
        // The length stands at the end once more.
        self.buffer.truncate(length - 12);
        Ok(match kind {
            1 => self.interface(),
            6 if self.buffer.len() >= 20 => {
                let word = |i: usize| self.u32(&self.buffer[4 * i..]);
                let interface = self.section.saturating_add(word(0) as usize);
                let ticks = u64::from(word(1)) << 32 | u64::from(word(2));
                let (length, whole) = (word(3) as usize, word(4) as usize);
                Some(self.packet(interface, ticks, 20..20_usize.saturating_add(length), whole))
            }
            6 => Some(Next::Problem("damaged_packet")),
            // Packets without times or in the form before 2012.
            2 | 3 => Some(Next::Problem("packet_without_time")),
            _ => None,
        })
    }

    fn interface(&mut self) -> Option<Next> {
        if self.interfaces.len() >= MOST_INTERFACES {
            self.over = true;
            return Some(Next::Problem("too_many_interfaces"));
        }
        let number = self.interfaces.len();
        let mut found = Interface {
            name: format!("can{number}").into_bytes(),
            link: self.u16(&self.buffer),
            per_second: 1_000_000,
            offset: 0,
        };
        let mut options = self.buffer.get(8..).unwrap_or_default();
        while options.len() >= 4 {
            let (code, length) = (self.u16(options), usize::from(self.u16(&options[2..])));
            let Some(value) = options.get(4..4 + length) else { break };
            match (code, value) {
                (2, name) if !name.is_empty() => found.name = name.split(|b| *b == 0).next().unwrap_or(name).to_vec(),
                // A power of ten, or of two where the top bit is set.
                (9, [n]) if n & 0x80 == 0 => found.per_second = 10_u64.checked_pow(u32::from(*n)).unwrap_or(0),
                (9, [n]) => found.per_second = 1_u64.checked_shl(u32::from(n & 0x7F)).unwrap_or(0),
                (14, seconds) if length == 8 => {
                    let eight = seconds.first_chunk::<8>().copied().unwrap_or_default();
                    let read = if self.big_endian { i64::from_be_bytes } else { i64::from_le_bytes };
                    found.offset = read(eight);
                }
                _ => {}
            }
            let Some(rest) = options.get(4 + length.next_multiple_of(4)..) else { break };
            options = rest;
        }
        self.interfaces.push(found);
        None
    }

    /// One packet; its bytes are in the buffer, of `whole` that there were.
    fn packet(&self, interface: usize, ticks: u64, place: std::ops::Range<usize>, whole: usize) -> Next {
        let Some(from) = self.interfaces.get(interface) else { return Next::Problem("damaged_packet") };
        if from.link != LINKTYPE_CAN {
            return Next::Problem("packet_of_another_network");
        }
        let length = place.len();
        let Some(bytes) = self.buffer.get(place) else { return Next::Problem("damaged_packet") };
        let Some(time) = time(from, ticks) else { return Next::Problem("damaged_packet") };
        if length < whole {
            // A frame that lost its end would be taken for a shorter message.
            return Next::Problem("shortened_packet");
        }
        frame(bytes, time).map_or(Next::Problem("damaged_packet"), |frame| Next::Frame(interface, frame))
    }
}

fn time(from: &Interface, ticks: u64) -> Option<Timestamp> {
    let micros = u128::from(ticks).checked_mul(1_000_000)?.checked_div(u128::from(from.per_second))?;
    let micros = i64::try_from(micros).ok()?.checked_add(from.offset.checked_mul(1_000_000)?)?;
    // Up to the year 9999: later ones are damage.
    (0..253_402_300_800_000_000).contains(&micros).then(|| Timestamp::from_micros(micros))
}

/// The packet of link type 227; flag bits of the identifier as in linux/can.h.
fn frame(bytes: &[u8], time: Timestamp) -> Option<Frame> {
    let (head, data) = bytes.split_first_chunk::<8>()?;
    let raw = u32::from_be_bytes([head[0], head[1], head[2], head[3]]);
    let (extended, remote, error) = (raw >> 31 & 1 == 1, raw >> 30 & 1 == 1, raw >> 29 & 1 == 1);
    let length = usize::from(head[4]);
    // Bit 2 says CAN FD; not every writer sets it. Bit 7 of the length is CAN XL.
    let fd = head[5] & 0x04 != 0 || length > 8;
    let data = if remote { &[] } else { data.get(..length)? };
    let id = if extended || error { raw & 0x1FFF_FFFF } else { raw & 0x7FF };
    Frame::new(time, id, Flags { extended: extended && !error, error, remote, fd }, data)
}

impl<R> std::fmt::Debug for Capture<R> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Capture")
            .field("form", &self.form)
            .field("interfaces", &self.interfaces)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests;
