//! From what a bus's own descriptions say to channels.

use crate::dialect::Dialect;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Writer};
use std::collections::HashMap;

/// The channels of decoders that bring descriptions of their own.
#[derive(Default)]
pub(super) struct Described {
    /// By bus, dialect and signal; `None` where the store would not have it.
    channels: HashMap<(usize, usize, usize), Option<ChannelId>>,
    /// What the last frame said; kept to spare an allocation per frame.
    pub(super) values: Vec<(usize, Reading)>,
}

impl Described {
    /// Stores what the last frame said; the numbers of samples stored and of values without a channel.
    pub(super) fn record(
        &mut self,
        (bus, name): (usize, &str),
        (dialect, dialects): (usize, &[Dialect]),
        time: Timestamp,
        store: &mut Writer,
    ) -> (u64, u64) {
        let (mut stored, mut beyond) = (0, 0);
        let Some(Dialect::Frames(decoder)) = dialects.get(dialect) else { return (0, 0) };
        for (index, reading) in &self.values {
            let Some(signal) = decoder.signals().get(*index) else { continue };
            let channel = self.channels.entry((bus, dialect, *index)).or_insert_with(|| {
                let address = ChannelAddress {
                    bus: name.to_owned(),
                    protocol: decoder.protocol().to_owned(),
                    message: signal.message.clone(),
                    source: None,
                    instance: None,
                    field: signal.field.clone(),
                };
                let full =
                    store.channel_count() >= super::channels::MOST_CHANNELS && store.known_channel(&address).is_none();
                if full { None } else { store.channel(&address, signal.unit).ok() }
            });
            match channel {
                Some(id) => {
                    store.append(*id, time, *reading);
                    stored += 1;
                }
                None => beyond += 1,
            }
        }
        (stored, beyond)
    }
}
