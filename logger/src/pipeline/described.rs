//! From what a bus's own descriptions say to channels.

use crate::bus::Frame;
use crate::dialect::Dialect;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::sample::Reading;
use ampwake_store::{ChannelId, Writer};
use std::collections::HashMap;

/// The channels of decoders that bring descriptions of their own.
#[derive(Default)]
pub(super) struct Described {
    /// By bus, dialect and signal; `None` where the store would not have it.
    channels: HashMap<(usize, usize, usize), Option<ChannelId>>,
    /// The messages that were heard, by bus, kind of identifier and identifier, as in channel addresses.
    heard: HashMap<(usize, bool, u32), String>,
    /// What the last frame said; kept to spare an allocation per frame.
    pub(super) values: Vec<(usize, Reading)>,
}

impl Described {
    /// Stores what the last frame said; the numbers of samples stored and of values without a channel.
    pub(super) fn record(
        &mut self,
        (bus, name): (usize, &str),
        (dialect, dialects): (usize, &[Dialect]),
        frame: &Frame,
        store: &mut Writer,
    ) -> (u64, u64) {
        let (mut stored, mut beyond) = (0, 0);
        let Some(Dialect::Frames(decoder)) = dialects.get(dialect) else { return (0, 0) };
        let message = self.values.first().and_then(|(index, _)| decoder.signals().get(*index)).map(|s| &s.message);
        if let Some(message) = message
            && self.heard.len() < super::channels::MOST_CHANNELS
        {
            let heard = self.heard.entry((bus, frame.flags.extended, frame.id));
            heard.or_insert_with(|| format!("{}/{message}", decoder.protocol()));
        }
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
                    store.append(*id, frame.time, *reading);
                    stored += 1;
                }
                None => beyond += 1,
            }
        }
        (stored, beyond)
    }

    /// The descriptions of a bus are others from now on.
    pub(super) fn forget(&mut self, bus: usize) {
        self.channels.retain(|(b, ..), _| *b != bus);
        self.heard.retain(|(b, ..), _| *b != bus);
    }

    /// What the device at an address of 29-bit identifiers, or a node of CANopen, sent: the lowest byte of the former is
    /// the sender's address (SAE J1939-21, from memory), the lowest seven bits of the process data objects 0x180 to
    /// 0x57F are the node (CiA 301, predefined connections).
    pub(super) fn sent_by(&self, bus: usize, extended: bool, source: u8) -> impl Iterator<Item = String> {
        let sender = move |id: u32| match extended {
            true => Some(id as u8),
            false => (0x180..0x580).contains(&id).then_some((id & 0x7F) as u8),
        };
        let mine =
            self.heard.iter().filter(move |((b, e, id), _)| *b == bus && *e == extended && sender(*id) == Some(source));
        mine.map(|(_, message)| message.clone())
    }
}
