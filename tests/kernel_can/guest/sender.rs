//! Another device on the bus.

use crate::Outcome;
use ampwake_tests::counter::Counter;
use socketcan::{CanDataFrame, CanErrorFrame, CanSocket, EmbeddedFrame, ExtendedId, Socket};
use std::time::{Duration, Instant};

/// Frames that are sent in a row: a sleep for every frame would cost the guest more than the frame.
const BURST: u32 = 32;

/// It can send.
pub struct Sender(CanSocket);

impl Sender {
    /// On this interface.
    pub fn on(interface: &str) -> Outcome<Self> {
        Ok(Self(CanSocket::open(interface)?))
    }

    /// Sends frame `n` of the counting device.
    pub fn count(&self, n: u32) -> Outcome {
        let frame = Counter::frame(n);
        let id = ExtendedId::new(frame.id).ok_or("an identifier")?;
        let frame = CanDataFrame::new(id, frame.data()).ok_or("a frame")?;
        Ok(self.0.write_frame(&frame)?)
    }

    /// Sends the numbers of `range`, so many a second; as fast as it goes without. What it is late it does not catch up:
    /// on a busy computer that would be faster than any bus.
    pub fn count_through(&self, range: std::ops::Range<u32>, per_second: Option<f64>) -> Outcome {
        let pause = per_second.map_or(Duration::ZERO, |rate| Duration::from_secs_f64(f64::from(BURST) / rate));
        let mut next = Instant::now();
        for n in range {
            if n % BURST == 0 && !pause.is_zero() {
                std::thread::sleep(next.saturating_duration_since(Instant::now()));
                next = Instant::now() + pause;
            }
            self.count(n)?;
        }
        Ok(())
    }

    /// Sends what a controller reports: class bits and data of linux/can/error.h.
    pub fn report_error(&self, classes: u32, data: [u8; 8]) -> Outcome {
        Ok(self.0.write_frame(&CanErrorFrame::new_error(classes, &data)?)?)
    }
}
