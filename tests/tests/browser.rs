//! Live page and report in a real browser, while a recorder writes; and clients that are slow or vanish, who disturb nobody.
//!
//! The browser's part is skipped, with the reason, where `AMPWAKE_AXE` does not name the file `axe.min.js` of npm `axe-core`; with
//! it, `AMPWAKE_PYTHON` must have PyPI `selenium`, and chromium and chromedriver must be there. Pictures of every page at the width of
//! telephone, tablet and desktop, light and dark, are left in `target/browser`.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_logger::bus::recording::{Input, Recording};
use ampwake_logger::bus::source::Source;
use ampwake_logger::record::{RunReport, record};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;
use ampwake_tests::counter::options;
use ampwake_tests::paced::Paced;
use ampwake_tests::python;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

const PROGRAM: &str = env!("CARGO_BIN_EXE_browser-ampwake");

/// `ampwake serve`, ended when dropped.
struct Served {
    child: Child,
    address: String,
}

impl Served {
    fn new(db: &Path, intent: &Path, more: &[&str]) -> Self {
        let mut command = Command::new(PROGRAM);
        command.arg("serve").arg(db).arg("--intent").arg(intent).args(["--listen", "127.0.0.1:0"]).args(more);
        let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
        let mut said = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut said).unwrap();
        let (_, after) = said.split_once("http://").unwrap_or_else(|| panic!("{said}"));
        let address = after.split('/').next().unwrap().to_owned();
        Self { child, address }
    }

    fn url(&self) -> String {
        format!("http://{}/", self.address)
    }

    /// Sends a request and reads the answer to its end.
    fn ask(&self, request: &str) -> String {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        String::from_utf8_lossy(&answer).into_owned()
    }

    fn get(&self, path: &str, headers: &str) -> String {
        self.ask(&format!("GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n{headers}\r\n", self.address))
    }

    /// The snapshot, once there is one that satisfies `wanted`.
    fn snapshot(&self, wanted: impl Fn(&serde_json::Value) -> bool) -> serde_json::Value {
        for _ in 0..3000 {
            let answer = self.get("/snapshot.json", "");
            let body = answer.split_once("\r\n\r\n").unwrap().1;
            let snapshot: serde_json::Value = serde_json::from_str(body).unwrap();
            if wanted(&snapshot) {
                return snapshot;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("waited in vain for a snapshot");
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The demonstration's recording, played into a database as if it happened now.
struct Recorder {
    told: tokio::sync::oneshot::Sender<()>,
    thread: std::thread::JoinHandle<RunReport>,
}

impl Recorder {
    fn begin(db: &Path, recording: &Path) -> Self {
        let (told, shutdown) = tokio::sync::oneshot::channel::<()>();
        let recording = Recording::open(&Input::File(recording.to_owned())).unwrap();
        // Three hours in, one charger is held off while the other one works.
        let bus = Paced { name: "can0".to_owned(), recording, head_s: 3 * 3600 };
        let store = Store::create(db).unwrap();
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
            let sources: Vec<Box<dyn Source>> = vec![Box::new(bus)];
            let until = async {
                let _ = shutdown.await;
            };
            runtime.block_on(record(sources, store, options(Duration::from_secs(1)), until)).unwrap()
        });
        Self { told, thread }
    }

    fn end(self) -> RunReport {
        self.told.send(()).unwrap();
        self.thread.join().unwrap()
    }
}

/// A month of the intent's signals, one value in five seconds; returns how many.
fn month(db: &Path, intent: &Intent) -> u64 {
    let mut w = Store::create(db).unwrap();
    w.begin_segment("a month");
    w.begin_bulk();
    let signals = ampwake_analyzer::quality::signals(intent);
    let mut channels = Vec::new();
    for (_, role, signal) in &signals {
        let (unit, level) = match role.as_str() {
            "voltage" => (Unit::Volt, 54.0),
            "current" => (Unit::Ampere, 40.0),
            "temperature" => (Unit::Celsius, 30.0),
            "state_of_charge" => (Unit::Fraction, 0.5),
            "state" => (Unit::Code, 1.0),
            _ => (Unit::Volt, 230.0),
        };
        if let Ok(channel) = w.channel(&signal.address, unit) {
            channels.push((channel, unit, level));
        }
    }
    let steps = 30 * 86_400 / 5;
    let start = 1_757_678_400_000_i64;
    for step in 0..steps {
        let t = Timestamp::from_millis(start + step * 5000);
        let day = (step as f64 / 17_280.0 * std::f64::consts::TAU).sin();
        for (n, (channel, unit, level)) in channels.iter().enumerate() {
            let value = match unit {
                Unit::Code => *level,
                Unit::Ampere if n % 2 == 0 => level * day.max(0.0),
                _ => level * (1.0 + 0.02 * day),
            };
            w.append(*channel, t, Reading::Value((value * 100.0).round() / 100.0));
        }
        if step % 17_280 == 0 {
            w.commit().unwrap();
        }
    }
    w.end_bulk();
    w.seal().unwrap();
    steps as u64 * channels.len() as u64
}

fn demo(folder: &Path) -> (PathBuf, PathBuf, Intent) {
    let files = ampwake_analyzer::demo::write(folder).unwrap();
    let text = std::fs::read_to_string(&files.vessel).unwrap();
    (files.recording, files.vessel, ampwake_schemas::intent::read("vessel.toml", &text).unwrap())
}

/// The demonstration's intent with names that are markup or have no place to break; `refused`: that are 10 kB long and
/// hold characters that nobody sees, which the reader of intents does not take.
fn hostile(vessel: &Path, to: &Path, refused: bool) {
    let length = if refused { 2500 } else { 50 };
    let unseen = if refused { r"\u0007\u001b[31m\u202e" } else { "" };
    let markup = format!("<img src=x onerror='window.touched=true'><b><b>{unseen}");
    let text = std::fs::read_to_string(vessel).unwrap();
    let text = text
        .replace("\"stbd shore charger\"", &format!("\"{markup}\""))
        .replace("name = \"solar\"", &format!("name = \"{}\"", "long".repeat(length)))
        .replace("\"Marsh Harrier\"", "\"</title><script>window.touched=true</script>\"");
    std::fs::write(to, text).unwrap();
}

#[test]
fn slow_and_vanishing_clients_disturb_nobody() {
    let dir = tempfile::tempdir().unwrap();
    let (recording, vessel, _) = demo(dir.path());
    let db = dir.path().join("live.db");
    let recorder = Recorder::begin(&db, &recording);
    let served = Served::new(&db, &vessel, &[]);
    let first = served.snapshot(|s| s["standing"] == "live");
    // Those who never read, more than there are places for, and those who are gone at once.
    let listen = format!("GET /events HTTP/1.1\r\nHost: {}\r\n\r\n", served.address);
    let mut slow: Vec<TcpStream> = Vec::new();
    for n in 0..90 {
        let mut stream = TcpStream::connect(&served.address).unwrap();
        if n < 30 {
            stream.write_all(listen.as_bytes()).unwrap();
            slow.push(stream);
        } else if n % 2 == 0 {
            stream.write_all(&listen.as_bytes()[..20]).unwrap();
        }
    }
    let newest = first["newest"].as_str().unwrap().to_owned();
    served.snapshot(|s| s["newest"].as_str().is_some_and(|t| t > newest.as_str()));
    // There are places for 24 listeners; the next is told so.
    assert!(served.get("/events", "").starts_with("HTTP/1.1 503"));
    assert!(served.get("/", "").contains("Port shore charger"));
    drop(slow);
    drop(served);
    let report = recorder.end();
    // Nothing was kept from the recorder: it committed about every second, and every frame is there.
    let mut all = Recording::open(&Input::File(recording)).unwrap();
    let mut frames = 0_u64;
    while frames < report.totals.frames && all.advance().unwrap().is_some() {
        frames += 1;
    }
    assert_eq!(frames, report.totals.frames);
    let events = Store::open(&db).unwrap().events().unwrap();
    assert!(!events.iter().any(|e| e.kind == "frames_lost" || e.kind.starts_with("disk")), "{events:?}");
}

#[test]
fn what_is_not_this_page_s_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let (_, vessel, _) = demo(dir.path());
    let token = dir.path().join("token");
    std::fs::write(&token, "0123456789abcdef0123456789\n").unwrap();
    std::fs::set_permissions(&token, std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
    let db = dir.path().join("none.db");

    let open = Served::new(&db, &vessel, &[]);
    open.snapshot(|s| s["standing"] == "missing");
    let page = open.get("/", "");
    assert!(page.starts_with("HTTP/1.1 200") && page.contains("There is no database yet."), "{page}");
    for header in ["content-security-policy: default-src 'none'; script-src 'self'", "x-content-type-options: nosniff"]
    {
        assert!(page.contains(header), "{page}");
    }
    let named = |host: &str| open.ask(&format!("GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"));
    assert!(named("evil.example").starts_with("HTTP/1.1 421"));
    assert!(named("localhost").starts_with("HTTP/1.1 200"));
    assert!(open.get("/", "Origin: http://evil.example\r\n").starts_with("HTTP/1.1 403"));
    for method in ["POST", "PUT", "DELETE"] {
        let answer = open.ask(&format!("{method} / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"));
        assert!(answer.starts_with("HTTP/1.1 405"), "{answer}");
    }
    for path in ["/../etc/passwd", "/tile/x/0/0", "/tile/x/99/9223372036854775807", "/%00"] {
        assert!(open.get(path, "").starts_with("HTTP/1.1 404"), "{path}");
    }

    let closed = Served::new(&db, &vessel, &["--token-file", token.to_str().unwrap()]);
    for path in ["/", "/snapshot.json", "/events", "/report"] {
        assert!(closed.get(path, "").starts_with("HTTP/1.1 401"), "{path}");
    }
    let enter = |body: &str| {
        let head = format!("POST /enter HTTP/1.1\r\nHost: localhost\r\nContent-Length: {}\r\n", body.len());
        closed.ask(&format!("{head}Connection: close\r\n\r\n{body}"))
    };
    assert!(enter("token=0123456789abcdef012345678").starts_with("HTTP/1.1 401"));
    assert!(enter(&format!("token={}", "x".repeat(5000))).starts_with("HTTP/1.1 400"));
    let answer = enter("token=0123456789abcdef0123456789");
    let cookie = answer.lines().find_map(|l| l.strip_prefix("set-cookie: ")).unwrap();
    assert!(cookie.contains("HttpOnly; SameSite=Strict"));
    let cookie = format!("Cookie: {}\r\n", cookie.split(';').next().unwrap());
    assert!(closed.get("/snapshot.json", &cookie).starts_with("HTTP/1.1 200"));

    // Anybody on the network, without a token.
    let wide = Command::new(PROGRAM)
        .arg("serve")
        .arg(&db)
        .arg("--intent")
        .arg(&vessel)
        .args(["--listen", "0.0.0.0:0"])
        .output()
        .unwrap();
    assert_eq!(wide.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wide.stderr).contains("--token-file"));
}

