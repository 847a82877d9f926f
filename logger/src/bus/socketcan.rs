//! A CAN interface of this computer, through the kernel's raw CAN sockets. Receives only: nothing here can send.
//!
//! A thread with blocking reads, because asynchronous streams over this socket lose frames when several are
//! ready at once; the time is the kernel's own, taken when the frame came in, not when it was read.

use super::interface::{self, InterfaceError};
use super::source::{NOTICE, Outlet, Source};
use super::{Flags, Frame};
use ::socketcan::{CanAnyFrame, CanFdSocket, EmbeddedFrame, Frame as _, Socket, SocketOptions};
use ampwake_schemas::time::Timestamp;
use std::io::ErrorKind;
use std::path::Path;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Bytes that the kernel may queue while this program is busy: a second and more of a full bus. The kernel grants
/// what its own limit allows.
const KERNEL_QUEUE: usize = 2 << 20;
/// Between two attempts to open an interface that went away.
const RETRY: Duration = Duration::from_secs(2);
/// The bits of an identifier word that are no flags (linux/can.h).
const ID_MASK: u32 = 0x1FFF_FFFF;

/// Why an interface cannot be opened.
#[derive(Debug, thiserror::Error)]
pub enum CanError {
    /// It is not there, or not up.
    #[error(transparent)]
    Interface(#[from] InterfaceError),
    /// The kernel refuses.
    #[error("cannot open the CAN interface `{name}`: {source}")]
    Open {
        /// The interface.
        name: String,
        /// What the system said.
        source: std::io::Error,
    },
}

/// An open CAN interface.
#[derive(Debug)]
pub struct CanInterface {
    name: String,
    socket: CanFdSocket,
}

impl CanInterface {
    /// Opens an interface.
    ///
    /// # Errors
    /// It is missing, is no CAN interface, is down, or the kernel refuses.
    pub fn open(name: &str) -> Result<Self, CanError> {
        interface::check(Path::new(interface::SYSTEM), name)?;
        let open = || -> std::io::Result<CanFdSocket> {
            let socket = CanFdSocket::open(name)?;
            socket.set_recv_timestamp(true)?;
            socket.set_error_filter_accept_all()?;
            socket.set_read_timeout(NOTICE)?;
            // More room is welcome and not needed.
            let _ = socket.as_raw_socket().set_recv_buffer_size(KERNEL_QUEUE);
            Ok(socket)
        };
        let socket = open().map_err(|source| CanError::Open { name: name.to_owned(), source })?;
        Ok(Self { name: name.to_owned(), socket })
    }

    /// Reads until the stop or until the interface fails.
    fn read(&self, out: &Outlet) -> std::io::Result<()> {
        while !out.is_over() {
            match self.socket.read_frame_with_timestamps() {
                Ok((frame, times)) => {
                    let time = timestamp(times.socket.unwrap_or_else(SystemTime::now));
                    if converted(time, &frame).is_some_and(|frame| !out.frame(frame)) {
                        return Ok(());
                    }
                }
                Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {}
                Err(e) => return Err(e),
            }
        }
        Ok(())
    }
}

impl Source for CanInterface {
    fn name(&self) -> &str {
        &self.name
    }

    /// An adapter that is unplugged or an interface that goes down is waited for.
    fn run(mut self: Box<Self>, out: &Outlet) {
        loop {
            let Err(e) = self.read(out) else { return };
            if !out.note("bus_lost", format!("the CAN interface {} failed: {e}", self.name)) {
                return;
            }
            self.socket = loop {
                let mut waited = Duration::ZERO;
                while waited < RETRY {
                    if out.is_over() {
                        return;
                    }
                    std::thread::sleep(NOTICE);
                    waited += NOTICE;
                }
                if let Ok(again) = Self::open(&self.name) {
                    break again.socket;
                }
            };
            if !out.note("bus_back", format!("the CAN interface {} is back", self.name)) {
                return;
            }
        }
    }
}

fn timestamp(time: SystemTime) -> Timestamp {
    let micros = time.duration_since(UNIX_EPOCH).map_or(0, |d| i64::try_from(d.as_micros()).unwrap_or(i64::MAX));
    Timestamp::from_micros(micros)
}

fn converted(time: Timestamp, frame: &CanAnyFrame) -> Option<Frame> {
    let flags = Flags {
        error: matches!(frame, CanAnyFrame::Error(_)),
        remote: matches!(frame, CanAnyFrame::Remote(_)),
        fd: matches!(frame, CanAnyFrame::Fd(_)),
        extended: frame.is_extended() && !matches!(frame, CanAnyFrame::Error(_)),
    };
    let data = if flags.remote { &[] } else { frame.data() };
    Frame::new(time, frame.id_word() & ID_MASK, flags, data)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ::socketcan::{CanDataFrame, CanErrorFrame, CanFrame, CanRemoteFrame, ExtendedId, StandardId};

    #[test]
    fn frames_of_the_kernel_become_ours() {
        let extended = ExtendedId::new(0x19F2_1423).unwrap();
        let time = Timestamp::from_millis(1);
        let data = CanDataFrame::new(extended, &[1, 2, 3]).unwrap();
        let frame = converted(time, &CanFrame::Data(data).into()).unwrap();
        assert_eq!((frame.id, frame.data(), frame.time), (0x19F2_1423, &[1, 2, 3][..], time));
        assert_eq!(frame.flags, Flags { extended: true, ..Flags::default() });
        let remote = CanRemoteFrame::new_remote(StandardId::new(0x123).unwrap(), 4).unwrap();
        let frame = converted(time, &CanFrame::Remote(remote).into()).unwrap();
        assert_eq!((frame.id, frame.data().len(), frame.flags.remote, frame.flags.extended), (0x123, 0, true, false));
        let error = CanErrorFrame::new_error(0x40, &[0; 8]).unwrap();
        let frame = converted(time, &CanFrame::Error(error).into()).unwrap();
        assert_eq!((frame.id, frame.flags), (0x40, Flags { error: true, ..Flags::default() }));
    }

    #[test]
    fn a_missing_interface_is_named_with_its_remedy() {
        let e = CanInterface::open("nocan7").unwrap_err().to_string();
        assert!(e.contains("`nocan7`") && e.contains("ip link set nocan7 up"), "{e}");
    }
}
