//! From decoded messages to channels: which address a value has, and who sends it.
//!
//! * Two devices that send the same message and instance get `@source` in their addresses, both, from the moment
//!   in which both are known to be there; what the first had recorded until then stays with it.
//! * Temperatures carry their place (sea, engine room, ...) beside the instance. The first place heard under an
//!   instance is `temperature`, any other one `temperature_of_<code>`: place and instance together are one sensor.
//! * The AC messages of RV-C are about one side of a device; values of the other side are `..._of_input` or
//!   `..._of_output`.
//! * Senders of different rank share a channel, which follows the highest (see `ranks`); two of one rank do not.

use super::{Bus, event, number};
use crate::identity::{DeviceKey, SenderVerdict, SendersPlace};
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::message::{Decoded, Field, FieldKind, FieldValue, Protocol, find};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Coding, Event, StreamColumn, StreamId, Writer};
use serde_json::json;
use std::collections::{BTreeSet, HashMap, HashSet};

/// A vessel has some hundred channels; a hostile bus may not fill the memory.
pub(super) const MOST_CHANNELS: usize = 20_000;
/// Fields of messages of devices that are remembered; devices with ever new names share channels, so that there may be
/// more of these than channels.
const MOST_SLOTS: usize = 100_000;
/// Messages in which the place of measurement (field `source`) tells one sensor from another.
const WITH_PLACE: [u32; 2] = [130312, 130316];

/// Where a message came from.
#[derive(Clone, Copy)]
pub(super) struct From {
    /// Number of the bus.
    pub(super) index: usize,
    pub(super) time: Timestamp,
    pub(super) device: DeviceKey,
    pub(super) source: u8,
}

/// A message and instance (CANopen: node) of one bus; with its place, side or rank, where it has one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct Stream {
    bus: usize,
    protocol: Protocol,
    message: u32,
    instance: Option<u32>,
    place: Option<u8>,
}

/// The channels of one stream of one device.
struct Entry {
    /// The sender's address in the channel address.
    source: Option<u8>,
    /// The `@source` is only there until it is known whether this device replaced the other.
    provisional: bool,
    slots: Vec<Slot>,
    /// How its messages were laid out so far; nearly always in one way.
    layouts: Vec<Layout>,
}

/// The values of a message that arrive together, and where they are stored.
struct Layout {
    /// The slot of every value, in the order of the message.
    slots: Vec<usize>,
    /// `None` where the store would not have them together.
    stream: Option<StreamId>,
}

struct Slot {
    field: &'static Field,
    set: u8,
    /// As in the channel address.
    name: String,
    id: Option<ChannelId>,
    coding: Coding,
}

/// What became of one message.
#[derive(Default)]
pub(super) struct Recorded {
    /// Samples that were stored.
    pub(super) samples: u64,
    /// Values without a channel: there are too many.
    pub(super) beyond: u64,
    /// Where all of its values went together, as they will again unless something changes.
    pub(super) way: Option<Way>,
}

/// Where the values of a message of a sole sender go.
#[derive(Debug, Clone, Copy)]
pub(super) struct Way {
    pub(super) stream: StreamId,
    pub(super) senders: SendersPlace,
    /// It holds until [`Channels::changes`] is another number.
    pub(super) changes: u64,
}

#[derive(Default)]
pub(super) struct Channels {
    entries: HashMap<(Stream, DeviceKey), Entry>,
    /// Of all entries together.
    slots: usize,
    /// Streams with more than one sender.
    shared: HashSet<Stream>,
    /// The place that is plain `temperature` in a stream without place.
    plain_place: HashMap<Stream, Option<u8>>,
    changes: u64,
}

impl Channels {
    /// Counts whatever gives a sender's values other channels than before.
    pub(super) fn changes(&self) -> u64 {
        self.changes
    }

