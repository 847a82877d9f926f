//! From a database to what the analysis is given. The edge: the only place where the analysis meets the store.

use crate::recording::{Recording, STATE_SIBLINGS};
use crate::series::Series;
use crate::{faults, marks, quality};
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::Period;
use ampwake_schemas::intent::Intent;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelInfo, Device, Event, Store, StoreError};
use std::collections::{BTreeMap, BTreeSet};

/// A silence of all buses longer than this is a gap, ms. The slowest channels repeat within seconds.
const SILENCE_MS: i64 = 60_000;

/// What a database holds beside its samples.
#[derive(Debug, Clone, Default)]
pub struct Catalogue {
    /// Every channel.
    pub channels: Vec<ChannelInfo>,
    /// Every device.
    pub devices: Vec<Device>,
    /// Counted problems.
    pub problems: BTreeMap<String, u64>,
    /// What happened to the recording.
    pub events: Vec<Event>,
    /// From the first sample to the last.
    pub period: Option<Period>,
    /// From when on samples are left, where older ones were let go.
    pub full_from: Option<Timestamp>,
}

impl Catalogue {
    /// Reads it.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn of(store: &Store) -> Result<Self, StoreError> {
        Ok(Self {
            channels: store.channels()?,
            devices: store.devices()?,
            problems: store.problems()?,
            events: store.events()?,
            period: store.period()?,
            full_from: store.full_from()?,
        })
    }
}

/// How one channel is read.
pub type Read<'a> = dyn FnMut(&ChannelInfo) -> Result<Series, StoreError> + 'a;

/// Reads what the intent names, between `from` and `to` where given.
///
/// # Errors
/// The database cannot be read.
pub fn load(
    store: &Store,
    intent: &Intent,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
) -> Result<Recording, StoreError> {
    let mut read = |c: &ChannelInfo| Ok(Series::from_readings(store.read_all(c.id, from, to)?));
    compose(&Catalogue::of(store)?, intent, from, to, &mut read)
}

/// As [`load`], with samples from wherever `read` has them.
///
/// # Errors
/// Those of `read`.
pub fn compose(
    catalogue: &Catalogue,
    intent: &Intent,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    read: &mut Read<'_>,
) -> Result<Recording, StoreError> {
    let channels = &catalogue.channels;
    let mut by_plain: BTreeMap<ChannelAddress, Vec<&ChannelInfo>> = BTreeMap::new();
    for c in channels {
        by_plain.entry(c.address.without_source()).or_default().push(c);
    }
    let mut problems = catalogue.problems.clone();
    // A message that this version does not know is no problem of the recording.
    let unread = ["unknown_message", "sentence_unknown"].iter().filter_map(|name| problems.remove(*name)).sum();
    // Nor is that several devices speak of one bank, of which the best is believed.
    problems.remove("lower_priority_sender");
    let mut recording = Recording {
        heard: channels.iter().map(|c| c.address.clone()).collect(),
        problems,
        unread,
        ..Recording::default()
    };
    // Somebody may have read by hand what no part of the design is.
    let mut wanted: BTreeSet<ChannelAddress> = marks::channels(&catalogue.events).collect();
    for (_, role, signal) in quality::signals(intent) {
        wanted.insert(signal.address.clone());
        if role == "state" {
            wanted.extend(
                STATE_SIBLINGS.iter().map(|f| ChannelAddress { field: (*f).to_owned(), ..signal.address.clone() }),
            );
        }
    }
    // Device addresses that were heard, for signals that name a sender.
    let heard = &catalogue.devices;
    let addressed: Vec<&ChannelAddress> = wanted
        .iter()
        .filter(|a| a.source.is_some_and(|s| heard.iter().any(|d| d.bus == a.bus && d.address == s)))
        .collect();
    for address in &wanted {
        let exact = channels.iter().find(|c| c.address == *address);
        let chosen = match (exact, address.source) {
            (Some(c), _) => Some(c),
            (None, Some(_)) => by_plain.get(&address.without_source()).and_then(|c| alone(c, address, &addressed)),
            (None, None) => {
                let mut senders = by_plain.get(address).cloned().unwrap_or_default();
                // The first device that used the address is the one that the designer saw.
                senders.sort_by_key(|c| (c.first, c.address.source));
                if senders.len() > 1 {
                    recording.ambiguous.insert(address.clone(), senders.iter().map(|c| c.address.clone()).collect());
                }
                senders.first().copied()
            }
        };
        if let Some(c) = chosen {
            recording.series.insert(address.clone(), read(c)?);
        }
    }
    choose_senders(intent, channels, &mut recording, read)?;
    recording.period = period(catalogue.period, &recording, from, to);
    recording.summaries_only = summaries_only(catalogue.full_from, recording.period);
    if let (Some(p), Some((_, to))) = (&mut recording.period, recording.summaries_only)
        && to < p.end.millis()
    {
        p.start = Timestamp::from_millis(to);
    }
    if let Some(p) = recording.period {
        recording.silences = silences(&recording, p);
        let events = &catalogue.events;
        // Also those from before: a fault lasts.
        recording.faults = faults::from_events(events);
        recording.events = events
            .iter()
            // Also from before the first sample and after the last: a bus that is lost leaves none.
            .filter(|e| from.is_none_or(|t| e.time >= t) && to.is_none_or(|t| e.time <= t) || e.kind == "clock_step")
            .cloned()
            .collect();
    }
    Ok(recording)
}