#[test]
fn in_a_real_browser() {
    let Ok(axe) = std::env::var("AMPWAKE_AXE") else {
        let _ = writeln!(
            std::io::stderr(),
            "skipped: live page and report in a browser. To run it: chromium and chromedriver on PATH, AMPWAKE_PYTHON with PyPI \
             selenium, AMPWAKE_AXE=.../axe.min.js of npm axe-core"
        );
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let (recording, vessel, intent) = demo(dir.path());
    let at = |name: &str| dir.path().join(name);
    let recorder = Recorder::begin(&at("live.db"), &recording);
    let samples = month(&at("month.db"), &intent);
    let size = std::fs::metadata(at("month.db")).unwrap().len();
    hostile(&vessel, &at("hostile.toml"), false);
    hostile(&vessel, &at("refused.toml"), true);
    let report = at("report.html");
    let written = Command::new(PROGRAM)
        .arg("analyze")
        .arg("--log")
        .arg(&recording)
        .arg("--intent")
        .arg(&vessel)
        .arg("--html")
        .arg(&report)
        .arg("--pdf")
        .arg(at("report.pdf"))
        .output()
        .unwrap();
    assert!(written.status.success(), "{}", String::from_utf8_lossy(&written.stderr));
    assert!(std::fs::read(at("report.pdf")).unwrap().starts_with(b"%PDF-"));
    let pictures = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap().join("browser");
    std::fs::create_dir_all(&pictures).unwrap();
    let live = Served::new(&at("live.db"), &vessel, &[]);
    let begun = std::time::Instant::now();
    let long = Served::new(&at("month.db"), &vessel, &[]);
    long.snapshot(|s| s["window"].is_object());
    let opened = begun.elapsed();
    let strange = Served::new(&at("live.db"), &at("hostile.toml"), &[]);
    let refused = Served::new(&at("live.db"), &at("refused.toml"), &[]);
    let fresh = Served::new(&at("none.db"), &vessel, &[]);
    let case = serde_json::json!({
        "live": live.url(), "month": long.url(), "hostile": strange.url(), "refused": refused.url(), "fresh": fresh.url(),
        "report": format!("file://{}", report.display()), "axe": axe, "pictures": pictures,
    });
    std::fs::write(at("case.json"), case.to_string()).unwrap();
    let said = python::run("browser/look.py", "selenium", &[&at("case.json")]).expect("a Python with selenium");
    let _ = writeln!(
        std::io::stderr(),
        "30 days, {samples} samples, {size} bytes: judged {} ms after the program's start\n{said}pictures: {}",
        opened.as_millis(),
        pictures.display()
    );
    assert!(recorder.end().commits > 3);
}
