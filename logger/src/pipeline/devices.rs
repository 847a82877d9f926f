//! What is known of the devices, on its way to the store.

use super::event;
use crate::identity::{DeviceKey, Identities, IdentityEvent};
use ampwake_schemas::message::{Decoded, FieldValue};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Device, Event, Writer};
use serde_json::{Map, Value, json};
use std::collections::HashMap;

/// Devices of which something is remembered here; there are 254 addresses on a bus.
const MOST_DEVICES: usize = 4096;

#[derive(Default)]
pub(super) struct Devices {
    /// By bus and device: product information not stored yet, and when the device was stored last.
    known: HashMap<(String, DeviceKey), (String, Option<Timestamp>)>,
}

impl Devices {
    /// A device says what it is.
    pub(super) fn product(&mut self, bus: &str, device: DeviceKey, decoded: &Decoded) {
        let text = Value::Object(product(decoded)).to_string();
        if self.known.len() < MOST_DEVICES {
            let entry = self.known.entry((bus.to_owned(), device)).or_default();
            *entry = (text, None);
        }
    }

    /// Stores every device that was heard since it was stored last. `space` tells keys of the same bus apart that
    /// were not counted together.
    pub(super) fn flush(&mut self, bus: &str, space: &str, identities: &Identities, store: &mut Writer) {
        for device in identities.devices() {
            let key = (if space.is_empty() { bus.to_owned() } else { format!("{bus}/{space}") }, device.key);
            let known = self.known.get(&key);
            if known.is_some_and(|(_, stored)| *stored == Some(device.last_heard)) {
                continue;
            }
            store.device(Device {
                bus: bus.to_owned(),
                address: device.source,
                name: device.name,
                product: known.map_or_else(|| "{}".to_owned(), |(product, _)| product.clone()),
                first: device.first_heard,
                last: device.last_heard,
            });
            if self.known.len() < MOST_DEVICES || known.is_some() {
                self.known.entry(key).or_insert_with(|| ("{}".to_owned(), None)).1 = Some(device.last_heard);
            }
        }
    }
}

/// Product information as a JSON object: texts and numbers as the device gives them.
fn product(decoded: &Decoded) -> Map<String, Value> {
    let fields = decoded.fields.iter().filter_map(|f| {
        let value = match &f.value {
            FieldValue::Text(text) if !text.is_empty() => json!(text),
            FieldValue::Reading(Reading::Value(n)) => json!(*n as i64),
            _ => return None,
        };
        Some((f.field.name.to_owned(), value))
    });
    fields.collect()
}

/// What the user should know of an address claim; a first claim is nothing.
pub(super) fn claim_event(claim: &IdentityEvent, time: Timestamp, bus: &str) -> Option<Event> {
    match *claim {
        IdentityEvent::Claimed { .. } => None,
        IdentityEvent::Moved { name, from, to, .. } => {
            let text = format!("device {name:016x} moved from address {from} to {to}; its channels go on");
            let details = json!({ "name": format!("{name:016x}"), "from": from, "to": to });
            Some(event(time, "address_moved", Some(bus), text, &details))
        }
        IdentityEvent::TakenOver { name, source, .. } => {
            let text = format!("device {name:016x} took address {source} from another device");
            let details = json!({ "name": format!("{name:016x}"), "address": source });
            Some(event(time, "address_taken_over", Some(bus), text, &details))
        }
    }
}
