//! What a bus speaks: protocols whose messages are rows of the tables, and decoders that bring descriptions of
//! their own.
//!
//! Nothing is guessed frame by frame. A bus has its dialects in the order of its configuration, and the first that
//! knows a frame has it: where NMEA 2000 and SAE J1939 share a bus (their numbers mean the same or lie apart), the one
//! named first decodes what both know. CANopen takes frames with 11-bit identifiers only, the others of the tables
//! those with 29 bits.

use crate::bus::Frame;
use ampwake_schemas::message::Protocol;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use std::collections::BTreeMap;
use std::fmt::Debug;
use std::sync::Arc;

/// What each bus speaks, by bus name; NMEA 2000 where nothing is said.
pub type Dialects = BTreeMap<String, Vec<Dialect>>;

/// One of the things that a bus speaks.
#[derive(Debug, Clone)]
pub enum Dialect {
    /// Messages of the tables.
    Table(Protocol),
    /// Frames that somebody else describes.
    Frames(Arc<dyn FrameDecoder>),
}

impl From<Protocol> for Dialect {
    fn from(protocol: Protocol) -> Self {
        Self::Table(protocol)
    }
}

/// A value that a [`FrameDecoder`] may find.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signal {
    /// The message, as in the channel address.
    pub message: String,
    /// The field, as in the channel address.
    pub field: String,
    /// The channel's unit.
    pub unit: Unit,
}

/// Decodes frames by a description of its own; pure, and never fails.
pub trait FrameDecoder: Debug + Send + Sync {
    /// The protocol as it stands in channel addresses.
    fn protocol(&self) -> &str;

    /// Everything that may be found, in an order that does not change.
    fn signals(&self) -> &[Signal];

    /// Adds what the frame says, as indices of [`FrameDecoder::signals`] and readings; false where the frame is not
    /// described here, and then nothing was added.
    fn decode(&self, frame: &Frame, values: &mut Vec<(usize, Reading)>) -> bool;
}

/// What a bus cannot speak at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "n2k and rvc give the same numbers to different messages, so that one bus cannot be decoded as both; leave out \
     the one that is not spoken there"
)]
pub struct Collision;

/// Checks protocols that shall be decoded on one bus.
///
/// # Errors
/// NMEA 2000 and RV-C together: 0x1FFFD is the first DC source status in RV-C and a maker's own message in NMEA 2000.
pub fn check(protocols: &[Protocol]) -> Result<(), Collision> {
    let both = [Protocol::N2k, Protocol::Rvc].iter().all(|p| protocols.contains(p));
    if both { Err(Collision) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_numbers_that_collide_are_refused() {
        use Protocol::{Canopen, J1939, N2k, Rvc};
        assert_eq!(check(&[Rvc, J1939, Canopen]), Ok(()));
        assert_eq!(check(&[N2k, J1939, Canopen]), Ok(()));
        assert_eq!(check(&[J1939, Rvc, N2k]), Err(Collision));
    }
}