    /// Stores the values of one message.
    pub(super) fn record(&mut self, bus: &mut Bus, from: From, decoded: &Decoded, store: &mut Writer) -> Recorded {
        let (protocol, message) = (decoded.def.protocol, decoded.def.number);
        let has_place = protocol == Protocol::N2k && WITH_PLACE.contains(&message);
        let side = decoded.side();
        let place = match decoded.rank() {
            _ if has_place => number(decoded, "source").map(|code| code as u8),
            None => side.map(|_| 1),
            rank => rank,
        };
        let instance = if protocol == Protocol::Canopen { Some(from.source.into()) } else { decoded.instance };
        let stream = Stream { bus: from.index, protocol, message, instance, place };
        // The watch over senders knows numbers only: the place goes beyond the eight bits of an instance.
        let watched = match place {
            Some(place) => Some(instance.unwrap_or(0xFF) | (u32::from(place) + 1) << 8),
            None => instance,
        };
        let verdict = bus.senders.note(from.time, message, watched, from.device, from.source);
        if let SenderVerdict::Duplicate { first, first_source, confirmed: true } = verdict
            && !self.shared.contains(&stream)
            && self.shared.len() < MOST_CHANNELS
        {
            self.share(bus, from, stream, (first, first_source), decoded, store);
        }
        let key = (stream, from.device);
        let sole = verdict == SenderVerdict::Sole && !self.shared.contains(&stream);
        if sole && self.entries.get(&key).is_some_and(|e| e.provisional) {
            self.slots -= self.entries.remove(&key).map_or(0, |e| e.slots.len());
            self.changes += 1;
        }
        if !self.entries.contains_key(&key) {
            if self.entries.len() >= MOST_CHANNELS {
                return Recorded { beyond: decoded.fields.len() as u64, ..Recorded::default() };
            }
            let source = (!sole).then_some(from.source);
            let provisional = !sole && !self.shared.contains(&stream);
            self.entries.insert(key, Entry { source, provisional, slots: Vec::new(), layouts: Vec::new() });
        }
        let suffix = match side {
            Some(side) => format!("_of_{side}"),
            None if has_place => self.suffix(stream, bus, decoded, store),
            None => String::new(),
        };
        let Some(entry) = self.entries.get_mut(&key) else { return Recorded::default() };
        let room = MOST_SLOTS.saturating_sub(self.slots);
        let before = entry.slots.len();
        let (samples, beyond, stored_in) = append((entry, room), &bus.name, from, decoded, &suffix, store);
        self.slots += entry.slots.len() - before;
        let settled = sole && !entry.provisional && beyond == 0;
        let senders = bus.senders.place(message, watched).filter(|_| settled);
        let way = stored_in.zip(senders).map(|(stream, senders)| Way { stream, senders, changes: self.changes });
        Recorded { samples, beyond, way }
    }

    /// What a device sends, as in channel addresses without bus and field: `n2k/127751/3`.
    pub(super) fn sent_by(&self, bus: usize, protocol: Protocol, device: DeviceKey) -> BTreeSet<String> {
        // Nodes of CANopen are counted by themselves: their keys are not those of other devices.
        let same = |s: &Stream| s.bus == bus && s.protocol.is_extended() == protocol.is_extended();
        let streams = self.entries.keys().filter(|(s, d)| *d == device && same(s)).map(|(s, _)| s);
        streams
            .filter_map(|s| {
                let def = find(s.protocol, s.message)?;
                let (protocol, instance) = (s.protocol.text(), s.instance.unwrap_or_default());
                Some(match (s.protocol, s.instance) {
                    (Protocol::Canopen, _) => format!("{protocol}/{instance}"),
                    (_, Some(instance)) => format!("{protocol}/{}/{instance}", def.number_text()),
                    (_, None) => format!("{protocol}/{}", def.number_text()),
                })
            })
            .collect()
    }

    /// Gives both senders their `@source`, and says so.
    fn share(
        &mut self,
        bus: &Bus,
        from: From,
        stream: Stream,
        (first, first_source): (DeviceKey, u8),
        decoded: &Decoded,
        store: &mut Writer,
    ) {
        self.shared.insert(stream);
        self.changes += 1;
        let mut sources = vec![first_source];
        for ((_, device), entry) in self.entries.iter().filter(|((s, _), _)| *s == stream) {
            if *device != first {
                sources.extend(entry.source);
                continue;
            }
            for slot in entry.slots.iter().filter(|_| entry.source.is_none()) {
                let plain = address(&bus.name, decoded, from.source, None, &slot.name);
                let named = ChannelAddress { source: Some(first_source), ..plain.clone() };
                // Taken: it was recorded under that address before, and goes on there.
                store.rename_channel(&plain, &named);
            }
        }
        self.entries.retain(|(s, _), entry| {
            let other = *s != stream;
            self.slots -= if other { 0 } else { entry.slots.len() };
            other
        });
        sources.push(from.source);
        sources.sort_unstable();
        sources.dedup();
        // Without an instance there is none to be doubled: two receivers of position are no mistake.
        if decoded.def.fields.iter().any(|f| f.kind == FieldKind::Instance) {
            store.event(duplicate_event(bus, from.time, decoded, &sources));
        }
    }

