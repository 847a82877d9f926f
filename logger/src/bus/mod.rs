//! Where frames come from: one file per kind of input, each yielding frames with their receive times.

pub mod bits;
pub mod candump;
pub mod capture;
pub mod interface;
#[cfg(feature = "live")]
pub mod kernel_socket;
pub mod lines;
#[cfg(feature = "live")]
pub mod modbus;
pub mod nmea0183;
#[cfg(feature = "live")]
pub mod port;
pub mod raw_frames;
pub mod readings;
pub mod recording;
#[cfg(feature = "live")]
pub mod sender;
pub mod sentence_log;
#[cfg(feature = "live")]
pub mod sentences;
#[cfg(feature = "live")]
pub mod socketcan;
pub mod source;
pub mod stamps;

use ampwake_schemas::time::Timestamp;

/// What kind of frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Flags {
    /// 29-bit identifier; 11-bit ones belong to other protocols.
    pub extended: bool,
    /// The driver reports a state of the bus; the identifier holds the error class bits.
    pub error: bool,
    /// Asks for data and carries none.
    pub remote: bool,
    /// CAN FD.
    pub fd: bool,
}

/// What the bus carried, untouched, with its receive time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame {
    /// When it was received.
    pub time: Timestamp,
    /// The identifier without flag bits: 29 or 11 bits.
    pub id: u32,
    /// What kind of frame.
    pub flags: Flags,
    len: u8,
    data: [u8; 64],
}

impl Frame {
    /// A frame with up to 64 bytes of data; `None` for more.
    pub fn new(time: Timestamp, id: u32, flags: Flags, data: &[u8]) -> Option<Self> {
        let mut frame = Self { time, id, flags, len: u8::try_from(data.len()).ok()?, data: [0; 64] };
        frame.data.get_mut(..data.len())?.copy_from_slice(data);
        Some(frame)
    }

    /// A frame of up to 8 bytes (`len` at most 8) whose time is set later.
    #[inline]
    pub(crate) fn short(id: u32, flags: Flags, payload: [u8; 8], len: u8) -> Self {
        let mut data = [0; 64];
        data[..8].copy_from_slice(&payload);
        Self { time: Timestamp::default(), id, flags, len: len.min(8), data }
    }

    /// Its data; for a remote frame nothing.
    pub fn data(&self) -> &[u8] {
        &self.data[..usize::from(self.len)]
    }
}

/// A name as channel addresses have it: lower case, 1 to 64 of letters, digits, `_`, `-` and `.`; everything
/// else becomes `_`.
pub fn bus_name(interface: &[u8]) -> String {
    let name: String = interface
        .iter()
        .take(64)
        .map(|b| match b.to_ascii_lowercase() {
            b @ (b'a'..=b'z' | b'0'..=b'9' | b'_' | b'-' | b'.') => b as char,
            _ => '_',
        })
        .collect();
    if name.is_empty() { "_".to_owned() } else { name }
}