/// Where several devices send the bank's voltage, the one that agrees best with the sources' own voltmeters is taken for
/// the bank, with everything else that it sends under the bank's addresses.
fn choose_senders(
    intent: &Intent,
    channels: &[ChannelInfo],
    recording: &mut Recording,
    read: &mut Read<'_>,
) -> Result<(), StoreError> {
    for bank in &intent.banks {
        let Some(voltage) = bank.signals.voltage.as_ref().filter(|s| recording.ambiguous.contains_key(&s.address))
        else {
            continue;
        };
        let own: Vec<Series> = intent
            .sources
            .iter()
            .filter(|s| s.bank == bank.name)
            .filter_map(|s| recording.series.get(&s.signals.voltage.as_ref()?.address).cloned())
            .collect();
        let sent_by = |address: &ChannelAddress, source: Option<u8>| {
            channels.iter().find(|c| c.address == ChannelAddress { source, ..address.clone() })
        };
        let mut best: Option<(f64, Option<u8>)> = None;
        for sender in recording.ambiguous[&voltage.address].clone() {
            let Some(c) = sent_by(&voltage.address, sender.source) else { continue };
            let distance = quality::distance(&read(c)?, &own);
            if distance.is_finite() && best.is_none_or(|b| distance < b.0) {
                best = Some((distance, sender.source));
            }
        }
        let Some((_, source)) = best else { continue };
        let g = &bank.signals;
        let all = g
            .voltage
            .iter()
            .chain(&g.current)
            .chain(&g.temperature)
            .chain(&g.state_of_charge)
            .chain(g.further.values());
        for signal in all {
            let Some(senders) = recording.ambiguous.get_mut(&signal.address) else { continue };
            if let Some(k) = senders.iter().position(|a| a.source == source) {
                senders.swap(0, k); // the one that is used stands first
            }
            if let Some(c) = sent_by(&signal.address, source) {
                recording.series.insert(signal.address.clone(), read(c)?);
            }
        }
    }
    Ok(())
}

