//! Notices that somebody set the system's clock, by comparing it with the clock that counts since the boot and
//! that nobody can set.
//!
//! A small computer without a battery for its clock starts with an old time and gets the right one from the
//! network some seconds or days later. On a bus that tells no time nothing else could tell that from a pause.

use std::time::{Instant, SystemTime, UNIX_EPOCH};

/// Clocks are slewed, not set, for less; and a busy computer may sleep between reading two clocks.
const STEP_US: i64 = 1_000_000;

/// Compares the clocks.
#[derive(Debug)]
pub struct SystemClock {
    last: Reading,
    uptime_us: Option<i64>,
}

/// Both clocks at one moment, us; the second one counts while the system runs.
#[derive(Debug, Clone, Copy)]
struct Reading {
    system_us: i64,
    running_us: i64,
}

impl SystemClock {
    /// Begins to compare.
    pub fn start() -> Self {
        Self { last: read(), uptime_us: uptime() }
    }

    /// The step since the last call, us; `None` when there was none or it cannot be told. Cheap enough for every
    /// frame.
    pub fn step(&mut self) -> Option<i64> {
        let now = read();
        let step = difference(self.last, now);
        if step.abs() < STEP_US {
            return None;
        }
        // The running clock stands still while the computer sleeps; the one since the boot does not. This is
        // the slower look, and only needed here.
        let (before, after) = (self.uptime_us, uptime());
        let since = now.system_us - self.last.system_us;
        self.refresh();
        let step = since - (after? - before?);
        (step.abs() >= STEP_US).then_some(step)
    }

    /// To be called every few seconds, so that the slow drift between the clocks is not taken for a step.
    pub fn refresh(&mut self) {
        *self = Self::start();
    }
}

fn difference(before: Reading, now: Reading) -> i64 {
    (now.system_us - before.system_us) - (now.running_us - before.running_us)
}

fn read() -> Reading {
    static START: std::sync::OnceLock<Instant> = std::sync::OnceLock::new();
    let micros = |d: std::time::Duration| i64::try_from(d.as_micros()).unwrap_or(i64::MAX);
    let system_us = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, micros);
    Reading { system_us, running_us: micros(START.get_or_init(Instant::now).elapsed()) }
}

/// Time since the boot with sleep included, us: the first number of `/proc/uptime` (proc(5)), in seconds.
fn uptime() -> Option<i64> {
    parse_uptime(&std::fs::read_to_string("/proc/uptime").ok()?)
}

fn parse_uptime(text: &str) -> Option<i64> {
    let seconds: f64 = text.split_whitespace().next()?.parse().ok()?;
    Some((seconds * 1e6) as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_what_the_running_clock_does_not_show() {
        let at = |system_us, running_us| Reading { system_us, running_us };
        assert_eq!(difference(at(100, 5), at(200, 105)), 0);
        assert_eq!(difference(at(100, 5), at(9_000_200, 105)), 9_000_000);
        assert_eq!(difference(at(9_000_000, 5), at(100, 105)), -9_000_000);
    }

    #[test]
    fn a_sleep_of_the_computer_is_no_step() {
        // As if an hour had passed on the system's clock and since the boot, and nothing on the running clock.
        let mut clock = SystemClock::start();
        clock.last.system_us -= 3_600_000_000;
        clock.uptime_us = clock.uptime_us.map(|us| us - 3_600_000_000);
        assert_eq!(clock.step(), None);
        // Set by an hour.
        let mut clock = SystemClock::start();
        clock.last.system_us -= 3_600_000_000;
        let step = clock.step().unwrap();
        assert!((step - 3_600_000_000).abs() < 1_000_000, "{step}");
        assert_eq!(clock.step(), None, "it is told once");
    }

    #[test]
    fn uptime_is_read_as_the_kernel_writes_it() {
        assert_eq!(parse_uptime("350735.47 234388.90\n"), Some(350_735_470_000));
        assert_eq!(parse_uptime(""), None);
    }
}
