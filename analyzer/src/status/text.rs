//! The status on one screen of 80 columns, and every word of it.

use super::{Bus, Status};
use crate::report::format::plain;
use ampwake_schemas::time::Timestamp;
use std::io::Write;

/// Losses of data that a user can do something about, as they are counted, and in words.
const LOSSES: [(&str, &str); 4] = [
    ("sample_given_up", "samples given up while the disk refused"),
    ("frame_lost_in_kernel", "frames lost because the computer was too busy"),
    ("raw_frame_given_up", "raw frames given up (samples were recorded)"),
    ("error_frame", "error frames (wiring, termination, bit rate)"),
];

/// Writes it as of `now`.
///
/// # Errors
/// `out` cannot be written.
pub fn write(status: &Status, now: Timestamp, out: &mut dyn Write) -> std::io::Result<()> {
    let mut line = |name: &str, text: String| writeln!(out, "{name:<13}{text}");
    let ago = |t: Option<Timestamp>| t.map_or("never".to_owned(), |t| age(now, t));
    line("Ampwake", format!("{}, {}", status.version, plain(&status.database)))?;
    let recording = match (&status.recorded_by, &status.run) {
        (Some(who), Some(run)) => {
            let version = run.version.as_deref().map_or(String::new(), |v| format!(", version {}", plain(v)));
            format!("yes, by {who}{version}, since {}", short(run.started))
        }
        (Some(who), None) => format!("no recorder, but {who} is writing"),
        (None, Some(run)) => match run.stopped {
            Some(at) => format!("NO: it was stopped {}", age(now, at)),
            None => "NO: it ended without being stopped (power cut, or killed)".to_owned(),
        },
        (None, None) => "no: this database was imported".to_owned(),
    };
    line("Recording", recording)?;
    line("Last commit", format!("{}; newest sample {}", ago(status.last_commit), ago(status.last)))?;
    line("Clock", clock(status, now))?;
    writeln!(out)?;
    writeln!(
        out,
        "{:<16}{:<14}{:>12}{:>10}{:>10}{:>7}{:>8}",
        "bus", "speaks", "heard", "frames/s", "values/s", "load", "lost"
    )?;
    for bus in &status.buses {
        let number =
            |v: Option<f64>, unit: &str, scale: f64| v.map_or("-".to_owned(), |v| format!("{:.0}{unit}", v * scale));
        writeln!(
            out,
            "{:<16}{:<14}{:>12}{:>10}{:>10.1}{:>7}{:>8}",
            cut(&plain(&bus.name), 15),
            cut(&bus.protocols.join("+"), 13),
            ago(bus.heard),
            number(bus.frames_per_s, "", 1.0),
            bus.samples_per_s,
            number(bus.load, " %", 100.0),
            number(bus.lost_frames, "", 1.0),
        )?;
    }
    if status.buses.is_empty() {
        writeln!(out, "no bus was configured or heard")?;
    }
    writeln!(out)?;
    let mut line = |name: &str, text: String| writeln!(out, "{name:<13}{text}");
    let room = &status.room;
    let grows = room.per_day.map_or(String::new(), |d| format!(", {} a day", bytes(d)));
    let raw = room.raw.map_or(String::new(), |raw| format!("; raw frames {}", bytes(raw as f64)));
    line("Database", format!("{}{grows}{raw}", bytes(room.database as f64)))?;
    if let (Some(first), Some(last)) = (status.first, status.last) {
        line("Recorded", format!("{} to {}", short(first), short(last)))?;
    }
    if let Some(from) = room.full_from {
        line("", format!("before {} summaries only", short(from)))?;
    }
    if let Some((free, all)) = room.disk {
        let most = room.most.map_or(String::new(), |most| format!("; the recording may take {}", bytes(most as f64)));
        line("Disk", format!("{} free of {}{most}", bytes(free as f64), bytes(all as f64)))?;
    }
    line("Days left", days_left(status))?;
    for (name, words) in LOSSES {
        if let Some(n) = status.problems.get(name).filter(|n| **n > 0) {
            line("Lost", format!("{n} {words}"))?;
        }
    }
    if let Some(trouble) = &status.trouble {
        for (i, part) in wrapped(&plain(&trouble.text), 66).into_iter().enumerate() {
            line(if i == 0 { "Trouble" } else { "" }, part)?;
        }
    }
    for hint in hints(status, now) {
        for (i, part) in wrapped(&hint, 66).into_iter().enumerate() {
            line(if i == 0 { "Look at" } else { "" }, part)?;
        }
    }
    Ok(())
}

