//! How well each data bus does, as far as the database tells.

use super::snapshot::BusNow;
use super::window::Window;
use crate::load::Catalogue;
use crate::quality;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::intent::Intent;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, ChannelInfo};
use std::collections::{BTreeMap, BTreeSet};

/// More buses than this are no vessel's.
const MOST: usize = 32;
/// A signal heard no longer ago counts as heard, s.
const RECENT_S: f64 = 60.0;
/// Kinds of events that speak of a bus.
const KINDS: [&str; 6] = ["bus_silent", "bus_speaks", "bus_error", "bus_lost", "bus_back", "frames_lost"];

/// The channels in which the recorder keeps how well a CAN interface does.
pub fn health(channels: &[ChannelInfo]) -> BTreeSet<ChannelId> {
    channels.iter().filter(|c| is_health(&c.address)).map(|c| c.id).take(4 * MOST).collect()
}

fn is_health(address: &ChannelAddress) -> bool {
    address.protocol == "can" && address.message == "health"
}

/// Every bus that was heard or that the intent names.
pub fn buses(catalogue: &Catalogue, intent: &Intent, window: &Window, newest: Timestamp) -> Vec<BusNow> {
    let mut names: BTreeSet<&str> = catalogue.channels.iter().map(|c| c.address.bus.as_str()).collect();
    let signals: BTreeSet<&ChannelAddress> =
        quality::signals(intent).into_iter().map(|(_, _, signal)| &signal.address).collect();
    names.extend(signals.iter().map(|a| a.bus.as_str()));
    let by_plain: BTreeMap<ChannelAddress, &ChannelInfo> =
        catalogue.channels.iter().map(|c| (c.address.without_source(), c)).collect();
    let last_of = |c: &ChannelInfo| window.points(c.id).last().map(|p| p.0);
    names
        .into_iter()
        .take(MOST)
        .map(|bus| {
            let own = || catalogue.channels.iter().filter(|c| c.address.bus == bus);
            let heard = || own().filter(|c| !is_health(&c.address));
            let health = |field: &str| {
                let channel = own().find(|c| is_health(&c.address) && c.address.field == field)?;
                Some(window.points(channel.id)).filter(|p| !p.is_empty())
            };
            let latest = |field: &str| health(field)?.last().map(|p| p.1).filter(|v| v.is_finite());
            let sum = |field: &str| Some(health(field)?.iter().map(|p| p.1).filter(|v| v.is_finite()).sum());
            let mine: Vec<_> = signals.iter().filter(|a| a.bus == bus).collect();
            let recent = |a: &&&&ChannelAddress| {
                let last = by_plain.get(&a.without_source()).and_then(|c| last_of(c));
                last.is_some_and(|t| newest.seconds_since(Timestamp::from_millis(t)) <= RECENT_S)
            };
            let last = heard().filter_map(|c| last_of(c).map(Timestamp::from_millis).or(c.last)).max();
            let from = newest.millis() - 3_600_000 * 8;
            let said =
                catalogue.events.iter().rev().find(|e| {
                    e.bus.as_deref() == Some(bus) && KINDS.contains(&e.kind.as_str()) && e.time.millis() >= from
                });
            BusNow {
                bus: bus.to_owned(),
                last,
                devices: catalogue.devices.iter().filter(|d| d.bus == bus).count(),
                channels: heard().count(),
                signals: (mine.len(), mine.iter().filter(recent).count()),
                frames_per_s: latest("frame_rate"),
                load: latest("bus_load"),
                error_frames: sum("error_frames"),
                lost_frames: sum("lost_frames"),
                said: said.map(|e| e.text.clone()),
            }
        })
        .collect()
}
