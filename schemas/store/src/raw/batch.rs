//! Frames that wait for their chunk, in 16 bytes and their data each, and how they are packed.

use super::{FORMAT, MOST_BUSES, MOST_DATA, MOST_FRAMES};
use ampwake_blocks::bytes::{put, put_signed};
use ampwake_schemas::time::Timestamp;
use std::collections::HashMap;

/// The level of compression: higher ones take several times as long for a few per cent.
const LEVEL: i32 = 3;

/// Frames in the order of arrival, at most [`MOST_FRAMES`].
#[derive(Debug, Default)]
pub struct Batch {
    heads: Vec<Head>,
    data: Vec<u8>,
}

#[derive(Debug, Clone, Copy)]
struct Head {
    time_us: i64,
    id: u32,
    bus: u16,
    flags: u8,
    len: u8,
}

/// A chunk, ready to be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packed {
    /// The earliest receive time in it, us.
    pub first_us: i64,
    /// The latest.
    pub last_us: i64,
    /// Number of frames.
    pub frames: u64,
    /// The bytes.
    pub data: Vec<u8>,
}

impl Batch {
    /// Adds a frame. False, and nothing happens, where the batch is full or the frame is none: more data than
    /// [`MOST_DATA`], an identifier of more than 29 bits, a bus beyond [`MOST_BUSES`].
    pub fn push(&mut self, bus: usize, time: Timestamp, id: u32, flags: u8, data: &[u8]) -> bool {
        if self.is_full() || data.len() > MOST_DATA || id >> 29 != 0 || bus >= MOST_BUSES || flags > 15 {
            return false;
        }
        let head = Head { time_us: time.micros(), id, bus: bus as u16, flags, len: data.len() as u8 };
        self.heads.push(head);
        self.data.extend_from_slice(data);
        true
    }

    /// Number of frames.
    pub fn len(&self) -> usize {
        self.heads.len()
    }

    /// There is none.
    pub fn is_empty(&self) -> bool {
        self.heads.is_empty()
    }

    /// No more go in.
    pub fn is_full(&self) -> bool {
        self.heads.len() >= MOST_FRAMES
    }

    /// Packs the frames; `buses` are the names of the buses by number. What stays the same from frame to frame lies
    /// together: frames of one identifier byte by byte, each byte of all of them in a row.
    ///
    /// # Errors
    /// zstd has no memory.
    pub fn pack(&self, buses: &[String]) -> std::io::Result<Packed> {
        let mut kinds: Vec<(Head, Vec<usize>)> = Vec::new();
        let mut places: HashMap<(u16, u32, u8, u8), usize> = HashMap::new();
        let (mut order, mut times) = (Vec::with_capacity(self.len()), Vec::with_capacity(2 * self.len()));
        let (mut at, mut before) = (0, 0);
        for head in &self.heads {
            let place = *places.entry((head.bus, head.id, head.flags, head.len)).or_insert_with(|| {
                kinds.push((*head, Vec::new()));
                kinds.len() - 1
            });
            kinds[place].1.push(at);
            at += usize::from(head.len);
            put(&mut order, place as u64);
            put_signed(&mut times, head.time_us.wrapping_sub(before));
            before = head.time_us;
        }
        let mut out = vec![FORMAT];
        let named = self.heads.iter().map(|head| usize::from(head.bus) + 1).max().unwrap_or(0);
        put(&mut out, named as u64);
        for bus in 0..named {
            let name = buses.get(bus).map_or("_", String::as_str);
            put(&mut out, name.len() as u64);
            out.extend_from_slice(name.as_bytes());
        }
        put(&mut out, kinds.len() as u64);
        for (kind, _) in &kinds {
            put(&mut out, kind.bus.into());
            put(&mut out, kind.id.into());
            out.extend([kind.flags, kind.len]);
        }
        put(&mut out, self.len() as u64);
        out.append(&mut times);
        out.append(&mut order);
        for (kind, starts) in &kinds {
            for byte in 0..usize::from(kind.len) {
                out.extend(starts.iter().map(|start| self.data[start + byte]));
            }
        }
        let mut compressor = zstd::bulk::Compressor::new(LEVEL)?;
        // Whoever unpacks it notices a flipped bit.
        compressor.include_checksum(true)?;
        Ok(Packed {
            first_us: self.heads.iter().map(|head| head.time_us).min().unwrap_or(0),
            last_us: self.heads.iter().map(|head| head.time_us).max().unwrap_or(0),
            frames: self.len() as u64,
            data: compressor.compress(&out)?,
        })
    }
}
