//! The recorder's figures for a monitoring program of this computer, in the OpenMetrics text format 1.0 (IETF draft
//! draft-richih-opsawg-openmetrics-00): off unless the configuration names a loopback address.
//!
//! Owes its reader: one request at a time, on a thread of its own, with a bound on its size and its time; whatever is asked,
//! the recording does not notice.

use crate::watch::{BusFigures, Figures, Watch};
use std::fmt::Write as _;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// The longest request that is read.
const LONGEST: usize = 4096;
/// The longest time that a request may take.
const PATIENCE: Duration = Duration::from_secs(2);
const CONTENT: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// An open port; closed when dropped.
#[derive(Debug)]
pub struct Metrics {
    address: SocketAddr,
    stop: Arc<AtomicBool>,
}

impl Metrics {
    /// Opens the port.
    ///
    /// # Errors
    /// It is taken, or this user may not.
    pub fn start(address: SocketAddr, watch: Arc<Watch>) -> std::io::Result<Self> {
        let listener = TcpListener::bind(address)?;
        let (address, stop) = (listener.local_addr()?, Arc::<AtomicBool>::default());
        let over = stop.clone();
        std::thread::Builder::new().name("metrics".to_owned()).spawn(move || serve(&listener, &watch, &over))?;
        Ok(Self { address, stop })
    }

    /// Where it is.
    pub fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for Metrics {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        // So that it stops waiting for somebody to call.
        let _ = TcpStream::connect_timeout(&self.address, PATIENCE);
    }
}

fn serve(listener: &TcpListener, watch: &Watch, over: &AtomicBool) {
    for stream in listener.incoming() {
        if over.load(Ordering::Relaxed) {
            return;
        }
        match stream {
            Ok(mut stream) => {
                // Somebody who hung up needs no answer.
                let _ = answer(&mut stream, watch);
            }
            // No more file handles, as a rule: the recorder's own trouble is the larger one.
            Err(_) => std::thread::sleep(Duration::from_secs(1)),
        }
    }
}

fn answer(stream: &mut TcpStream, watch: &Watch) -> std::io::Result<()> {
    let deadline = Instant::now() + PATIENCE;
    stream.set_write_timeout(Some(PATIENCE))?;
    let mut request = Vec::new();
    let mut buffer = [0; 512];
    while !request.windows(4).any(|end| end == b"\r\n\r\n") {
        let left = deadline.saturating_duration_since(Instant::now());
        if left.is_zero() || request.len() > LONGEST {
            return reply(stream, "400 Bad Request", "text/plain", "", true);
        }
        stream.set_read_timeout(Some(left))?;
        match stream.read(&mut buffer)? {
            0 => return Ok(()),
            n => request.extend_from_slice(&buffer[..n]),
        }
    }
    let text = String::from_utf8_lossy(&request);
    let mut lines = text.lines();
    let mut words = lines.next().unwrap_or_default().split(' ');
    let (method, path) = (words.next().unwrap_or_default(), words.next().unwrap_or_default());
    // A page of the web that has its own name point here is not let in.
    let host = lines.find_map(|l| l.split_once(':').filter(|(name, _)| name.eq_ignore_ascii_case("host")));
    let local = host.is_none_or(|(_, host)| is_local(host.trim()));
    match (method, path.split('?').next().unwrap_or_default()) {
        _ if !local => reply(stream, "403 Forbidden", "text/plain", "ask for this computer by a loopback name\n", true),
        ("GET" | "HEAD", "/metrics") => reply(stream, "200 OK", CONTENT, &text_of(&watch.figures()), method == "GET"),
        ("GET" | "HEAD", _) => {
            reply(stream, "404 Not Found", "text/plain", "figures are at /metrics\n", method == "GET")
        }
        _ => reply(stream, "405 Method Not Allowed", "text/plain", "", true),
    }
}

fn is_local(host: &str) -> bool {
    let name =
        host.rsplit_once(':').filter(|(_, port)| port.bytes().all(|b| b.is_ascii_digit())).map_or(host, |(h, _)| h);
    matches!(name, "localhost" | "[::1]") || name.parse::<std::net::Ipv4Addr>().is_ok_and(|ip| ip.is_loopback())
}

fn reply(stream: &mut TcpStream, status: &str, kind: &str, body: &str, with_body: bool) -> std::io::Result<()> {
    let length = body.len();
    let head = format!(
        "HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {length}\r\nCache-Control: no-store\r\nConnection: close\r\n\r\n"
    );
    stream.write_all(head.as_bytes())?;
    if with_body { stream.write_all(body.as_bytes()) } else { Ok(()) }
}

