//! A recording played as a bus that is alive now: its first part at once, the rest as time passes.

use ampwake_logger::bus::recording::{Carried, Recording};
use ampwake_logger::bus::source::{Outlet, Source};
use ampwake_schemas::time::Timestamp;
use std::time::Duration;

/// The source.
#[derive(Debug)]
pub struct Paced {
    /// The bus's name.
    pub name: String,
    /// What is played.
    pub recording: Recording,
    /// So much of it lies in the past when it begins, s.
    pub head_s: i64,
}

fn now() -> Timestamp {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    Timestamp::from_micros(since.as_micros() as i64)
}

impl Source for Paced {
    fn name(&self) -> &str {
        &self.name
    }

    fn run(mut self: Box<Self>, out: &Outlet) {
        let mut shift = None;
        while !out.is_over() {
            let Ok(Some((_, carried))) = self.recording.advance() else { return };
            let Carried::Frame(mut frame) = carried else { continue };
            let began = now().micros() - self.head_s * 1_000_000;
            let shift = *shift.get_or_insert(began - frame.time.micros());
            let time = Timestamp::from_micros(frame.time.micros() + shift);
            while time > now() && !out.is_over() {
                let wait = (time.micros() - now().micros()).clamp(0, 100_000);
                std::thread::sleep(Duration::from_micros(wait as u64));
            }
            frame.time = time;
            if !out.frame(frame) {
                return;
            }
        }
    }
}
