//! The definitions of a bus as one of its dialects.

use super::{Definitions, FrameId, PROTOCOL};
use crate::bus::Frame;
use crate::dialect::{FrameDecoder, Signal};
use ampwake_schemas::sample::Reading;

impl FrameDecoder for Definitions {
    fn protocol(&self) -> &str {
        PROTOCOL
    }

    fn signals(&self) -> &[Signal] {
        &self.signals
    }

    fn decode(&self, frame: &Frame, values: &mut Vec<(usize, Reading)>) -> bool {
        // A remote frame has the identifier and nothing of the message.
        if frame.flags.remote || frame.flags.error {
            return false;
        }
        let Some(index) = self.find(FrameId { extended: frame.flags.extended, id: frame.id }) else { return false };
        let (Some(message), Some(first)) = (self.messages.get(index), self.first.get(index)) else { return false };
        let spoken = message.readings(frame.data()).filter(|(i, _)| !message.signals[*i].is_switch);
        values.extend(spoken.map(|(i, reading)| (first + i, reading)));
        true
    }
}
