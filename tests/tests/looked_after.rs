//! Looking after a recording as its owner does: status, hand-over, figures for a monitoring program, alerts.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::commands::{Cli, Streams, run};
use ampwake_tests::python;
use ampwake_tests::service::{Service, configuration, free_port, sentence};
use clap::Parser;
use serde_json::Value;
use std::io::{Read, Write};
use std::net::{TcpStream, UdpSocket};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

const DAEMON: &str = env!("CARGO_BIN_EXE_kernel-can-ampwaked");
const WATCHDOG: Duration = Duration::from_millis(800);

/// Exit status and what was written.
fn ampwake(arguments: &[&str]) -> (u8, String) {
    let cli = Cli::try_parse_from([&["ampwake"], arguments].concat()).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false });
    (status, String::from_utf8([out, err].concat()).unwrap())
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// The demonstration's recording in a database, and its intent.
fn two_on_one_bus(dir: &Path) -> (String, String) {
    let golden = ampwake_tests::file("golden/recordings/two-on-one-bus");
    let (log, intent) = (golden.join("log.candump.gz"), golden.join("vessel.toml"));
    let db = dir.join("voyage.db");
    let (status, said) = ampwake(&["import", text(&log), "--db", text(&db), "--intent", text(&intent)]);
    assert_eq!(status, 0, "{said}");
    (text(&db).to_owned(), text(&intent).to_owned())
}

#[test]
fn a_fresh_install_says_what_is_missing() {
    let dir = tempfile::tempdir().unwrap();
    let db = dir.path().join("voyage.db");
    let (status, said) = ampwake(&["status", text(&db)]);
    assert_eq!(status, 0, "{said}");
    for words in [
        "NO: nothing has been recorded",
        "/etc/ampwake/logger.toml",
        "ampwaked check --config",
        "systemctl enable --now",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let (_, json) = ampwake(&["status", text(&db), "--json"]);
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!((&json["recorded_by"], &json["missing"]["database"]), (&Value::Null, &Value::Bool(true)));
    std::fs::write(&db, "a letter").unwrap();
    let (status, said) = ampwake(&["status", text(&db)]);
    assert!(status == 2 && said.contains("no SQLite database"), "{status} {said}");
}

#[test]
fn status_fits_one_screen_and_names_what_is_wrong() {
    let dir = tempfile::tempdir().unwrap();
    let ports = [free_port(), free_port()];
    let configuration = configuration(&[("aft", ports[0]), ("a-name-that-is-much-longer-than-others", ports[1])], "");
    let mut service = Service::start(DAEMON, dir.path(), &configuration, WATCHDOG, &[]);
    service.await_told("READY=1");
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    let db = dir.path().join("voyage.db");
    let look = || -> Value { serde_json::from_str(&ampwake(&["status", text(&db), "--json"]).1).unwrap() };
    let mut n = 0;
    while look()["buses"][0]["heard"].is_null() {
        socket.send_to(sentence(n).as_bytes(), ("127.0.0.1", ports[0])).unwrap();
        n += 1;
        service.listen();
    }
    let json = look();
    assert_eq!(json["recorded_by"], Value::from(format!("process {}", service.id())));
    assert!(json["run"]["stopped"].is_null() && json["room"]["disk"][0].is_u64(), "{json:#}");
    assert_eq!(json["buses"][1]["heard"], Value::Null);
    let (status, said) = ampwake(&["status", text(&db)]);
    assert!(status == 0 && said.contains("Recording    yes, by process"), "{said}");
    assert!(said.contains("a-name-that-is-") && said.contains("nothing for a minute"), "{said}");
    assert!(said.lines().count() <= 24 && said.lines().all(|line| line.chars().count() <= 80), "{said}");

    service.signal(nix::sys::signal::Signal::SIGKILL);
    service.end();
    let (_, said) = ampwake(&["status", text(&db)]);
    assert!(said.contains("NO: it ended without being stopped"), "{said}");
    let mut service = Service::start(DAEMON, dir.path(), &configuration, WATCHDOG, &[]);
    service.await_told("READY=1");
    service.signal(nix::sys::signal::Signal::SIGTERM);
    assert_eq!(service.end(), Some(0));
    assert!(ampwake(&["status", text(&db)]).1.contains("NO: it was stopped "));
}

#[test]
fn a_part_of_a_recording_goes_ashore_and_says_the_same_there() {
    let dir = tempfile::tempdir().unwrap();
    let (db, intent) = two_on_one_bus(dir.path());
    let out = dir.path().join("voyage.tar.zst");
    let (status, said) = ampwake(&["bundle", &db, "--out", text(&out), "--intent", &intent]);
    assert!(status == 0 && said.contains("report.html") && said.contains("findings.json"), "{said}");
    let ashore = dir.path().join("ashore.db");
    let (status, said) = ampwake(&["import", text(&out), "--db", text(&ashore)]);
    assert!(status == 0 && said.contains("every file as it was"), "{said}");
    let findings = |db: &str| -> Value {
        let (_, json) = ampwake(&["analyze", db, "--intent", &intent, "--json", "-"]);
        let end = json.rfind("\n}").unwrap() + 2;
        serde_json::from_str(&json[..end]).unwrap()
    };
    assert_eq!(findings(&db), findings(text(&ashore)));
    assert_eq!(
        findings(&db),
        serde_json::from_slice::<Value>(&std::fs::read(ashore.with_extension("findings.json")).unwrap()).unwrap()
    );
    let (status, said) = ampwake(&["import", text(&out), "--db", text(&ashore)]);
    assert!(status == 2 && said.contains("exists already"), "{said}");
    let (status, said) = ampwake(&["bundle", &db, "--out", text(&out), "--last", "90min"]);
    assert!(status == 0, "{said}");
    // Other programs open it too.
    let listed = Command::new("tar").args(["--zstd", "-tf", text(&out)]).output();
    if let Ok(listed) = listed.filter_success() {
        assert_eq!(listed, "ampwake-bundle.json\nvoyage.db\nSHA256SUMS\n");
    }
}

/// The output of a program that is there and was content.
trait FilterSuccess {
    fn filter_success(self) -> Result<String, ()>;
}

impl FilterSuccess for std::io::Result<std::process::Output> {
    fn filter_success(self) -> Result<String, ()> {
        let output = self.map_err(drop)?;
        if output.status.success() { String::from_utf8(output.stdout).map_err(drop) } else { Err(()) }
    }
}

fn get(port: u16) -> Option<String> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).ok()?;
    stream.write_all(b"GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n").ok()?;
    let mut text = String::new();
    stream.read_to_string(&mut text).ok()?;
    Some(text.split_once("\r\n\r\n")?.1.to_owned())
}

