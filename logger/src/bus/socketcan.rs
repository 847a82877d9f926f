//! A CAN interface of this computer, through the kernel's raw CAN sockets. It is read; where the configuration says
//! `ask = true`, and nowhere else, there is a [`Sender`] beside the socket that is read from.
//!
//! A thread with blocking reads, because asynchronous streams over this socket lose frames when several are
//! ready at once; the time is the kernel's own, taken when the frame came in, not when it was read. An interface that
//! goes down, or an adapter that is unplugged, is waited for: at sea nobody restarts the recorder.

use super::interface::{self, InterfaceError, Settings};
use super::kernel_socket::{KernelSocket, Received};
use super::sender::Sender;
use super::source::{ASKED, BUS_BACK, BUS_LOST, NOTICE, Outlet, Source};
use crate::asking::Questions;
use ::socketcan::CanInterface as Link;
use ::socketcan::nl::{CanCtrlMode, CanState};
use std::path::Path;
use std::time::{Duration, Instant};

/// The first wait before an interface that went away is tried again; it doubles from one attempt to the next.
const FIRST_WAIT: Duration = Duration::from_secs(1);
/// The longest of these waits.
const LONGEST_WAIT: Duration = Duration::from_secs(30);

/// Kind of the note that devices cannot be asked any more.
const NOT_ASKING: &str = "not_asking";

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
        !matches!(self, Self::Interface(InterfaceError::NotCan { .. } | InterfaceError::CannotAsk { .. }))
    }
}

/// A CAN interface, open or waited for.
#[derive(Debug)]
pub struct CanInterface {
    name: String,
    opened: Result<Opened, CanError>,
    questions: Option<Questions>,
}

#[derive(Debug)]
struct Opened {
    socket: KernelSocket,
    /// Only where devices are asked.
    sender: Option<Sender>,
}

impl CanInterface {
    /// Opens an interface; with `questions`, devices are asked.
    ///
    /// # Errors
    /// It is missing, is no CAN interface, is down, cannot send although devices shall be asked, or the kernel refuses.
    pub fn open(name: &str, questions: Option<Questions>) -> Result<Self, CanError> {
        Ok(Self { name: name.to_owned(), opened: Ok(open(name, questions.is_some())?), questions })
    }

    /// An interface that could not be opened for this reason, and is to be waited for.
    pub fn waiting(name: &str, questions: Option<Questions>, reason: CanError) -> Self {
        Self { name: name.to_owned(), opened: Err(reason), questions }
    }
}

/// Tries again and again, more and more rarely; `None` when the recorder stops.
fn wait(name: &str, asks: bool, out: &Outlet) -> Option<Opened> {
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
        let mut opened = open(name, asks);
        if let Err(CanError::Interface(InterfaceError::CannotAsk { .. })) = opened {
            // It was set anew meanwhile: what is heard counts for more than what could be asked.
            if !out.note(NOT_ASKING, format!("{name} is listen-only now: it is recorded, and nobody is asked")) {
                return None;
            }
            opened = open(name, false);
        }
        match opened {
            Ok(opened) => return Some(opened),
            Err(e) => tracing::warn!("still waiting for {name}: {e}"),
        }
        wait = (wait * 2).min(LONGEST_WAIT);
    }
}

fn open(name: &str, asks: bool) -> Result<Opened, CanError> {
    interface::check(Path::new(interface::SYSTEM), name)?;
    let failed = |source| CanError::Open { name: name.to_owned(), source };
    let mut sender = None;
    if asks {
        let Settings { listen_only, bit_rate, .. } = settings(name).unwrap_or_default();
        if listen_only == Some(true) {
            return Err(InterfaceError::CannotAsk { name: name.to_owned(), bit_rate }.into());
        }
        sender = Some(Sender::open(name).map_err(failed)?);
    }
    Ok(Opened { socket: KernelSocket::open(name).map_err(failed)?, sender })
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

/// Who is asked through what, and the moment from which time counts.
struct Asking<'a> {
    questions: &'a mut Questions,
    sender: Sender,
    begin: Instant,
}

impl Asking<'_> {
    /// Sends what is due. False when nobody listens any more.
    fn ask(&mut self, name: &str, out: &Outlet) -> bool {
        let now = self.begin.elapsed();
        let Some(request) = self.questions.next(now) else { return true };
        match self.sender.send(&request) {
            Ok(()) => out.note(ASKED, format!("on {name} {request}")),
            Err(e) => {
                tracing::warn!("nothing can be asked on {name}: {e}");
                self.questions.be_quiet(now);
                out.count("request_not_sent", 1)
            }
        }
    }
}

/// Reads until the stop or until the interface fails.
fn read(name: &str, mut socket: KernelSocket, mut asking: Option<Asking>, out: &Outlet) -> std::io::Result<()> {
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
        if let Some(asking) = &mut asking {
            if let Some(frame) = &frame {
                asking.questions.heard(asking.begin.elapsed(), frame);
            }
            if !asking.ask(name, out) {
                break;
            }
        }
    }
    Ok(())
}

impl Source for CanInterface {
    fn name(&self) -> &str {
        &self.name
    }

    fn run(self: Box<Self>, out: &Outlet) {
        let Self { name, mut opened, mut questions } = *self;
        let begin = Instant::now();
        loop {
            let lost = match opened {
                Err(e) => format!("{e}; it is waited for"),
                Ok(Opened { socket, sender }) => {
                    let asking = questions.as_mut().zip(sender);
                    let asking = asking.map(|(questions, sender)| Asking { questions, sender, begin });
                    match read(&name, socket, asking, out) {
                        Ok(()) => return,
                        Err(e) => format!("the CAN interface {name} failed: {e}; it is waited for"),
                    }
                }
            };
            if !out.note(BUS_LOST, lost) {
                return;
            }
            let Some(again) = wait(&name, questions.is_some(), out) else { return };
            if !out.note(BUS_BACK, format!("the CAN interface {name} is back")) {
                return;
            }
            opened = Ok(again);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_interface_is_named_with_its_remedy() {
        let e = CanInterface::open("nocan7", None).unwrap_err();
        assert!(e.may_pass());
        let text = e.to_string();
        assert!(text.contains("`nocan7`") && text.contains("ip link set nocan7 up"), "{text}");
    }
}
