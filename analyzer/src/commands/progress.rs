//! Progress of long work on a terminal: how much of it, how fast, how long it will take. Nothing in a pipe.

use super::Streams;
use crate::report::format::duration;
use std::io::Write;
use std::time::{Duration, Instant};

/// Between two looks of somebody who waits.
const EVERY: Duration = Duration::from_millis(200);
/// Before this a rate says little about the rest.
const SETTLED: Duration = Duration::from_secs(1);

/// How far the work is.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What was done so far.
    pub count: u64,
    /// Of what, in the plural: `frames`.
    pub what: &'static str,
    /// How much of the whole, 0..1, where that is known.
    pub fraction: Option<f64>,
    /// Where it is, for example ` of 12.3 MB`; may be empty.
    pub place: String,
}

/// One line that is written over again and again.
pub struct Progress<'a> {
    err: Option<&'a mut dyn Write>,
    began: Instant,
    shown: Instant,
}

impl<'a> Progress<'a> {
    /// Work begins.
    pub fn begin(streams: &'a mut Streams<'_>) -> Self {
        let now = Instant::now();
        let err: Option<&mut dyn Write> = if streams.terminal { Some(&mut *streams.err) } else { None };
        Self { err, began: now, shown: now }
    }

    /// Shows how far it is, a few times a second.
    pub fn tell(&mut self, step: impl FnOnce() -> Step) {
        if let Some(err) = &mut self.err
            && self.shown.elapsed() >= EVERY
        {
            self.shown = Instant::now();
            // Progress that cannot be shown is no reason to stop.
            let _ = write!(err, "\r{}\x1b[K", line(self.began.elapsed(), &step())).and_then(|()| err.flush());
        }
    }
}

impl Drop for Progress<'_> {
    /// The line gives way to what the work came to, or to why it failed.
    fn drop(&mut self) {
        if let Some(err) = &mut self.err {
            let _ = write!(err, "\r\x1b[K").and_then(|()| err.flush());
        }
    }
}

/// ` 27 % of 45.3 MB, 1.24 M frames, 310 k frames/s, 1 min 5 s left`.
fn line(elapsed: Duration, step: &Step) -> String {
    let mut out = match step.fraction {
        Some(fraction) => format!("{:3.0} %{}, ", (fraction * 100.0).floor(), step.place),
        None => String::new(),
    };
    out.push_str(&format!("{} {}", short(step.count as f64), step.what));
    let seconds = elapsed.as_secs_f64();
    if elapsed >= SETTLED {
        out.push_str(&format!(", {} {}/s", short(step.count as f64 / seconds), step.what));
        if let Some(fraction) = step.fraction.filter(|f| *f > 0.0) {
            out.push_str(&format!(", {} left", duration((seconds / fraction - seconds).max(0.0))));
        }
    }
    out
}

/// Bytes with three digits: `45.3 MB`.
pub fn bytes(n: u64) -> String {
    let n = n as f64;
    match n {
        _ if n < 1e6 => format!("{:.0} kB", (n / 1e3).ceil()),
        _ if n < 1e9 => format!("{} MB", three(n / 1e6)),
        _ => format!("{} GB", three(n / 1e9)),
    }
}

/// A count with three digits: `310 k`, `1.24 M`.
fn short(n: f64) -> String {
    match n {
        _ if n < 9_999.5 => format!("{n:.0}"),
        _ if n < 999_500.0 => format!("{:.0} k", n / 1e3),
        _ => format!("{} M", three(n / 1e6)),
    }
}

fn three(x: f64) -> String {
    match x {
        _ if x < 9.995 => format!("{x:.2}"),
        _ if x < 99.95 => format!("{x:.1}"),
        _ => format!("{x:.0}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(count: u64, fraction: Option<f64>) -> Step {
        Step { count, what: "frames", fraction, place: " of 45.3 MB".into() }
    }

    #[test]
    fn the_line_says_how_much_how_fast_and_how_long() {
        let at = |s: f64, step: &Step| line(Duration::from_secs_f64(s), step);
        assert_eq!(at(4.0, &step(1_240_000, Some(0.25))), " 25 % of 45.3 MB, 1.24 M frames, 310 k frames/s, 12 s left");
        assert_eq!(at(0.5, &step(20_000, Some(0.999))), " 99 % of 45.3 MB, 20 k frames");
        assert_eq!(at(10.0, &step(20_000, None)), "20 k frames, 2000 frames/s");
        assert_eq!(at(10.0, &step(0, Some(0.0))), "  0 % of 45.3 MB, 0 frames, 0 frames/s");
        assert!(at(1e5, &step(u64::MAX, Some(1.0))).ends_with(", 0 s left"));
    }

    #[test]
    fn figures_have_three_digits() {
        let counts = [0.0, 9999.0, 10_000.0, 999_499.0, 999_500.0, 12_345_678.0].map(short);
        assert_eq!(counts, ["0", "9999", "10 k", "999 k", "1.00 M", "12.3 M"]);
        let sizes = [0, 1, 999_999, 45_345_678, 1_999_999_999].map(bytes);
        assert_eq!(sizes, ["0 kB", "1 kB", "1000 kB", "45.3 MB", "2.00 GB"]);
    }

    #[test]
    fn a_pipe_sees_nothing_and_a_terminal_keeps_nothing() {
        for terminal in [false, true] {
            let (mut out, mut err) = (Vec::new(), Vec::new());
            let mut streams = Streams { out: &mut out, err: &mut err, terminal };
            let mut progress = Progress::begin(&mut streams);
            std::thread::sleep(EVERY);
            progress.tell(|| step(1, None));
            drop(progress);
            let text = String::from_utf8(err).unwrap();
            assert_eq!(text, if terminal { "\r1 frames\u{1b}[K\r\u{1b}[K" } else { "" });
        }
    }
}