/// The figures as text.
pub fn text_of(figures: &Figures) -> String {
    let mut out = Text(String::new());
    out.family("ampwake_build", "info", "The recorder.");
    out.sample("ampwake_build_info", &[("version", env!("CARGO_PKG_VERSION"))], 1.0);
    let seconds = |t: ampwake_schemas::time::Timestamp| t.micros() as f64 / 1e6;
    out.one("ampwake_start_time_seconds", "gauge", "When this run began, since 1970.", seconds(figures.started));
    let buses: Vec<&BusFigures> = figures.buses.iter().filter(|bus| !bus.removed).collect();
    out.of_buses("ampwake_frames", "counter", "Frames, or messages where a bus has none.", &buses, |b| {
        Some(b.frames as f64)
    });
    out.of_buses("ampwake_frames_lost", "counter", "Frames that the kernel threw away.", &buses, |b| {
        Some(b.lost as f64)
    });
    out.of_buses("ampwake_bus_open", "gauge", "1 where the bus is open, 0 where it is waited for.", &buses, |b| {
        Some(f64::from(u8::from(!b.gone)))
    });
    let heard = "When something was heard last, since 1970.";
    out.of_buses("ampwake_bus_heard_timestamp_seconds", "gauge", heard, &buses, |b| b.heard.map(seconds));
    for (name, help, value) in [
        ("ampwake_messages", "Messages that were decoded.", figures.messages),
        ("ampwake_samples", "Samples that were taken.", figures.samples),
        ("ampwake_samples_given_up", "Samples given up while the disk refused them.", figures.given_up),
        ("ampwake_commits", "Commits that reached the disk.", figures.commits),
        ("ampwake_clock_steps", "Steps of the recorder's clock.", figures.clock_steps),
    ] {
        out.family(name, "counter", help);
        out.sample(&format!("{name}_total"), &[], value as f64);
    }
    if let Some(at) = figures.last_commit {
        out.one(
            "ampwake_last_commit_timestamp_seconds",
            "gauge",
            "When the last commit reached the disk.",
            seconds(at),
        );
    }
    let refusing = f64::from(u8::from(figures.refused_since.is_some()));
    out.one("ampwake_disk_refusing", "gauge", "1 while the disk refuses commits.", refusing);
    out.one("ampwake_samples_waiting", "gauge", "Samples that wait in memory for a commit.", figures.waiting as f64);
    out.one("ampwake_database_bytes", "gauge", "What the database takes.", figures.database_bytes as f64);
    out.0.push_str("# EOF\n");
    out.0
}

struct Text(String);

impl Text {
    fn family(&mut self, name: &str, kind: &str, help: &str) {
        let _ = write!(self.0, "# TYPE {name} {kind}\n# HELP {name} {help}\n");
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        let escape = |text: &str| text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n");
        let labels: Vec<String> = labels.iter().map(|(n, v)| format!("{n}=\"{}\"", escape(v))).collect();
        let labels = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        let _ = writeln!(self.0, "{name}{labels} {value}");
    }

    fn one(&mut self, name: &str, kind: &str, help: &str, value: f64) {
        self.family(name, kind, help);
        self.sample(name, &[], value);
    }

    fn of_buses(
        &mut self,
        name: &str,
        kind: &str,
        help: &str,
        buses: &[&BusFigures],
        value: impl Fn(&BusFigures) -> Option<f64>,
    ) {
        self.family(name, kind, help);
        let sample = if kind == "counter" { format!("{name}_total") } else { name.to_owned() };
        for bus in buses {
            if let Some(value) = value(bus) {
                self.sample(&sample, &[("bus", &bus.name)], value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(request: &[u8]) -> String {
        let watch = Arc::new(Watch::new(|_| {}));
        watch.alive(Figures {
            samples: 12,
            buses: vec![BusFigures { name: "can0".to_owned(), frames: 7, ..BusFigures::default() }],
            ..Figures::default()
        });
        let metrics = Metrics::start("127.0.0.1:0".parse().unwrap(), watch).unwrap();
        let mut stream = TcpStream::connect(metrics.address()).unwrap();
        // What is too long is answered before all of it is sent.
        let _ = stream.write_all(request);
        let mut text = Vec::new();
        let _ = stream.read_to_end(&mut text);
        String::from_utf8_lossy(&text).into_owned()
    }

    #[test]
    fn figures_are_told_to_this_computer_alone() {
        let said = asked(b"GET /metrics HTTP/1.1\r\nHost: localhost:9733\r\n\r\n");
        assert!(
            said.starts_with("HTTP/1.1 200 OK\r\nContent-Type: application/openmetrics-text; version=1.0.0"),
            "{said}"
        );
        for line in [
            "ampwake_samples_total 12\n",
            "ampwake_frames_total{bus=\"can0\"} 7\n",
            "ampwake_bus_open{bus=\"can0\"} 1\n",
        ] {
            assert!(said.contains(line), "{line}: {said}");
        }
        assert!(said.ends_with("# EOF\n"));
        let head = asked(b"HEAD /metrics HTTP/1.1\r\nhost: [::1]\r\n\r\n");
        assert!(head.contains("200 OK") && head.ends_with("\r\n\r\n"), "{head}");
        for (request, status) in [
            (&b"GET / HTTP/1.1\r\n\r\n"[..], "404"),
            (b"POST /metrics HTTP/1.1\r\n\r\n", "405"),
            (b"GET /metrics HTTP/1.1\r\nHost: boat.example\r\n\r\n", "403"),
            (b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1.example:80\r\n\r\n", "403"),
            (b"\xFF\x00\r\n\r\n", "405"),
        ] {
            let said = asked(request);
            assert!(said.starts_with(&format!("HTTP/1.1 {status}")), "{said}");
        }
        let long = [&b"GET /metrics HTTP/1.1\r\nX: "[..], &[b'a'; 5000], b"\r\n\r\n"].concat();
        assert!(!asked(&long).contains("200 OK"));
    }
}
