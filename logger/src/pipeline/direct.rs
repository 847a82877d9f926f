//! Values that are ready for their channels, and who said them.

use super::channels::MOST_CHANNELS;
use crate::bus::readings::{DeviceWords, Readings};
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Device, Writer};
use serde_json::{Map, Value};
use std::collections::{BTreeMap, HashMap};

/// A device on a bus with addresses, since it was stored last.
struct Seen {
    first: Timestamp,
    last: Timestamp,
    words: Map<String, Value>,
    stored: bool,
}

/// What a message led to.
#[derive(Default)]
pub(super) struct Stored {
    pub(super) samples: u64,
    pub(super) beyond: u64,
    pub(super) other_unit: u64,
}

#[derive(Default)]
pub(super) struct Direct {
    ids: HashMap<ChannelAddress, Option<ChannelId>>,
    devices: BTreeMap<(String, u8), Seen>,
}

impl Direct {
    /// Stores the values of one message.
    pub(super) fn record(&mut self, bus: &str, readings: &Readings, store: &mut Writer) -> Stored {
        let mut stored = Stored::default();
        if let Some(device) = &readings.device {
            self.see(bus, readings.time, device);
        }
        for value in &readings.values {
            let address = ChannelAddress {
                bus: bus.to_owned(),
                protocol: readings.protocol.to_owned(),
                message: readings.message.clone().into_owned(),
                source: None,
                instance: value.instance.clone(),
                field: value.field.clone().into_owned(),
            };
            let id = match self.ids.get(&address) {
                Some(id) => *id,
                None => {
                    let full = store.channel_count() >= MOST_CHANNELS && store.known_channel(&address).is_none();
                    if full || self.ids.len() >= MOST_CHANNELS {
                        stored.beyond += 1;
                        continue;
                    }
                    // A map that was edited: the old values keep their unit, the new ones need another name.
                    let id = store.channel(&address, value.unit).ok();
                    self.ids.insert(address, id);
                    id
                }
            };
            match id {
                Some(id) => {
                    store.append(id, readings.time, value.reading);
                    stored.samples += 1;
                }
                None => stored.other_unit += 1,
            }
        }
        stored
    }

    fn see(&mut self, bus: &str, time: Timestamp, device: &DeviceWords) {
        let seen = self.devices.entry((bus.to_owned(), device.address)).or_insert_with(|| Seen {
            first: time,
            last: time,
            words: Map::new(),
            stored: false,
        });
        seen.last = time;
        seen.stored = false;
        seen.words.extend(device.words.clone());
    }

    /// Stores every device that answered since it was stored last.
    pub(super) fn flush(&mut self, store: &mut Writer) {
        for ((bus, address), seen) in self.devices.iter_mut().filter(|(_, seen)| !seen.stored) {
            seen.stored = true;
            store.device(Device {
                bus: bus.clone(),
                address: *address,
                name: None,
                product: Value::Object(seen.words.clone()).to_string(),
                first: seen.first,
                last: seen.last,
            });
        }
    }
}
