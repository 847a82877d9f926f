//! The daemon started as a service manager starts it, with lines of sentences over datagrams that need no device.

use std::io::{BufRead, BufReader};
use std::net::UdpSocket;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// The longest that a test waits for anything.
const PATIENCE: Duration = Duration::from_secs(60);

/// A running daemon and what it says.
pub struct Service {
    /// Its folder, with `logger.toml` and `voyage.db`.
    pub dir: PathBuf,
    child: Child,
    manager: UnixDatagram,
    /// What it told the manager so far, a message each.
    pub told: Vec<String>,
    log: Arc<Mutex<String>>,
}

/// A datagram port of this computer that nobody uses.
///
/// # Panics
/// There is none.
pub fn free_port() -> u16 {
    UdpSocket::bind("127.0.0.1:0").and_then(|s| s.local_addr()).expect("a port").port()
}

/// A configuration that records these lines, commits every second, and has `more` before its lines.
pub fn configuration(lines: &[(&str, u16)], more: &str) -> String {
    let mut text = format!("schema = \"ampwake-logger/1\"\ndatabase = \"voyage.db\"\ncommit_every_s = 1\n{more}\n");
    for (name, port) in lines {
        text.push_str(&format!(
            "[[serial]]\nname = \"{name}\"\nport = \"udp://127.0.0.1:{port}\"\nprotocol = \"nmea0183\"\n"
        ));
    }
    text
}

/// A sentence that carries this number as a water temperature in tenths (NMEA 0183 MTW, checksum as in IEC 61162-1).
pub fn sentence(n: u32) -> String {
    let body = format!("IIMTW,{}.{},C", n / 10, n % 10);
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |sum, b| sum ^ b))
}

impl Service {
    /// Starts `program` on `configuration` in `dir`, under a watchdog of `watchdog` and with these variables.
    ///
    /// # Panics
    /// It cannot be started.
    pub fn start(
        program: &str,
        dir: &Path,
        configuration: &str,
        watchdog: Duration,
        variables: &[(&str, &Path)],
    ) -> Self {
        std::fs::write(dir.join("logger.toml"), configuration).expect("a configuration");
        let socket = dir.join("notify");
        let _ = std::fs::remove_file(&socket);
        let manager = UnixDatagram::bind(&socket).expect("a socket");
        manager.set_read_timeout(Some(Duration::from_millis(100))).expect("a timeout");
        let mut child = Command::new(program)
            .args(["--config", "logger.toml"])
            .current_dir(dir)
            .env("NOTIFY_SOCKET", &socket)
            .env("WATCHDOG_USEC", watchdog.as_micros().to_string())
            .envs(variables.iter().copied())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the daemon");
        let log = Arc::<Mutex<String>>::default();
        let (lines, kept) = (BufReader::new(child.stderr.take().expect("its log")), log.clone());
        std::thread::spawn(move || {
            for line in lines.lines().map_while(Result::ok) {
                kept.lock().expect("the log").push_str(&(line + "\n"));
            }
        });
        Self { dir: dir.to_owned(), child, manager, told: Vec::new(), log }
    }

    /// Waits for a message that begins like this, and counts those that came; the message.
    ///
    /// # Panics
    /// It does not come.
    pub fn await_told(&mut self, begin: &str) -> String {
        let seen = self.told.len();
        let deadline = Instant::now() + PATIENCE;
        loop {
            if let Some(found) = self.told[seen..].iter().find(|m| m.starts_with(begin)) {
                return found.clone();
            }
            assert!(Instant::now() < deadline, "`{begin}` was not told: {:?}\n{}", self.told, self.log());
            self.listen();
        }
    }

    /// Takes what the daemon tells now, or waits a moment; true when there was something.
    pub fn listen(&mut self) -> bool {
        let mut buffer = [0; 4096];
        let Ok(n) = self.manager.recv(&mut buffer) else { return false };
        self.told.push(String::from_utf8_lossy(&buffer[..n]).into_owned());
        true
    }

    /// Takes what the daemon tells now, without waiting; true when there was something.
    ///
    /// # Panics
    /// The socket is no socket any more.
    pub fn poll(&mut self) -> bool {
        self.manager.set_nonblocking(true).expect("a socket");
        let heard = self.listen();
        self.manager.set_nonblocking(false).expect("a socket");
        heard
    }

    /// Its log so far.
    ///
    /// # Panics
    /// Never: nobody panics while writing it.
    pub fn log(&self) -> String {
        self.log.lock().expect("the log").clone()
    }

    /// Waits until its log has this text so many times.
    ///
    /// # Panics
    /// It never does.
    pub fn await_log(&self, text: &str, times: usize) {
        let deadline = Instant::now() + PATIENCE;
        while self.log().matches(text).count() < times {
            assert!(Instant::now() < deadline, "not {times} times `{text}`:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Sends it a signal.
    ///
    /// # Panics
    /// It is gone.
    pub fn signal(&self, signal: nix::sys::signal::Signal) {
        let pid = nix::unistd::Pid::from_raw(i32::try_from(self.child.id()).expect("a process number"));
        nix::sys::signal::kill(pid, signal).expect("a running daemon");
    }

    /// Gives it another configuration.
    ///
    /// # Panics
    /// The file cannot be written.
    pub fn reload(&mut self, configuration: &str) {
        std::fs::write(self.dir.join("logger.toml"), configuration).expect("a configuration");
        self.signal(nix::sys::signal::Signal::SIGHUP);
        let told = self.await_told("RELOADING=1");
        assert!(told.contains("MONOTONIC_USEC="), "{told}");
        self.await_told("READY=1");
    }

    /// Its process number.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Waits for its end; its exit status, `None` where a signal ended it.
    ///
    /// # Panics
    /// The system does not say.
    pub fn end(&mut self) -> Option<i32> {
        self.child.wait().expect("an end").code()
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
