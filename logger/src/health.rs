//! How well each bus is: its load, its errors, frames lost on the way, and when it falls silent.
//!
//! Per minute four values under the address `<bus>/can/health/<field>`, at the end of the minute that they speak of:
//!
//! | field | unit | what |
//! |---|---|---|
//! | `frame_rate` | Hz | frames per second, error frames apart |
//! | `bus_load` | fraction | bits of these frames, stuff bits and pauses included ([`bits`]), of those that the bit rate allows |
//! | `error_frames` | | error frames |
//! | `lost_frames` | | frames that came in and were thrown away by the kernel because this program was too slow |
//!
//! A bus is silent when nothing was heard on it for 60 s while the recorder was listening: live by the recorder's own
//! clock, in a recording by the frames of another bus. A recording of one bus cannot tell a silent bus from a recorder
//! that was off; its pauses are the analysis' silences.

use crate::bus::{Frame, bits};
use crate::pipeline::event;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Event, Writer};
use serde_json::json;
use std::time::Duration;

/// Bits per second of NMEA 2000 and RV-C, and of most J1939 networks (J1939-11, J1939-15).
pub const USUAL_BIT_RATE: u32 = 250_000;
/// What the values are summed over.
const WINDOW_US: i64 = 60_000_000;
/// A window at the end of a recording must be this long to say anything about rates.
const SHORTEST_US: i64 = 10_000_000;
/// A bus that says nothing for so long is silent.
const SILENCE: Duration = Duration::from_secs(60);

const FIELDS: [(&str, Unit); 4] = [
    ("frame_rate", Unit::Hertz),
    ("bus_load", Unit::Fraction),
    ("error_frames", Unit::None),
    ("lost_frames", Unit::None),
];

/// The sums of one window.
#[derive(Debug, Clone, Copy, Default)]
struct Window {
    start: Timestamp,
    frames: u64,
    bits: u64,
    errors: u64,
    lost: u64,
}

/// What is known of one bus.
#[derive(Debug)]
pub struct Health {
    bit_rate: u32,
    window: Option<Window>,
    /// When a frame was heard last, by the times of frames.
    last: Option<Timestamp>,
    /// Nothing was heard for so long, by the recorder's own clock.
    quiet: Duration,
    /// A frame was heard since the last look at that clock.
    heard: bool,
    /// Its silence was told.
    silent: bool,
    /// The interface is gone, so that nothing can be heard.
    gone: bool,
    /// Its devices speak only when they are asked.
    polled: bool,
    channels: Option<[Option<ChannelId>; 4]>,
}

impl Default for Health {
    fn default() -> Self {
        Self {
            bit_rate: USUAL_BIT_RATE,
            window: None,
            last: None,
            quiet: Duration::ZERO,
            heard: false,
            silent: false,
            gone: false,
            polled: false,
            channels: None,
        }
    }
}

impl Health {
    /// The bus runs at this many bits per second.
    pub fn set_bit_rate(&mut self, bit_rate: u32) {
        self.bit_rate = bit_rate.max(1);
    }

    /// A frame has come.
    pub fn frame(&mut self, frame: &Frame, bus: &str, store: &mut Writer) {
        if self.window.is_some_and(|w| frame.time.micros() - w.start.micros() >= WINDOW_US) {
            self.close(WINDOW_US, bus, store);
        }
        let window = self.window.get_or_insert(Window { start: frame.time, ..Window::default() });
        if frame.flags.error {
            // A broken bus makes thousands of these: they are no sign of life.
            window.errors += 1;
            return;
        }
        window.frames += 1;
        window.bits += u64::from(bits::on_the_bus(frame));
        self.heard = true;
        let since = self.last.replace(frame.time.max(self.last.unwrap_or_default()));
        if std::mem::take(&mut self.silent) {
            store.event(speaks(frame.time, since, bus));
        }
    }

    /// A message of a bus without frames has come: it is alive; load and errors are not measured there. One that is
    /// `polled` is quiet as long as it is asked to be, and whoever asks says when a device does not answer.
    pub fn message(&mut self, time: Timestamp, polled: bool, bus: &str, store: &mut Writer) {
        self.heard = true;
        self.polled = polled;
        let since = self.last.replace(time.max(self.last.unwrap_or_default()));
        if std::mem::take(&mut self.silent) {
            store.event(speaks(time, since, bus));
        }
    }

    /// Frames were lost in the kernel.
    pub fn lost(&mut self, time: Timestamp, frames: u32) {
        let window = self.window.get_or_insert(Window { start: time, ..Window::default() });
        window.lost += u64::from(frames);
    }

