//! What the daemon tells the service manager that started it: sd_notify(3), one datagram per message to the socket that
//! `NOTIFY_SOCKET` names. Started by hand there is no such socket, and nothing is told.

use nix::time::{ClockId, clock_gettime};
use std::os::linux::net::SocketAddrExt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::time::Duration;

/// The way to the service manager.
#[derive(Debug, Default)]
pub struct Notifier {
    socket: Option<UnixDatagram>,
    watchdog: Option<Duration>,
}

impl Notifier {
    /// As the environment of this process says.
    pub fn from_environment() -> Self {
        let socket = std::env::var_os("NOTIFY_SOCKET").and_then(|name| {
            connect(name.as_bytes())
                .inspect_err(|e| tracing::warn!("the service manager cannot be told anything: {e}"))
                .ok()
        });
        let number = |name: &str| std::env::var(name).ok()?.parse::<u64>().ok();
        // Set for another process where this one is not the service's main one (sd_watchdog_enabled(3)).
        let mine = number("WATCHDOG_PID").is_none_or(|pid| pid == u64::from(std::process::id()));
        let watchdog = number("WATCHDOG_USEC").filter(|us| mine && *us > 0).map(Duration::from_micros);
        Self { socket, watchdog }
    }

    /// How long the service manager waits for a sign of life; `None`: it waits for none.
    pub fn watchdog(&self) -> Option<Duration> {
        self.watchdog.filter(|_| self.socket.is_some())
    }

    /// It records.
    pub fn ready(&self, status: &str) {
        self.say(&format!("READY=1\nSTATUS={}", line(status)));
    }

    /// It reads its configuration again.
    pub fn reloading(&self) {
        let us = clock_gettime(ClockId::CLOCK_MONOTONIC).map_or(0, |t| t.tv_sec() * 1_000_000 + t.tv_nsec() / 1000);
        self.say(&format!("RELOADING=1\nMONOTONIC_USEC={us}\nSTATUS=reading the configuration again"));
    }

    /// It ends.
    pub fn stopping(&self) {
        self.say("STOPPING=1\nSTATUS=storing what is left");
    }

    /// A sign of life.
    pub fn alive(&self, status: &str) {
        self.say(&format!("WATCHDOG=1\nSTATUS={}", line(status)));
    }

    fn say(&self, message: &str) {
        // A manager that does not read must not hold up the recording, hence no waiting and no second attempt.
        let _ = self.socket.as_ref().map(|socket| socket.send(message.as_bytes()));
    }
}

/// A line break would begin another message.
fn line(text: &str) -> String {
    text.replace(['\n', '\r'], " ")
}

/// A leading `@` means a name without a file (unix(7), abstract).
fn connect(name: &[u8]) -> std::io::Result<UnixDatagram> {
    let address = match name {
        [b'@', name @ ..] => SocketAddr::from_abstract_name(name)?,
        path => SocketAddr::from_pathname(std::ffi::OsStr::from_bytes(path))?,
    };
    let socket = UnixDatagram::unbound()?;
    socket.connect_addr(&address)?;
    socket.set_nonblocking(true)?;
    Ok(socket)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_arrive_as_the_manager_reads_them() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("notify");
        let manager = UnixDatagram::bind(&path).unwrap();
        let notifier = Notifier {
            socket: Some(connect(path.as_os_str().as_bytes()).unwrap()),
            watchdog: Some(Duration::from_secs(9)),
        };
        let mut buffer = [0; 500];
        let mut next = || {
            let n = manager.recv(&mut buffer).unwrap();
            String::from_utf8_lossy(&buffer[..n]).into_owned()
        };
        notifier.ready("two\nlines");
        assert_eq!(next(), "READY=1\nSTATUS=two lines");
        notifier.reloading();
        let said = next();
        assert!(said.starts_with("RELOADING=1\nMONOTONIC_USEC=") && !said.contains("USEC=0\n"), "{said}");
        notifier.stopping();
        assert!(next().starts_with("STOPPING=1\n"));
        assert_eq!(notifier.watchdog(), Some(Duration::from_secs(9)));
        drop(manager);
        notifier.alive("nobody there");
    }

    #[test]
    fn without_a_manager_nothing_is_told() {
        let notifier = Notifier { socket: None, watchdog: Some(Duration::from_secs(9)) };
        notifier.alive("all is well");
        assert_eq!(notifier.watchdog(), None, "a sign of life that nobody hears need not be given");
        assert!(connect(b"/nowhere/notify").is_err());
    }
}
