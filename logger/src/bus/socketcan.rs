//! A CAN interface of this computer, through the kernel's raw CAN sockets. Receives only: nothing here can send.
//!
//! A thread with blocking reads, because asynchronous streams over this socket lose frames when several are
//! ready at once; the time is the kernel's own, taken when the frame came in, not when it was read. An interface that
//! goes down, or an adapter that is unplugged, is waited for: at sea nobody restarts the recorder.

use super::interface::{self, InterfaceError, Settings};
use super::kernel_socket::{KernelSocket, Received};
use super::source::{BUS_BACK, BUS_LOST, NOTICE, Outlet, Source};
use ::socketcan::CanInterface as Link;
use ::socketcan::nl::{CanCtrlMode, CanState};
use std::path::Path;
use std::time::Duration;

/// The first wait before an interface that went away is tried again; it doubles from one attempt to the next.
const FIRST_WAIT: Duration = Duration::from_secs(1);
/// The longest of these waits.
const LONGEST_WAIT: Duration = Duration::from_secs(30);

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

impl CanError {
    /// True when waiting may mend it: the adapter comes back, somebody brings the interface up.
    pub fn may_pass(&self) -> bool {
        !matches!(self, Self::Interface(InterfaceError::NotCan { .. }))
    }
}

/// A CAN interface, open or waited for.
#[derive(Debug)]
pub struct CanInterface {
    name: String,
    socket: Result<KernelSocket, CanError>,
}

impl CanInterface {
    /// Opens an interface.
    ///
    /// # Errors
    /// It is missing, is no CAN interface, is down, or the kernel refuses.
    pub fn open(name: &str) -> Result<Self, CanError> {
        Ok(Self { name: name.to_owned(), socket: Ok(socket(name)?) })
    }

    /// An interface that could not be opened for this reason, and is to be waited for.
    pub fn waiting(name: &str, reason: CanError) -> Self {
        Self { name: name.to_owned(), socket: Err(reason) }
    }
}

/// Tries again and again, more and more rarely; `None` when the recorder stops.
fn wait(name: &str, out: &Outlet) -> Option<KernelSocket> {
    let mut wait = FIRST_WAIT;
    loop {
        let mut waited = Duration::ZERO;
        while waited < wait {
            if out.is_over() {
                return None;
            }
            std::thread::sleep(NOTICE);
            waited += NOTICE;
        }
        match socket(name) {
            Ok(socket) => return Some(socket),
            Err(e) => tracing::warn!("still waiting for {name}: {e}"),
        }
        wait = (wait * 2).min(LONGEST_WAIT);
    }
}

fn socket(name: &str) -> Result<KernelSocket, CanError> {
    interface::check(Path::new(interface::SYSTEM), name)?;
    KernelSocket::open(name).map_err(|source| CanError::Open { name: name.to_owned(), source })
}

/// How the interface is set, as the kernel says it over netlink; `None` where it says nothing.
pub fn settings(name: &str) -> Option<Settings> {
    let can = Link::open(name).ok()?.details().ok()?.can;
    let trouble = can.state.and_then(|state| match state {
        CanState::ErrorActive | CanState::Stopped | CanState::Sleeping => None,
        CanState::ErrorWarning => Some("many bus errors (error warning)"),
        CanState::ErrorPassive => Some("too many bus errors (error passive)"),
        CanState::BusOff => Some("switched off by bus errors (bus off)"),
    });
    Some(Settings {
        bit_rate: can.bit_timing.map(|t| t.bitrate).filter(|rate| *rate > 0),
        listen_only: can.ctrl_mode.map(|modes| modes.has_mode(CanCtrlMode::ListenOnly)),
        restart_ms: can.restart_ms,
        trouble,
    })
}

/// Reads until the stop or until the interface fails.
fn read(name: &str, mut socket: KernelSocket, out: &Outlet) -> std::io::Result<()> {
    if let Some(bit_rate) = settings(name).and_then(|s| s.bit_rate)
        && !out.bit_rate(bit_rate)
    {
        return Ok(());
    }
    while !out.is_over() {
        let Received { frame, lost } = socket.receive()?;
        if lost > 0 && !out.lost(lost) {
            break;
        }
        if frame.is_some_and(|frame| !out.frame(frame)) {
            break;
        }
    }
    Ok(())
}

impl Source for CanInterface {
    fn name(&self) -> &str {
        &self.name
    }

    fn run(self: Box<Self>, out: &Outlet) {
        let Self { name, mut socket } = *self;
        loop {
            let lost = match socket {
                Err(e) => format!("{e}; it is waited for"),
                Ok(socket) => match read(&name, socket, out) {
                    Ok(()) => return,
                    Err(e) => format!("the CAN interface {name} failed: {e}; it is waited for"),
                },
            };
            if !out.note(BUS_LOST, lost) {
                return;
            }
            let Some(again) = wait(&name, out) else { return };
            if !out.note(BUS_BACK, format!("the CAN interface {name} is back")) {
                return;
            }
            socket = Ok(again);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_interface_is_named_with_its_remedy() {
        let e = CanInterface::open("nocan7").unwrap_err();
        assert!(e.may_pass());
        let text = e.to_string();
        assert!(text.contains("`nocan7`") && text.contains("ip link set nocan7 up"), "{text}");
    }
}
