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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bus::readings::NamedReading;
    use crate::bus::stamps::Meaning;
    use crate::pipeline::Pipeline;
    use ampwake_schemas::quantity::Unit;
    use ampwake_schemas::sample::Reading;
    use ampwake_store::Store;

    /// 2026-06-01T12:00:00Z, ms.
    const NOON: i64 = 1_780_315_200_000;

    fn says(ms: i64, unit: Unit, volts: f64) -> Readings {
        let (instance, field) = (Some("2".to_owned()), "battery_voltage".into());
        Readings {
            time: Timestamp::from_millis(NOON + ms),
            protocol: "modbus",
            message: "7".into(),
            values: vec![NamedReading { instance, field, unit, reading: Reading::Value(volts) }],
            told: None,
            device: Some(DeviceWords { address: 7, words: Map::new() }),
        }
    }

    #[test]
    fn values_devices_and_an_edited_map() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::create(dir.path().join("voyage.db")).unwrap();
        let mut pipeline = Pipeline::new(BTreeMap::new());
        pipeline.begin("test", Meaning::Absolute, &mut store);
        let bus = pipeline.bus("rs485");
        for i in 0..3 {
            pipeline.readings(bus, says(i * 1000, Unit::Volt, 51.2), &mut store);
        }
        let mut named = says(3000, Unit::Volt, 51.4);
        named.device = Some(DeviceWords { address: 7, words: Map::from_iter([("model".to_owned(), "X".into())]) });
        pipeline.readings(bus, named, &mut store);
        pipeline.finish(&mut store);
        store.commit().unwrap();
        let mut edited = Pipeline::new(BTreeMap::new());
        edited.begin("test", Meaning::Absolute, &mut store);
        let again = edited.bus("rs485");
        edited.readings(again, says(10_000, Unit::Ampere, 3.0), &mut store);
        edited.finish(&mut store);
        store.commit().unwrap();

        let channel = store.find(&"rs485/modbus/7/2/battery_voltage".parse().unwrap()).unwrap().unwrap();
        assert_eq!((channel.samples, channel.latest, channel.unit), (4, Some(51.4), Unit::Volt));
        assert_eq!(store.problems().unwrap(), [("channel_of_another_unit".to_owned(), 1)].into());
        let devices = store.devices().unwrap();
        assert_eq!((devices.len(), devices[0].address, devices[0].product.as_str()), (1, 7, r#"{"model":"X"}"#));
        assert_eq!(devices[0].first.millis(), NOON);
    }

    #[test]
    fn the_time_that_a_sentence_tells_corrects_a_clock_that_was_set() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::create(dir.path().join("voyage.db")).unwrap();
        let mut pipeline = Pipeline::new(BTreeMap::new());
        pipeline.begin("test", Meaning::Absolute, &mut store);
        let bus = pipeline.bus("aft");
        for second in 0..40_i64 {
            // The recorder starts an hour behind and is set right after 20 s.
            let behind = if second < 20 { 3_600_000 } else { 0 };
            let mut zda = says(second * 1000 - behind, Unit::Volt, 51.2);
            zda.told = Some((0, Timestamp::from_millis(NOON + second * 1000)));
            pipeline.readings(bus, zda, &mut store);
        }
        pipeline.finish(&mut store);
        store.commit().unwrap();
        let channel = store.find(&"aft/modbus/7/2/battery_voltage".parse().unwrap()).unwrap().unwrap();
        let read = store.read_all(channel.id, None, None).unwrap();
        assert!(read.len() == 40 && read.windows(2).all(|w| w[1].0.seconds_since(w[0].0) == 1.0));
        assert_eq!(read[0].0.millis(), NOON);
    }
}