/// The channel of a signal that names a sender, in a recording in which only one device sent this message, so that the
/// channel names none: of two engines one may have stayed off all day. Only where that sender was heard, and no other
/// one that the intent names for the same message.
fn alone<'a>(
    channels: &[&'a ChannelInfo],
    address: &ChannelAddress,
    addressed: &[&ChannelAddress],
) -> Option<&'a ChannelInfo> {
    let plain = address.without_source();
    let mut heard = addressed.iter().filter(|a| a.without_source() == plain);
    let only = heard.next().is_some_and(|a| *a == address) && heard.next().is_none();
    match channels {
        [one] if one.address == plain && only => Some(one),
        _ => None,
    }
}

fn period(
    whole: Option<Period>,
    recording: &Recording,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
) -> Option<Period> {
    let named = recording.series.values().filter_map(Series::span);
    let (first, last) = named.fold((i64::MAX, i64::MIN), |(a, b), (t, u)| (a.min(t), b.max(u)));
    if first <= last {
        let start = whole.map_or(first, |w| w.start.millis().min(first));
        let end = whole.map_or(last, |w| w.end.millis().max(last));
        Some(Period {
            start: from.map_or(Timestamp::from_millis(start), |f| f.max(Timestamp::from_millis(start))),
            end: to.map_or(Timestamp::from_millis(end), |t| t.min(Timestamp::from_millis(end))),
        })
    } else {
        // Nothing of it can be read: it is still the time that was asked for.
        whole.map(|w| {
            let asked =
                Period { start: from.map_or(w.start, |t| t.max(w.start)), end: to.map_or(w.end, |t| t.min(w.end)) };
            if asked.start <= asked.end { asked } else { w }
        })
    }
}

/// The part of a database's period that was asked for, if anything is there.
///
/// # Errors
/// The database cannot be read.
pub fn asked(store: &Store, from: Option<Timestamp>, to: Option<Timestamp>) -> Result<Option<Period>, StoreError> {
    let all = store
        .period()?
        .map(|p| Period { start: from.map_or(p.start, |t| t.max(p.start)), end: to.map_or(p.end, |t| t.min(p.end)) });
    Ok(all.filter(|p| p.start < p.end))
}

/// The part of the period of which the recorder keeps only summaries, so that nothing of it can be read.
fn summaries_only(full_from: Option<Timestamp>, period: Option<Period>) -> Option<(i64, i64)> {
    let (full_from, p) = full_from.zip(period)?;
    let (from, to) = (p.start.millis(), full_from.millis().min(p.end.millis()));
    (from < to).then_some((from, to))
}

/// Stretches in which none of the channels that the intent names was heard.
fn silences(recording: &Recording, period: Period) -> Vec<(i64, i64)> {
    // One mark per ten seconds is enough to see a silence of a minute, and stays small for a season.
    const MARK_MS: i64 = 10_000;
    let start = period.start.millis();
    // First and last time heard in every ten seconds; only where something was: a clock that once stood in another
    // decade makes a period of decades.
    let mut heard: BTreeMap<i64, (i64, i64)> = BTreeMap::new();
    let mut note = |mark: Option<(i64, i64, i64)>| {
        if let Some((n, first, last)) = mark {
            let (a, b) = heard.entry(n).or_insert((first, last));
            (*a, *b) = ((*a).min(first), (*b).max(last));
        }
    };
    for series in recording.series.values() {
        let mut mark: Option<(i64, i64, i64)> = None;
        for (t, _) in series.points().filter(|(t, _)| (start..=period.end.millis()).contains(t)) {
            let n = (t - start) / MARK_MS;
            match &mut mark {
                Some((same, _, last)) if *same == n => *last = t,
                _ => note(mark.replace((n, t, t))),
            }
        }
        note(mark);
    }
    let mut out = Vec::new();
    // What was let go is no silence.
    let mut last = recording.summaries_only.map_or(start, |(_, to)| start.max(to));
    for (a, b) in heard.into_values() {
        if a - last > SILENCE_MS {
            out.push((last, a));
        }
        last = last.max(b);
    }
    if period.end.millis() - last > SILENCE_MS {
        out.push((last, period.end.millis()));
    }
    out
}
