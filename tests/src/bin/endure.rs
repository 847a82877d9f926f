//! The daemon under what happens on board in a year, one fault after the other; writes a row of `deploy/FAULTS.md` for each.
//!
//! `endure --daemon target/release/ampwaked [--minutes 15] [--rate 4800] [SCENE…]`, on Linux; scene `full` needs root, for a
//! small disk of its own. Numbers are sent as sentences over datagrams, so that each one that is missing is known.

use ampwake_store::Store;
use ampwake_tests::service::{Service, configuration, free_port, sentence};
use clap::Parser;
use nix::sys::signal::Signal;
use std::net::UdpSocket;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use std::time::{Duration, Instant};

#[derive(Parser)]
struct Arguments {
    /// The program to try.
    #[arg(long)]
    daemon: PathBuf,
    /// Length of scene `soak`.
    #[arg(long, default_value_t = 15.0)]
    minutes: f64,
    /// Values per second of scene `soak`.
    #[arg(long, default_value_t = 4800)]
    rate: u32,
    /// soak, kill, freeze, full, handles; all without a word.
    scenes: Vec<String>,
}

type Row = Result<(String, String, String), Box<dyn std::error::Error>>;

/// The talker of a line: number after number.
struct Line {
    socket: UdpSocket,
    port: u16,
    sent: u32,
}

impl Line {
    fn new() -> std::io::Result<Self> {
        Ok(Self { socket: UdpSocket::bind("127.0.0.1:0")?, port: free_port(), sent: 0 })
    }

    /// So many per second for so long, at an even pace.
    fn talk(&mut self, rate: u32, time: Duration, mut meanwhile: impl FnMut(u32)) -> std::io::Result<()> {
        let (begin, first) = (Instant::now(), self.sent);
        while begin.elapsed() < time {
            let due = (begin.elapsed().as_secs_f64() * f64::from(rate)) as u32;
            while self.sent - first < due {
                // A socket that nobody holds open at the moment refuses; the number is counted as sent all the same.
                let _ = self.socket.send_to(sentence(self.sent % 30_000).as_bytes(), ("127.0.0.1", self.port));
                self.sent += 1;
            }
            meanwhile(self.sent);
            std::thread::sleep(Duration::from_millis(2));
        }
        Ok(())
    }
}

/// Values recorded of line `aft`.
fn recorded(dir: &Path) -> Result<u64, Box<dyn std::error::Error>> {
    let store = Store::open(dir.join("voyage.db"))?;
    let found = store.find(&"aft/nmea0183/mtw/water_temperature".parse()?)?;
    Ok(found.map_or(0, |channel| channel.samples))
}

/// Resident memory in kB and open file handles.
fn size(pid: u32) -> (u64, usize) {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let kb = status.lines().find_map(|l| l.strip_prefix("VmRSS:")?.split_whitespace().next()?.parse().ok());
    (kb.unwrap_or(0), std::fs::read_dir(format!("/proc/{pid}/fd")).map_or(0, Iterator::count))
}

fn start(arguments: &Arguments, dir: &Path, port: u16, watchdog: Duration) -> Service {
    let mut service =
        Service::start(&arguments.daemon.to_string_lossy(), dir, &configuration(&[("aft", port)], ""), watchdog, &[]);
    service.await_told("READY=1");
    service
}

fn stop(service: &mut Service) {
    service.signal(Signal::SIGTERM);
    service.end();
}

fn soak(arguments: &Arguments) -> Row {
    let dir = tempfile::tempdir()?;
    let mut line = Line::new()?;
    let watchdog = Duration::from_secs(8);
    let mut service = start(arguments, dir.path(), line.port, watchdog);
    let (mut worst, mut last, mut next) = (Duration::ZERO, Instant::now(), Instant::now());
    let mut sizes = Vec::new();
    let time = Duration::from_secs_f64(arguments.minutes * 60.0);
    line.talk(arguments.rate, time, |_| {
        while service.poll() {
            if service.told.last().is_some_and(|m| m.starts_with("WATCHDOG=1")) {
                worst = worst.max(last.elapsed());
                last = Instant::now();
            }
        }
        if Instant::now() >= next {
            sizes.push(size(service.id()));
            next += time / 12;
        }
    })?;
    std::thread::sleep(Duration::from_secs(2));
    stop(&mut service);
    let (sent, kept) = (u64::from(line.sent), recorded(dir.path())?);
    let memory: Vec<String> = sizes.iter().map(|(kb, _)| format!("{:.1}", *kb as f64 / 1000.0)).collect();
    let handles = sizes.iter().map(|(_, n)| *n).max().unwrap_or(0);
    let hours = f64::from(line.sent) / 50.0 / 3600.0;
    Ok((
        format!(
            "{hours:.1} h of 50 values/s in {:.0} min ({} values/s, {:.0} times as fast)",
            arguments.minutes,
            arguments.rate,
            f64::from(arguments.rate) / 50.0
        ),
        format!(
            "resident MB in twelve steps: {}; at most {handles} file handles; longest time between signs of life {:.1} s of {} s allowed",
            memory.join(" "),
            worst.as_secs_f64(),
            watchdog.as_secs()
        ),
        format!("{} of {sent} values", sent - kept),
    ))
}