#[test]
fn figures_can_be_read_by_an_independent_program_and_only_when_turned_on() {
    let dir = tempfile::tempdir().unwrap();
    let (line, shown) = (free_port(), free_port());
    let off = configuration(&[("aft", line)], "");
    let on = configuration(&[("aft", line)], &format!("metrics = \"127.0.0.1:{shown}\""));
    let mut service = Service::start(DAEMON, dir.path(), &off, WATCHDOG, &[]);
    service.await_told("READY=1");
    assert!(get(shown).is_none(), "no port is open");
    service.reload(&on);
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    let mut said = String::new();
    while !said.contains("ampwake_frames_total{bus=\"aft\"} 5\n") {
        if !said.contains("ampwake_samples_total 5\n")
            && get(shown).unwrap().contains("ampwake_frames_total{bus=\"aft\"} 0\n")
        {
            for n in 0..5 {
                socket.send_to(sentence(n).as_bytes(), ("127.0.0.1", line)).unwrap();
            }
        }
        service.await_told("WATCHDOG=1");
        said = get(shown).unwrap();
        assert!(service.told.len() < 200, "{said}");
    }
    for name in ["ampwake_build_info{", "ampwake_last_commit_timestamp_seconds ", "ampwake_disk_refusing 0\n"] {
        assert!(said.contains(name), "{name}: {said}");
    }
    let file = dir.path().join("figures.txt");
    std::fs::write(&file, &said).unwrap();
    if let Some(found) = python::run("readers/openmetrics.py", "prometheus_client", &[&file]) {
        let samples = said.lines().filter(|line| !line.starts_with('#')).count();
        assert_eq!(found.trim(), samples.to_string());
    }
    service.reload(&off);
    assert!(get(shown).is_none(), "the port is closed again");
}

