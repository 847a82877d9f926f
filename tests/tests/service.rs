//! The daemon under a service manager: what it tells, when it is alive, and a configuration that changes under way.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_store::Store;
use ampwake_tests::crash::refuser;
use ampwake_tests::service::{Service, configuration, free_port, sentence};
use nix::sys::signal::Signal;
use std::net::UdpSocket;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;

const DAEMON: &str = env!("CARGO_BIN_EXE_kernel-can-ampwaked");
/// Signs of life come four times as often.
const WATCHDOG: Duration = Duration::from_millis(800);

/// Somebody who talks on a line until dropped, one number after the other.
struct Talker {
    stop: Arc<AtomicBool>,
    said: Arc<AtomicU32>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Talker {
    fn start(port: u16) -> Self {
        let (stop, said) = (Arc::<AtomicBool>::default(), Arc::<AtomicU32>::default());
        let (over, count) = (stop.clone(), said.clone());
        let thread = std::thread::spawn(move || {
            let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
            while !over.load(Ordering::Relaxed) {
                let n = count.load(Ordering::Relaxed);
                if socket.send_to(sentence(n).as_bytes(), ("127.0.0.1", port)).is_ok() {
                    count.store(n + 1, Ordering::Relaxed);
                }
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        Self { stop, said, thread: Some(thread) }
    }

    /// Until it has said so many more.
    fn go_on(&self, more: u32) {
        let until = self.said.load(Ordering::Relaxed) + more;
        while self.said.load(Ordering::Relaxed) < until {
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    fn end(mut self) -> u32 {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap();
        self.said.load(Ordering::Relaxed)
    }
}

/// The numbers that were recorded of a line.
fn numbers(dir: &Path, line: &str) -> Vec<u32> {
    let store = Store::open(dir.join("voyage.db")).unwrap();
    let channel = store.find(&format!("{line}/nmea0183/mtw/water_temperature").parse().unwrap()).unwrap();
    let Some(channel) = channel else { return Vec::new() };
    let read = store.read_all(channel.id, None, None).unwrap();
    read.iter().map(|(_, r)| (r.value().unwrap() * 10.0).round() as u32).collect()
}

fn events(dir: &Path) -> Vec<(String, String)> {
    let events = Store::open(dir.join("voyage.db")).unwrap().events().unwrap();
    events.into_iter().map(|e| (e.kind, e.text)).collect()
}

/// Stops it and waits for its end.
fn stop(service: &mut Service) {
    service.signal(Signal::SIGTERM);
    service.await_told("STOPPING=1");
    assert_eq!(service.end(), Some(0), "{}", service.log());
}

#[test]
fn a_silent_bus_is_alive_and_the_manager_hears_of_start_and_stop() {
    let dir = tempfile::tempdir().unwrap();
    let configuration = configuration(&[("aft", free_port())], "");
    let mut service = Service::start(DAEMON, dir.path(), &configuration, WATCHDOG, &[]);
    let ready = service.await_told("READY=1");
    assert!(ready.contains("STATUS=recording aft (nothing heard); 0 samples; last commit "), "{ready}");
    assert!(dir.path().join("voyage.db").exists(), "ready means that a commit has reached the disk");
    for _ in 0..5 {
        service.await_told("WATCHDOG=1");
    }
    stop(&mut service);
    assert!(service.told[0].starts_with("READY=1"), "{:?}", service.told);
}

#[test]
fn a_configuration_is_changed_without_losing_a_sample_and_a_bad_one_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let ports = [free_port(), free_port(), free_port()];
    let [aft, fore, mast] = [("aft", ports[0]), ("fore", ports[1]), ("mast", ports[2])];
    let first = configuration(&[aft, fore], "");
    let mut service = Service::start(DAEMON, dir.path(), &first, WATCHDOG, &[]);
    service.await_told("READY=1");
    let talkers = [Talker::start(ports[0]), Talker::start(ports[2])];
    talkers[0].go_on(100);

    // One line goes, one comes, the third does not notice.
    service.reload(&configuration(&[aft, mast], "keep = { full_days = 100 }"));
    talkers[1].go_on(100);
    talkers[0].go_on(100);

    // Mistakes are all said, and the old configuration is kept.
    service.reload(&configuration(&[mast, aft], "commit_evry_s = 1\nmetricks = true"));
    service.await_log("the new configuration is refused and the old one kept", 1);
    for place in ["logger.toml:4:1", "logger.toml:5:1"] {
        assert!(service.log().contains(place), "{place}: {}", service.log());
    }
    service.reload(&configuration(&[mast, aft], "").replace("voyage.db", "other.db"));
    service.await_log("that takes a restart", 1);
    // The same again, in another order, is no change.
    service.reload(&configuration(&[mast, aft], "keep = { full_days = 100 }"));
    service.await_log("it says the same about the recording", 1);
    talkers[0].go_on(100);

    // A line that is opened somewhere else.
    service.reload(&configuration(&[("mast", free_port()), aft], "keep = { full_days = 100 }"));
    service.await_log("opened anew: mast", 1);
    talkers[0].go_on(100);
    let [said, _] = talkers.map(Talker::end);
    // What the socket still holds is heard within a moment.
    while numbers(dir.path(), "aft").len() < said as usize {
        assert!(service.listen() || service.told.len() < 10_000);
    }
    stop(&mut service);

    assert_eq!(numbers(dir.path(), "aft"), (0..said).collect::<Vec<_>>());
    assert!(numbers(dir.path(), "mast").len() >= 90);
    assert!(!dir.path().join("other.db").exists());
    let changes: Vec<String> =
        events(dir.path()).into_iter().filter(|(kind, _)| kind == "configuration_changed").map(|e| e.1).collect();
    assert_eq!(changes.len(), 2, "{changes:?}");
    assert!(changes[0].contains("new: mast; no more recorded: fore; commits every 1 s"), "{changes:?}");
    assert!(changes[1].ends_with("opened anew: mast"), "{changes:?}");
    let lost: Vec<_> = events(dir.path()).into_iter().filter(|(kind, _)| kind == "bus_lost").collect();
    assert!(lost.is_empty(), "{lost:?}");
}

#[test]
fn a_writer_that_hangs_gives_no_sign_of_life() {
    let dir = tempfile::tempdir().unwrap();
    let (library, present) = (refuser(dir.path()), dir.path().join("hold"));
    let variables: [(&str, &Path); 7] = [
        ("LD_PRELOAD", &library),
        ("AMPWAKE_REFUSE_PATH", Path::new("voyage.db")),
        ("AMPWAKE_REFUSE_CALL", Path::new("1")),
        ("AMPWAKE_REFUSE_FROM", Path::new("1")),
        ("AMPWAKE_REFUSE_ERROR", Path::new("28")),
        ("AMPWAKE_REFUSE_HOLD", Path::new("1")),
        ("AMPWAKE_REFUSE_WHILE", &present),
    ];
    let port = free_port();
    let configuration = configuration(&[("aft", port)], "");
    let mut service = Service::start(DAEMON, dir.path(), &configuration, WATCHDOG, &variables);
    service.await_told("READY=1");
    service.await_told("WATCHDOG=1");
    // On a silent bus nothing would be due.
    let talker = Talker::start(port);
    talker.go_on(10);
    std::fs::write(&present, "").unwrap();
    // The next commit hangs; from then on there is silence.
    let mut quiet = 0;
    let mut heard = 0;
    while quiet < 30 {
        if service.listen() {
            (quiet, heard) = (0, heard + 1);
            assert!(heard < 30, "a sign of life from a writer that hangs: {:?}", service.told.last());
        } else {
            quiet += 1;
        }
    }
    std::fs::remove_file(&present).unwrap();
    service.await_told("WATCHDOG=1");
    let said = talker.end();
    while numbers(dir.path(), "aft").len() < said as usize {
        assert!(service.listen() || service.told.len() < 10_000);
    }
    stop(&mut service);
}
