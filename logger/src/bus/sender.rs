//! The one place of the project that sends on CAN: the requests of [`crate::asking`], and nothing else.
//!
//! Owes its reader: there is a [`Sender`] only on an interface whose configuration says `ask = true`, it has a socket of
//! its own (the one that is read from is never written to), and all that it takes is a [`Request`]. `tests/tests/tidy.rs`
//! holds that no other file of the programs sends.

use crate::asking::Request;
use ::socketcan::{CanDataFrame, CanSocket, EmbeddedFrame, ExtendedId, Socket, SocketOptions};

/// A socket that requests are sent through.
#[derive(Debug)]
pub struct Sender(CanSocket);

impl Sender {
    /// Opens an interface for sending.
    ///
    /// # Errors
    /// The kernel refuses.
    pub fn open(name: &str) -> std::io::Result<Self> {
        let socket = CanSocket::open(name)?;
        socket.set_filter_drop_all()?;
        // A bus on which nothing gets through must not hold up the reading.
        socket.set_nonblocking(true)?;
        Ok(Self(socket))
    }

    /// Hands a request to the interface.
    ///
    /// # Errors
    /// The interface is down, or its queue is full because nothing gets through.
    pub fn send(&self, request: &Request) -> std::io::Result<()> {
        let id = ExtendedId::new(request.id()).ok_or(std::io::ErrorKind::InvalidInput)?;
        let frame = CanDataFrame::new(id, &request.data()).ok_or(std::io::ErrorKind::InvalidInput)?;
        self.0.write_frame(&frame)
    }
}