fn clock(status: &Status, now: Timestamp) -> String {
    let clock = &status.clock;
    let basis = match (clock.note.is_empty(), clock.told) {
        (false, _) => format!("the computer's, corrected by {}", plain(&clock.note)),
        (true, true) => "the computer's; a receiver on the bus tells the time".to_owned(),
        (true, false) => "the computer's; nobody on the bus tells the time".to_owned(),
    };
    let step = clock.step.as_ref().map_or(String::new(), |step| format!("; set {}", age(now, step.time)));
    basis + &step
}

fn days_left(status: &Status) -> String {
    let room = &status.room;
    match (room.days_left, room.full_from) {
        (Some(days), _) => {
            let whole = format!("some {days:.0} days at this rate");
            let by_disk =
                room.disk.zip(room.most).is_some_and(|((free, _), most)| free < most.saturating_sub(room.database));
            whole + if by_disk { ", then the disk is full" } else { ", then the oldest values become summaries" }
        }
        (None, Some(_)) => "no end: the oldest values become summaries as new ones come".to_owned(),
        (None, None) => "not known before six hours are recorded".to_owned(),
    }
}

/// What somebody should look at.
fn hints(status: &Status, now: Timestamp) -> Vec<String> {
    let mut hints = Vec::new();
    let recording = status.recorded_by.is_some();
    if !recording && status.run.is_some() {
        hints.push("systemctl status ampwaked; journalctl -u ampwaked -e".to_owned());
    }
    let quiet = |bus: &&Bus| bus.configured && bus.heard.is_none_or(|t| now.seconds_since(t) > 60.0);
    let silent: Vec<String> = status.buses.iter().filter(quiet).map(|b| plain(&b.name)).collect();
    if recording && !silent.is_empty() {
        hints.push(format!(
            "{}: nothing for a minute. Is it connected and powered, is its speed right? `ampwaked check` says how it is set",
            silent.join(", ")
        ));
    }
    hints
}

/// What is there before anything was recorded: what is missing, in the order in which to do it.
///
/// # Errors
/// `out` cannot be written.
pub fn write_fresh(database: &str, configuration: bool, intent: bool, out: &mut dyn Write) -> std::io::Result<()> {
    let have = |there: bool| if there { "there   " } else { "missing " };
    writeln!(out, "{:<13}{}", "Ampwake", env!("CARGO_PKG_VERSION"))?;
    writeln!(out, "{:<13}NO: nothing has been recorded into {}", "Recording", plain(database))?;
    writeln!(out)?;
    writeln!(out, "{}/etc/ampwake/logger.toml   what to record", have(configuration))?;
    writeln!(out, "{}/etc/ampwake/vessel.toml   the design intent, for reports and alerts", have(intent))?;
    writeln!(out)?;
    writeln!(out, "1. copy an example from /usr/share/doc/ampwake/examples and name your buses")?;
    writeln!(out, "2. ampwaked check --config /etc/ampwake/logger.toml")?;
    writeln!(out, "3. systemctl enable --now ampwaked")
}

/// `4 s ago`.
fn age(now: Timestamp, then: Timestamp) -> String {
    let s = now.seconds_since(then);
    match s {
        s if s < -1.5 => "in the future".to_owned(),
        s if s < 120.0 => format!("{:.0} s ago", s.max(0.0)),
        s if s < 7200.0 => format!("{:.0} min ago", s / 60.0),
        s if s < 172_800.0 => format!("{:.0} h ago", s / 3600.0),
        s => format!("{:.0} days ago", s / 86_400.0),
    }
}

/// To the second.
fn short(t: Timestamp) -> String {
    let text = t.to_string();
    text.split_once('.').map_or(text.clone(), |(seconds, _)| format!("{seconds}Z"))
}

fn bytes(n: f64) -> String {
    match n {
        n if n >= 1e9 => format!("{:.1} GB", n / 1e9),
        n if n >= 1e6 => format!("{:.0} MB", n / 1e6),
        n => format!("{:.0} kB", n / 1e3),
    }
}

fn cut(text: &str, most: usize) -> String {
    text.chars().take(most).collect()
}

/// In lines of at most so many characters, broken at spaces.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let last = lines.last_mut().filter(|l| l.is_empty() || l.chars().count() + 1 + word.chars().count() <= width);
        match last {
            Some(line) if line.is_empty() => line.push_str(word),
            Some(line) => {
                line.push(' ');
                line.push_str(word);
            }
            None => lines.push(word.to_owned()),
        }
    }
    lines
}
