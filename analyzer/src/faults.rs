//! What devices said was wrong with them: whose fault, which, from when to when, and which sources it concerns.
//!
//! The recorder's events tell it: a fault appears, a fault is gone, and what else its device sends. A source's device is
//! the one that sends its state; where its state was not heard, the one that sends its current, and so on.

use crate::recording::Recording;
use crate::series::Grid;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::intent::{Intent, Signal, Source};
use ampwake_store::Event;
use serde_json::Value;
use std::collections::BTreeSet;
use std::ops::Range;

/// Messages of NMEA 2000 that are about the engine of their instance.
const ENGINE: [&str; 4] = ["127488", "127489", "127493", "127497"];
/// More faults than this in one recording are no help any more; the store has them.
const MOST: usize = 10_000;

/// A device that had a fault.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Sender {
    bus: String,
    protocol: String,
    address: Option<u64>,
    name: Option<String>,
}

impl Sender {
    fn of(event: &Event, details: &Value) -> Option<Self> {
        Some(Self {
            bus: event.bus.clone()?,
            protocol: details["protocol"].as_str()?.to_owned(),
            address: details["address"].as_u64(),
            name: details["name"].as_str().map(str::to_owned),
        })
    }

    /// A NAME is one device whatever address it has; without one the address is all there is.
    fn is(&self, other: &Self) -> bool {
        let same = match (&self.name, &other.name) {
            (Some(a), Some(b)) => a == b,
            _ => self.address == other.address,
        };
        self.bus == other.bus && self.protocol == other.protocol && same
    }
}

/// A fault that a device reported.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceFault {
    sender: Sender,
    engine: Option<u64>,
    /// What it is called: `SPN 110, FMI 3`.
    pub code: String,
    /// The same in a sentence, with its device.
    pub text: String,
    /// When it appeared, ms.
    pub from: i64,
    /// When it was gone; the end of time where that was not heard.
    pub to: i64,
    /// What its device sends, as in channel addresses without bus and field.
    sends: BTreeSet<String>,
}

impl DeviceFault {
    /// True where the device with this fault, or the engine, is the one that sends this channel.
    fn concerns(&self, address: &ChannelAddress) -> bool {
        if address.bus != self.sender.bus {
            return false;
        }
        if let Some(engine) = self.engine {
            let same = address.instance.as_deref() == Some(engine.to_string().as_str());
            return same && address.protocol == "n2k" && ENGINE.contains(&address.message.as_str());
        }
        let mut stream = format!("{}/{}", address.protocol, address.message);
        if let Some(instance) = &address.instance {
            stream.push_str(&format!("/{instance}"));
        }
        address.source.is_none_or(|s| self.sender.address == Some(s.into())) && self.sends.contains(&stream)
    }
}

/// The faults that the recorder's events tell. A fault lasts until its device no longer reports it or the recording
/// ends.
pub fn from_events(events: &[Event]) -> Vec<DeviceFault> {
    let mut events: Vec<&Event> = events.iter().collect();
    events.sort_by_key(|e| e.time);
    let mut out: Vec<DeviceFault> = Vec::new();
    // Where those of the present recording begin.
    let mut present = 0;
    for event in events {
        let t = event.time.millis();
        if matches!(event.kind.as_str(), "imported" | "recording_started" | "recording_stopped") {
            out[present..].iter_mut().for_each(|f| f.to = f.to.min(t));
            present = out.len();
            continue;
        }
        if !matches!(event.kind.as_str(), "fault_reported" | "fault_cleared" | "fault_sender") {
            continue;
        }
        let Ok(details) = serde_json::from_str::<Value>(&event.details) else { continue };
        let Some(sender) = Sender::of(event, &details) else { continue };
        let (engine, code) = (details["engine"].as_u64(), details["code"].as_str().unwrap_or_default());
        let of_it = |f: &&mut DeviceFault| f.sender.is(&sender);
        match event.kind.as_str() {
            "fault_reported" if out.len() < MOST => {
                let from = t - (details["active_s"].as_f64().unwrap_or(0.0).clamp(0.0, 86_400.0) * 1000.0) as i64;
                let (code, text) = (code.to_owned(), event.text.clone());
                out.push(DeviceFault { sender, engine, code, text, from, to: i64::MAX, sends: BTreeSet::new() });
            }
            "fault_cleared" => {
                let open = |f: &&mut DeviceFault| f.to == i64::MAX && f.engine == engine && f.code == code;
                out[present..].iter_mut().filter(of_it).filter(open).for_each(|f| f.to = t);
            }
            "fault_sender" => {
                let sends = details["sends"].as_array().into_iter().flatten().filter_map(Value::as_str);
                let sends: BTreeSet<String> = sends.map(str::to_owned).collect();
                out[present..].iter_mut().filter(of_it).for_each(|f| f.sends.extend(sends.iter().cloned()));
            }
            _ => {}
        }
    }
    out
}