    /// What follows the names of a message that carries its place.
    fn suffix(&mut self, stream: Stream, bus: &Bus, decoded: &Decoded, store: &Writer) -> String {
        let key = Stream { place: None, ..stream };
        let known = self.plain_place.get(&key).copied();
        let plain = known.unwrap_or_else(|| {
            // An earlier run may have decided.
            let source = address(&bus.name, decoded, 0, None, "source");
            let recorded = store.find(&source).ok().flatten().and_then(|channel| channel.latest);
            let plain = recorded.map_or(stream.place, |code| Some(code as u8));
            if self.plain_place.len() < MOST_CHANNELS {
                self.plain_place.insert(key, plain);
            }
            plain
        });
        match stream.place {
            Some(place) if Some(place) != plain => format!("_of_{place}"),
            None if plain.is_some() => "_of_unknown".to_owned(),
            _ => String::new(),
        }
    }
}

/// Layouts of one message of one device; what comes in yet another way is stored value by value.
const MOST_LAYOUTS: usize = 16;

/// Stores the values of a message; the numbers of samples stored and of values without a channel, and the stream that
/// took all of them. So many more slots may be remembered as there is `room`.
fn append(
    (entry, mut room): (&mut Entry, usize),
    bus: &str,
    from: From,
    decoded: &Decoded,
    suffix: &str,
    store: &mut Writer,
) -> (u64, u64, Option<StreamId>) {
    let values = decoded.fields.iter().filter_map(|f| match (f.field.unit(), &f.value) {
        (Some(unit), FieldValue::Reading(reading)) => Some((f, unit, *reading)),
        _ => None,
    });
    let (mut slots, mut readings, mut beyond) = (Vec::new(), Vec::new(), 0);
    for (place, (value, unit, reading)) in values.enumerate() {
        let is = |slot: &Slot| std::ptr::eq(slot.field, value.field) && slot.set == value.set;
        // Messages of a stream nearly always have the same fields; sets may come in another order.
        let known = match entry.slots.get(place) {
            Some(slot) if is(slot) => Some(place),
            _ => entry.slots.iter().position(is),
        };
        if known.is_none() && room == 0 {
            beyond += 1;
            continue;
        }
        let slot = known.unwrap_or_else(|| {
            room -= 1;
            let name = format!("{}{suffix}", value.name());
            let plain = address(bus, decoded, from.source, None, &name);
            let named = ChannelAddress { source: Some(from.source), ..plain.clone() };
            let wanted = match entry.source {
                Some(source) => ChannelAddress { source: Some(source), ..named },
                // An earlier run heard two senders.
                None if store.known_channel(&plain).is_none() && store.known_channel(&named).is_some() => named,
                None => plain,
            };
            let full = store.channel_count() >= MOST_CHANNELS && store.known_channel(&wanted).is_none();
            let id = if full { None } else { store.channel(&wanted, unit).ok() };
            entry.slots.push(Slot { field: value.field, set: value.set, name, id, coding: coding(value.field) });
            entry.slots.len() - 1
        });
        match entry.slots[slot].id {
            Some(_) => {
                slots.push(slot);
                readings.push(reading);
            }
            None => beyond += 1,
        }
    }
    let stream = match entry.layouts.iter().find(|layout| layout.slots == slots) {
        Some(layout) => layout.stream,
        None if entry.layouts.len() >= MOST_LAYOUTS => None,
        None => {
            let column = |slot: &usize| {
                let slot = &entry.slots[*slot];
                slot.id.map(|channel| StreamColumn { channel, coding: slot.coding })
            };
            let columns: Vec<StreamColumn> = slots.iter().filter_map(column).collect();
            let stream = store.stream(&columns).ok();
            entry.layouts.push(Layout { slots: slots.clone(), stream });
            stream
        }
    };
    let stored = slots.len() as u64;
    match stream {
        Some(stream) => {
            // Back from the value, the same number that was sent: see `EXACT_BITS`.
            let raw = |(slot, reading): (&usize, &Reading)| {
                reading.value().and_then(|value| entry.slots[*slot].coding.raw(value)).unwrap_or(0)
            };
            let raws: Vec<i64> = slots.iter().zip(&readings).map(raw).collect();
            let codes: Vec<u8> = readings.iter().map(|r| r.code()).collect();
            store.append_row(stream, from.time, &raws, &codes);
        }
        None => {
            for (slot, reading) in slots.iter().zip(&readings) {
                if let Some(id) = entry.slots[*slot].id {
                    store.append(id, from.time, *reading);
                }
            }
        }
    }
    (stored, beyond, stream)
}