    /// So much time has passed on the recorder's own clock since this was said last.
    pub fn pass(&mut self, elapsed: Duration, bus: &str, store: &mut Writer) {
        self.quiet = if std::mem::take(&mut self.heard) { Duration::ZERO } else { self.quiet + elapsed };
        if self.quiet >= SILENCE && !self.gone && !self.polled {
            self.fall_silent(self.quiet, bus, store);
        }
    }

    /// Another bus was heard at `time`.
    pub fn another_was_heard(&mut self, time: Timestamp, bus: &str, store: &mut Writer) {
        let Some(last) = self.last.filter(|_| !self.gone && !self.polled) else { return };
        let quiet = Duration::from_micros(u64::try_from(time.micros() - last.micros()).unwrap_or(0));
        if quiet >= SILENCE {
            self.fall_silent(quiet, bus, store);
        }
    }

    /// The interface went away, or came back.
    pub fn set_gone(&mut self, gone: bool, bus: &str, store: &mut Writer) {
        self.restart(bus, store);
        (self.gone, self.silent, self.quiet) = (gone, false, Duration::ZERO);
    }

    /// The times that follow have nothing to do with those before: a new recording, or the clock was set.
    pub fn restart(&mut self, bus: &str, store: &mut Writer) {
        let length = self.window.zip(self.last).map_or(0, |(w, last)| last.micros() - w.start.micros());
        if length >= SHORTEST_US {
            self.close(length.min(WINDOW_US), bus, store);
        } else if let Some(window) = self.window {
            store_lost(&window, bus, store);
        }
        (self.window, self.last) = (None, None);
    }

    fn fall_silent(&mut self, quiet: Duration, bus: &str, store: &mut Writer) {
        if std::mem::replace(&mut self.silent, true) {
            return;
        }
        let seconds = quiet.as_secs();
        let quiet_us = i64::try_from(quiet.as_micros()).unwrap_or(i64::MAX);
        let (time, text) = match self.last {
            Some(last) => (
                Timestamp::from_micros(last.micros().saturating_add(quiet_us)),
                format!("nothing was heard on {bus} for {seconds} s, the last at {last}"),
            ),
            None => (
                crate::record::now(),
                format!(
                    "nothing has been heard on {bus} for {seconds} s, since it was opened: is it connected and powered, \
                     and does its bit rate fit?"
                ),
            ),
        };
        tracing::warn!("{text}");
        store.event(event(time, "bus_silent", Some(bus), text, &json!({ "since": self.last, "silent_s": seconds })));
        let length = self.window.map_or(0, |w| time.micros() - w.start.micros());
        self.close(length.max(1), bus, store);
    }

    /// Stores the values of the window, which has this length.
    fn close(&mut self, length_us: i64, bus: &str, store: &mut Writer) {
        let Some(window) = self.window.take() else { return };
        store_lost(&window, bus, store);
        let seconds = length_us as f64 / 1e6;
        let values = [
            window.frames as f64 / seconds,
            window.bits as f64 / (seconds * f64::from(self.bit_rate)),
            window.errors as f64,
            window.lost as f64,
        ];
        let channels = *self
            .channels
            .get_or_insert_with(|| FIELDS.map(|(field, unit)| store.channel(&address(bus, field), unit).ok()));
        let time = Timestamp::from_micros(window.start.micros() + length_us);
        for (channel, value) in channels.into_iter().zip(values) {
            if let Some(channel) = channel {
                store.append(channel, time, Reading::Value(value));
            }
        }
    }
}

/// The address of a value of a bus' health.
pub fn address(bus: &str, field: &str) -> ChannelAddress {
    ChannelAddress {
        bus: bus.to_owned(),
        protocol: "can".to_owned(),
        message: "health".to_owned(),
        source: None,
        instance: None,
        field: field.to_owned(),
    }
}

fn speaks(time: Timestamp, since: Option<Timestamp>, bus: &str) -> Event {
    let seconds = since.map(|since| (time.micros() - since.micros()) / 1_000_000);
    let text = match seconds {
        Some(seconds) => format!("{bus} speaks again after {seconds} s"),
        None => format!("{bus} speaks for the first time"),
    };
    event(time, "bus_speaks", Some(bus), text, &json!({ "since": since, "silent_s": seconds }))
}

/// Once a minute and not once per loss: a program that is too slow is so for a while.
fn store_lost(window: &Window, bus: &str, store: &mut Writer) {
    if window.lost == 0 {
        return;
    }
    let (lost, since) = (window.lost, window.start);
    let text =
        format!("{lost} frames of {bus} were lost because the recorder did not fetch them in time, since {since}");
    tracing::warn!("{text}");
    store.problem("frame_lost_in_kernel", lost);
    let details = json!({ "lost_frames": lost, "received_frames": window.frames, "since": since });
    store.event(event(since, "frames_lost", Some(bus), text, &details));
}

#[cfg(test)]
mod tests;