/// A fault of the device behind a source.
#[derive(Debug, Clone, PartialEq)]
pub struct SourceFault {
    /// What it is called.
    pub code: String,
    /// The same in a sentence, with its device.
    pub text: String,
    /// The cells in which it was active.
    pub cells: Vec<Range<usize>>,
    /// The device is the one that sends the source's state, or turns it.
    pub own: bool,
    /// Other sources that the same device stands for.
    pub others: Vec<String>,
}

impl SourceFault {
    /// In how many of these cells it was active.
    pub fn active(&self, within: &Range<usize>) -> usize {
        self.cells.iter().map(|c| c.end.min(within.end).saturating_sub(c.start.max(within.start))).sum()
    }
}

/// The faults of the device behind `source`, on the axis.
pub fn of_source(recording: &Recording, vessel: &Intent, source: &Source, grid: Grid) -> Vec<SourceFault> {
    let mut out: Vec<SourceFault> = Vec::new();
    let (start, end) = (grid.start, grid.at(grid.len));
    for fault in recording.faults.iter().filter(|f| f.from < end && f.to >= start) {
        let Some(own) = behind(recording, source, fault) else { continue };
        let cells = grid.index(fault.from.max(start))..grid.index(fault.to.min(end)) + 1;
        if let Some(known) = out.iter_mut().find(|f| f.text == fault.text) {
            known.cells.push(cells);
            continue;
        }
        let others = vessel.sources.iter().filter(|s| s.name != source.name && behind(recording, s, fault).is_some());
        out.push(SourceFault {
            code: fault.code.clone(),
            text: fault.text.clone(),
            cells: vec![cells],
            own,
            others: others.map(|s| s.name.clone()).collect(),
        });
    }
    out
}

/// Whether the device with this fault is the one behind `source`, and if so, whether it is surely its own.
fn behind(recording: &Recording, source: &Source, fault: &DeviceFault) -> Option<bool> {
    let s = &source.signals;
    if fault.engine.is_some() {
        let concerned = source.engine_speed.as_ref().is_some_and(|s| fault.concerns(&recording.sent(s)));
        return concerned.then_some(true);
    }
    let heard = |signal: &&Signal| !recording.signal(signal).is_empty();
    let state = s.state.as_ref().filter(heard);
    let told = state.or(s.current.as_ref().filter(heard)).or(s.voltage.as_ref().filter(heard))?;
    fault.concerns(&recording.sent(told)).then_some(state.is_some())
}

#[cfg(test)]
mod tests {
    use super::*;
    use ampwake_schemas::time::Timestamp;

    fn event(second: i64, kind: &str, details: &str) -> Event {
        let (kind, bus, details) = (kind.to_owned(), Some("can0".to_owned()), details.to_owned());
        Event { time: Timestamp::from_millis(second * 1000), kind, bus, channel: None, text: "it".to_owned(), details }
    }

    const FAULT: &str = r#"{"protocol": "j1939", "address": 7, "name": null, "code": "SPN 110, FMI 3"}"#;

    #[test]
    fn a_fault_lasts_until_it_is_gone_or_the_recording_ends() {
        let named = FAULT.replace("null", "\"00a1\"");
        let found = from_events(&[
            event(0, "fault_cleared", FAULT),
            event(10, "fault_reported", FAULT),
            event(20, "fault_cleared", &named),
            event(30, "fault_reported", FAULT),
            event(31, "fault_reported", &FAULT.replace('7', "8")),
            event(35, "fault_cleared", &FAULT.replace("110", "111")),
            event(40, "imported", "{}"),
            event(50, "fault_reported", FAULT),
            event(60, "fault_reported", "no JSON"),
        ]);
        let spans: Vec<(i64, i64)> = found.iter().map(|f| (f.from / 1000, f.to / 1000)).collect();
        assert_eq!(spans, [(10, 20), (30, 40), (31, 40), (50, i64::MAX / 1000)]);
    }

    #[test]
    fn what_its_device_sends_is_concerned() {
        let sender = r#"{"protocol": "j1939", "address": 7, "name": null, "sends": ["n2k/127507/3", "canopen/5"]}"#;
        let late = event(10, "fault_reported", &FAULT.replace('}', r#", "active_s": 6}"#));
        let fault = &from_events(&[late, event(11, "fault_sender", sender)])[0];
        assert_eq!(fault.from, 4000);
        let concerns = |address: &str| fault.concerns(&address.parse().expect("an address"));
        assert!(concerns("can0/n2k/127507/3/operating_state") && concerns("can0/canopen/5/voltage"));
        assert!(concerns("can0/n2k/127507@7/3/operating_state") && !concerns("can0/n2k/127507@8/3/operating_state"));
        assert!(!concerns("can1/n2k/127507/3/operating_state") && !concerns("can0/n2k/127507/4/operating_state"));
        let engine = r#"{"protocol": "n2k", "address": 0, "name": null, "engine": 1, "code": "\"Charge Indicator\""}"#;
        let fault = &from_events(&[event(0, "fault_reported", engine)])[0];
        let concerns = |address: &str| fault.concerns(&address.parse().expect("an address"));
        assert!(concerns("can0/n2k/127488/1/engine_speed") && !concerns("can0/n2k/127488/0/engine_speed"));
    }
}