/// Whole numbers of more bits lose some on the way through a float, so those are stored as the float that they are.
const EXACT_BITS: u16 = 52;

/// How the values of a field are stored: as the sender's own whole numbers.
fn coding(field: &Field) -> Coding {
    match &field.kind {
        _ if field.bits > EXACT_BITS => Coding::Float,
        FieldKind::Number { scale, .. } => Coding::Scaled(*scale),
        FieldKind::Joined { pieces, .. } if field.bits + pieces.iter().map(|p| p.1).sum::<u16>() > EXACT_BITS => {
            Coding::Float
        }
        _ => Coding::WHOLE,
    }
}

/// The address of a field of a message from `sender`; `source` where the address has to say who that is. A CANopen
/// node takes the place of the message.
fn address(bus: &str, decoded: &Decoded, sender: u8, source: Option<u8>, field: &str) -> ChannelAddress {
    let message = match decoded.def.protocol {
        Protocol::Canopen => sender.to_string(),
        _ => decoded.def.number_text(),
    };
    ChannelAddress {
        bus: bus.to_owned(),
        protocol: decoded.def.protocol.text().to_owned(),
        message,
        source,
        instance: decoded.instance.map(|i| i.to_string()),
        field: field.to_owned(),
    }
}

fn duplicate_event(bus: &Bus, time: Timestamp, decoded: &Decoded, sources: &[u8]) -> Event {
    let name = |source: &u8| bus.identities.holder(*source).and_then(|d| d.name).map(|n| format!("{n:016x}"));
    let names: Vec<_> = sources.iter().map(name).collect();
    let message = decoded.def.number_text();
    let instance = decoded.instance.map_or_else(|| "no instance".to_owned(), |i| format!("instance {i}"));
    let text = format!(
        "{} devices on {} send {message} ({}) with {instance}: their values are kept apart by sender address",
        sources.len(),
        bus.name,
        decoded.def.title
    );
    let details = json!({ "message": message, "instance": decoded.instance, "sources": sources, "names": names });
    let mut event = event(time, "duplicate_instance", Some(&bus.name), text, &details);
    let field = decoded.channels().next().map(|(name, ..)| name.into_owned());
    event.channel = field.map(|field| address(&bus.name, decoded, 0, None, &field));
    event
}

#[cfg(test)]
mod tests {
    use super::*;
    use ampwake_schemas::message::{decode, find};
    use ampwake_store::Store;

    #[test]
    fn devices_with_ever_new_names_take_no_memory_without_bound() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::create(dir.path().join("voyage.db")).unwrap();
        let mut bus = Bus::new("can0".into(), Vec::new());
        let mut channels = Channels::default();
        // The longest list of trouble codes: 255 sets.
        let decoded = decode(find(Protocol::J1939, 65226).unwrap(), &[1; 1785]);
        let mut stored = Recorded::default();
        for n in 0..400_u32 {
            // Each has replaced the one before.
            let time = Timestamp::from_millis(i64::from(n) * 100_000);
            let from = From { index: 0, time, device: DeviceKey(n.into()), source: 1 };
            stored = channels.record(&mut bus, from, &decoded, &mut store);
        }
        assert_eq!(stored.samples, 0);
        assert_eq!(channels.slots, MOST_SLOTS);
        assert_eq!(channels.entries.values().map(|e| e.slots.len()).sum::<usize>(), MOST_SLOTS);
    }
}
