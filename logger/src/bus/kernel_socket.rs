//! One raw CAN socket of the kernel: frames with the times at which they came in, and how many the kernel threw away
//! because nobody fetched them.
//!
//! The message is read here and not through the `socketcan` crate because only the control messages beside it
//! (`recvmsg`) say how many were thrown away. Receives only.

use super::source::NOTICE;
use super::{Flags, Frame};
use ::socketcan::{CanFdSocket, Socket, SocketOptions};
use ampwake_schemas::time::Timestamp;
use nix::errno::Errno;
use nix::sys::socket::{ControlMessageOwned, MsgFlags, recvmsg, setsockopt, sockopt};
use nix::sys::time::TimeSpec;
use std::io::IoSliceMut;
use std::os::fd::AsRawFd;
use std::time::{SystemTime, UNIX_EPOCH};

/// Bytes that the kernel may queue while this program is busy; it counts some 300 to 800 for a frame, so this is two
/// seconds and more of a full 250 kbit/s bus. As root it grants them, else what `net.core.rmem_max` allows.
const KERNEL_QUEUE: usize = 4 << 20;
/// Sizes of `struct can_frame` and `struct canfd_frame` (linux/can.h).
const CLASSIC: usize = 16;
const FD: usize = 72;
/// Flag bits of an identifier word (linux/can.h).
const EXTENDED: u32 = 0x8000_0000;
const REMOTE: u32 = 0x4000_0000;
const ERROR: u32 = 0x2000_0000;

/// An open socket.
#[derive(Debug)]
pub struct KernelSocket {
    socket: CanFdSocket,
    control: Vec<u8>,
    /// What the kernel threw away since the socket was opened.
    thrown_away: u32,
}

/// What one read brings.
#[derive(Debug, Default)]
pub struct Received {
    /// The frame; `None` where nothing came for a while.
    pub frame: Option<Frame>,
    /// Frames before it that the kernel threw away.
    pub lost: u32,
}

impl KernelSocket {
    /// Opens the interface for reading, error frames included.
    ///
    /// # Errors
    /// The kernel refuses.
    pub fn open(name: &str) -> std::io::Result<Self> {
        let socket = CanFdSocket::open(name)?;
        socket.set_error_filter_accept_all()?;
        socket.set_read_timeout(NOTICE)?;
        setsockopt(&socket, sockopt::ReceiveTimestampns, &true)?;
        setsockopt(&socket, sockopt::RxqOvfl, &1)?;
        // More room is welcome and not needed.
        let forced = setsockopt(&socket, sockopt::RcvBufForce, &KERNEL_QUEUE);
        let _ = forced.or_else(|_| setsockopt(&socket, sockopt::RcvBuf, &KERNEL_QUEUE));
        let control = nix::cmsg_space!(TimeSpec, u32);
        Ok(Self { socket, control, thrown_away: 0 })
    }

    /// The next frame; waits [`NOTICE`] at most.
    ///
    /// # Errors
    /// The interface went down or away.
    pub fn receive(&mut self) -> std::io::Result<Received> {
        let mut bytes = [0; FD];
        let mut parts = [IoSliceMut::new(&mut bytes)];
        let fd = self.socket.as_raw_fd();
        let message = match recvmsg::<()>(fd, &mut parts, Some(&mut self.control), MsgFlags::empty()) {
            Ok(message) => message,
            Err(Errno::EAGAIN | Errno::EINTR) => return Ok(Received::default()),
            Err(e) => return Err(e.into()),
        };
        let (mut time, mut thrown_away) = (None, self.thrown_away);
        for control in message.cmsgs()? {
            match control {
                ControlMessageOwned::ScmTimestampns(t) => time = Some(t.tv_sec() * 1_000_000 + t.tv_nsec() / 1000),
                ControlMessageOwned::RxqOvfl(total) => thrown_away = total,
                _ => {}
            }
        }
        let length = message.bytes;
        let lost = thrown_away.wrapping_sub(self.thrown_away);
        self.thrown_away = thrown_away;
        let time = Timestamp::from_micros(time.unwrap_or_else(now_us));
        Ok(Received { frame: frame(time, bytes.get(..length).unwrap_or_default()), lost })
    }
}

fn now_us() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}

/// A `struct can_frame` or `struct canfd_frame`: identifier word, length, three bytes of other things, data.
fn frame(time: Timestamp, bytes: &[u8]) -> Option<Frame> {
    if bytes.len() != CLASSIC && bytes.len() != FD {
        return None;
    }
    let (word, rest) = bytes.split_first_chunk::<4>()?;
    let word = u32::from_ne_bytes(*word);
    let error = word & ERROR != 0;
    let remote = word & REMOTE != 0 && !error;
    let extended = word & EXTENDED != 0 && !error;
    let length = if remote { 0 } else { usize::from(*rest.first()?) };
    // Beside an 11-bit identifier the upper bits of the word mean nothing.
    let id = word & if extended || error { 0x1FFF_FFFF } else { 0x7FF };
    let flags = Flags { extended, error, remote, fd: bytes.len() == FD };
    Frame::new(time, id, flags, rest.get(4..4 + length)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(word: u32, length: u8, size: usize) -> Vec<u8> {
        let mut bytes = word.to_ne_bytes().to_vec();
        bytes.extend([length, 0, 0, 0]);
        bytes.extend(1..=(size - 8) as u8);
        bytes
    }

    #[test]
    fn frames_of_the_kernel_become_ours() {
        let time = Timestamp::from_millis(1);
        let data = frame(time, &bytes(0x19F2_1423 | EXTENDED, 3, CLASSIC)).unwrap();
        assert_eq!((data.id, data.data(), data.time), (0x19F2_1423, &[1, 2, 3][..], time));
        assert_eq!(data.flags, Flags { extended: true, ..Flags::default() });
        let remote = frame(time, &bytes(0x123 | REMOTE, 4, CLASSIC)).unwrap();
        assert_eq!((remote.id, remote.data().len()), (0x123, 0));
        assert_eq!(remote.flags, Flags { remote: true, ..Flags::default() });
        let error = frame(time, &bytes(0x40 | ERROR, 8, CLASSIC)).unwrap();
        assert_eq!((error.id, error.flags), (0x40, Flags { error: true, ..Flags::default() }));
        let long = frame(time, &bytes(0x7, 64, FD)).unwrap();
        assert_eq!((long.data().len(), long.flags.fd, long.flags.extended), (64, true, false));
    }

    #[test]
    fn what_is_no_frame_is_none() {
        let time = Timestamp::default();
        assert_eq!(frame(time, &[]), None);
        assert_eq!(frame(time, &bytes(1, 9, CLASSIC)), None, "longer than it can be");
        assert_eq!(frame(time, &bytes(1, 1, CLASSIC)[..15]), None);
    }
}