fn kill(arguments: &Arguments) -> Row {
    let dir = tempfile::tempdir()?;
    let mut line = Line::new()?;
    let (mut runs, mut down) = (0, Duration::ZERO);
    for n in 0..20_u64 {
        let mut service = start(arguments, dir.path(), line.port, Duration::from_secs(8));
        line.talk(500, Duration::from_millis(1500 + n * 97 % 1000), |_| {})?;
        service.signal(Signal::SIGKILL);
        let at = Instant::now();
        service.end();
        down = down.max(at.elapsed());
        runs += 1;
    }
    let (sent, kept) = (u64::from(line.sent), recorded(dir.path())?);
    let damage = Store::open(dir.path().join("voyage.db"))?.damage()?;
    let whole = if damage.is_empty() { "the database whole after each".to_owned() } else { format!("{damage:?}") };
    let each = (sent - kept) / runs;
    Ok((
        format!("killed (SIGKILL) {runs} times in full run, commits every second"),
        format!("started again and went on each time; {whole}"),
        format!(
            "{each} of 500 values/s per kill on average: less than a commit interval and what comes while it is down"
        ),
    ))
}

fn freeze(arguments: &Arguments) -> Row {
    let dir = tempfile::tempdir()?;
    let mut line = Line::new()?;
    let mut service = start(arguments, dir.path(), line.port, Duration::from_secs(2));
    line.talk(20, Duration::from_secs(3), |_| {})?;
    while service.poll() {}
    service.signal(Signal::SIGSTOP);
    let seen = service.told.len();
    line.talk(20, Duration::from_secs(6), |_| {
        service.poll();
    })?;
    let silent = service.told.len() == seen;
    service.signal(Signal::SIGCONT);
    line.talk(20, Duration::from_secs(2), |_| {})?;
    service.await_told("WATCHDOG=1");
    std::thread::sleep(Duration::from_secs(2));
    stop(&mut service);
    let lost = u64::from(line.sent) - recorded(dir.path())?;
    Ok((
        "frozen (SIGSTOP) for 6 s at 20 values/s".to_owned(),
        format!(
            "{}; under systemd the watchdog would end it and start it again. Let go on, it read what the kernel had kept",
            if silent { "no sign of life meanwhile" } else { "A SIGN OF LIFE WHILE FROZEN" }
        ),
        format!("{lost} values (of a busier bus what the kernel's queue cannot hold, which is counted)"),
    ))
}

fn full(arguments: &Arguments) -> Row {
    let dir = tempfile::tempdir()?;
    let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", "size=3m", "none"]).arg(dir.path()).status()?;
    if !mounted.success() {
        return Err("a disk of its own needs root".into());
    }
    let run = || -> Row {
        let mut line = Line::new()?;
        let mut service = start(arguments, dir.path(), line.port, Duration::from_secs(8));
        line.talk(200, Duration::from_secs(3), |_| {})?;
        let filler = dir.path().join("filler");
        // As much as there is; the error is the aim.
        let _ = std::fs::write(&filler, vec![1; 16 << 20]);
        line.talk(200, Duration::from_secs(20), |_| {
            service.poll();
        })?;
        let said = service.log().lines().filter(|l| l.contains("are kept for the next attempt")).count();
        let alive = service.told.iter().rev().find(|m| m.contains("THE DISK REFUSES")).is_some();
        std::fs::remove_file(&filler)?;
        let deadline = Instant::now() + Duration::from_secs(90);
        while !service.log().contains("the disk takes the recording again") && Instant::now() < deadline {
            line.talk(200, Duration::from_secs(1), |_| {})?;
        }
        std::thread::sleep(Duration::from_secs(2));
        stop(&mut service);
        let (sent, kept) = (u64::from(line.sent), recorded(dir.path())?);
        let status = if alive { "status and log said so" } else { "IT WAS NOT SAID" };
        Ok((
            "disk full for 20 s and more at 200 values/s".to_owned(),
            format!(
                "commits were refused and waited in memory; {status} ({said} lines); when there was room it went on"
            ),
            format!("{} of {sent} values", sent - kept),
        ))
    };
    let row = run();
    Command::new("umount").arg("-l").arg(dir.path()).status()?;
    row
}

fn handles(arguments: &Arguments) -> Row {
    let dir = tempfile::tempdir()?;
    let mut line = Line::new()?;
    let mut service = start(arguments, dir.path(), line.port, Duration::from_secs(8));
    line.talk(200, Duration::from_secs(3), |_| {})?;
    let limit = |n: usize| {
        Command::new("prlimit").args(["--pid", &service.id().to_string(), &format!("--nofile={n}:1024")]).status()
    };
    // Not one more than it has.
    limit(size(service.id()).1)?;
    line.talk(200, Duration::from_secs(10), |_| {})?;
    limit(1024)?;
    line.talk(200, Duration::from_secs(3), |_| {})?;
    std::thread::sleep(Duration::from_secs(2));
    let refused = service.log().lines().filter(|l| l.contains("ERROR")).count();
    stop(&mut service);
    let (sent, kept) = (u64::from(line.sent), recorded(dir.path())?);
    Ok((
        "no file handle left for 10 s".to_owned(),
        format!("what is open stays open and is recorded; {refused} errors in the log"),
        format!("{} of {sent} values", sent - kept),
    ))
}

#[allow(clippy::print_stdout, clippy::print_stderr)] // this is what the program is for
fn main() -> ExitCode {
    let arguments = Arguments::parse();
    type Scene = fn(&Arguments) -> Row;
    let all: [(&str, Scene); 5] =
        [("soak", soak), ("kill", kill), ("freeze", freeze), ("full", full), ("handles", handles)];
    let mut good = true;
    println!("| fault | what happened | what was lost |\n|---|---|---|");
    for (name, scene) in all {
        if !arguments.scenes.is_empty() && !arguments.scenes.iter().any(|wanted| wanted == name) {
            continue;
        }
        match scene(&arguments) {
            Ok((fault, happened, lost)) => println!("| {fault} | {happened} | {lost} |"),
            Err(e) => {
                good = false;
                eprintln!("{name}: {e}");
            }
        }
    }
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