#[test]
fn a_new_finding_runs_a_command_once() {
    let dir = tempfile::tempdir().unwrap();
    let (db, intent) = two_on_one_bus(dir.path());
    let (state, told) = (dir.path().join("alert"), dir.path().join("told.json"));
    let alert = |command: &[&str]| {
        ampwake(&[&["alert", &db, "--intent", &intent, "--state", text(&state), "--run"], command].concat())
    };
    // One that fails: it waits.
    let (status, said) = alert(&["false"]);
    assert!(status == 1 && said.contains("new: ") && said.contains("the command `false` failed"), "{status} {said}");
    let (status, said) = alert(&["tee", text(&told)]);
    assert!(status == 0 && !said.contains("new: "), "{said}");
    let message: Value = serde_json::from_slice(&std::fs::read(&told).unwrap()).unwrap();
    assert_eq!(message["schema"], "ampwake-alert/1");
    let kinds: Vec<&str> = message["findings"].as_array().unwrap().iter().filter_map(|f| f["kind"].as_str()).collect();
    assert!(kinds.contains(&"non_contributing_source"), "{kinds:?}");
    std::fs::remove_file(&told).unwrap();
    assert_eq!(alert(&["tee", text(&told)]), (0, String::new()), "nothing is new");
    assert!(!told.exists());
}

/// Past the harness, which keeps to itself what a test prints that passes.
fn say(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}

/// A broker of Debian's own, until dropped.
struct Broker(std::process::Child);

impl Broker {
    fn start(dir: &Path, port: u16) -> Option<Self> {
        let config = dir.join("broker.conf");
        std::fs::write(&config, format!("listener {port} 127.0.0.1\nallow_anonymous true\n")).unwrap();
        let program = ["/usr/sbin/mosquitto", "/usr/bin/mosquitto"].into_iter().find(|p| Path::new(p).exists())?;
        let child =
            Command::new(program).arg("-c").arg(&config).stderr(Stdio::null()).stdout(Stdio::null()).spawn().ok()?;
        let broker = Self(child);
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            std::thread::sleep(Duration::from_millis(20));
        }
        Some(broker)
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_finding_waits_for_a_broker_that_is_gone() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let Some(broker) = Broker::start(dir.path(), port) else {
        say("NOT TESTED: publishing to a real broker (no mosquitto)");
        return;
    };
    drop(broker);
    let (db, intent) = two_on_one_bus(dir.path());
    let (state, url) = (dir.path().join("alert"), format!("mqtt://127.0.0.1:{port}"));
    let alert = || {
        ampwake(&[
            "alert",
            &db,
            "--intent",
            &intent,
            "--state",
            text(&state),
            "--mqtt",
            &url,
            "--topic",
            "boat/findings",
        ])
    };
    let waiting = || {
        std::fs::read_dir(&state)
            .unwrap()
            .filter(|e| e.as_ref().unwrap().file_name().to_string_lossy().starts_with("wait-"))
            .count()
    };
    for _ in 0..3 {
        let (status, said) = alert();
        assert!(status == 0 && said.contains("cannot be reached"), "{status} {said}");
        assert_eq!(waiting(), 1, "told once, kept once");
    }
    let broker = Broker::start(dir.path(), port).unwrap();
    let listener = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", "boat/#", "-q", "1", "-C", "1", "-W", "60"])
        .stdout(Stdio::piped())
        .spawn();
    let Ok(listener) = listener else {
        say("NOT TESTED: publishing to a real broker (no mosquitto_sub)");
        return;
    };
    // It is not known when the listener is heard by the broker; what is retained by nobody must not be lost here.
    std::thread::sleep(Duration::from_millis(700));
    assert_eq!(alert(), (0, String::new()));
    assert_eq!(waiting(), 0, "the broker has acknowledged it");
    let heard = listener.wait_with_output().unwrap();
    let message: Value = serde_json::from_slice(&heard.stdout).unwrap();
    assert_eq!(message["schema"], "ampwake-alert/1");
    drop(broker);
}
