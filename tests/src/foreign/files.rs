//! Files that people write: the design intent and the logger's configuration, any bytes; and DBC files, with frames
//! that are decoded by them.

use super::feed::Feed;
use super::must_be_an_address;
use ampwake_logger::bus::{Flags, Frame};
use ampwake_logger::dbc::{DbcError, Definitions};
use ampwake_logger::dialect::FrameDecoder;
use ampwake_schemas::intent::{self, Intent, Signal};
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_schemas::toml_read::{MOST_REPORTED, Mistakes, utf8};
use std::collections::HashSet;
use std::path::Path;

/// A design intent.
pub fn intent(bytes: &[u8]) {
    let Some(text) = text_of(bytes) else { return };
    match intent::read("vessel.toml", text) {
        Ok(read) => is_whole(&read),
        Err(mistakes) => are_sound(&mistakes, text),
    }
}

/// The logger's configuration; paths in it start at a folder that is not there.
pub fn configuration(bytes: &[u8]) {
    let Some(text) = text_of(bytes) else { return };
    match ampwake_logger::config::read("logger.toml", text, Path::new("no-such-folder")) {
        Ok(config) => {
            assert!((1..=3600).contains(&config.commit_every_s) && config.keep.max_gb.is_finite());
            assert!(!config.can.is_empty() || !config.serial.is_empty());
            let names: Vec<_> =
                config.can.iter().map(|b| &b.name).chain(config.serial.iter().map(|l| &l.name)).collect();
            names.iter().for_each(|name| must_be_an_address(&format!("{name}/n2k/1/v")));
            assert_eq!(names.iter().collect::<HashSet<_>>().len(), names.len(), "{names:?}");
            assert!(config.can.iter().all(|b| !b.protocols.is_empty()));
        }
        Err(mistakes) => are_sound(&mistakes, text),
    }
}

fn text_of(bytes: &[u8]) -> Option<&str> {
    utf8("a.toml", bytes).map_err(|mistakes| are_sound(&mistakes, &String::from_utf8_lossy(bytes))).ok()
}

/// What the reading promises of mistakes: never none, never too many, in order, within the file, fit for a terminal.
pub(super) fn are_sound(mistakes: &Mistakes, text: &str) {
    assert!(!mistakes.list.is_empty() && mistakes.list.len() <= MOST_REPORTED);
    assert!(mistakes.list.is_sorted_by_key(|m| (m.line, m.column)), "{mistakes}");
    let lines: Vec<&str> = text.split('\n').collect();
    for m in &mistakes.list {
        let line = lines.get(m.line - 1).unwrap_or_else(|| panic!("line {} of {}", m.line, lines.len()));
        assert!((1..=line.chars().count() + 1).contains(&m.column), "{}:{} of `{line}`", m.line, m.column);
        for (said, most) in [(&m.text, 74 * 10), (&m.problem, 602 * 10), (&m.fix, 602 * 10)] {
            assert!(said.chars().all(|c| !c.is_control()) && said.len() <= most, "{said:?}");
        }
        assert!(!m.problem.is_empty() && !m.fix.is_empty(), "{m:?}");
    }
    assert!(mistakes.to_string().lines().count() >= 2 * mistakes.list.len());
}

/// What the analysis relies on in an intent that could be read.
fn is_whole(intent: &Intent) {
    assert!(!intent.banks.is_empty());
    let banks: HashSet<&str> = intent.banks.iter().map(|b| b.name.as_str()).collect();
    let states: HashSet<_> = intent.banks.iter().map(|b| (&b.name, b.valid_from)).collect();
    assert_eq!(states.len(), intent.banks.len());
    for bank in &intent.banks {
        let p = &bank.profile;
        for v in [bank.nominal_v, bank.capacity_ah, p.absorption_v, p.rebulk_v, p.tail_a] {
            assert!(v.is_finite() && v > 0.0, "{bank:?}");
        }
        let t = &bank.temperature;
        assert!(bank.cells_in_series > 0 && t.charge_min_c < t.charge_max_c, "{bank:?}");
        let s = &bank.signals;
        s.voltage.iter().chain(&s.current).chain(&s.temperature).chain(s.further.values()).for_each(is_signal);
    }
    let mut names = HashSet::new();
    for source in &intent.sources {
        assert!(banks.contains(source.bank.as_str()), "{source:?}");
        // The same one again from another day on is another state of the vessel.
        assert!(names.insert((&source.name, source.valid_from)), "{source:?}");
        assert!(source.rated_a.is_finite() && source.rated_a > 0.0, "{source:?}");
        source.signals.current.iter().chain(&source.signals.voltage).for_each(is_signal);
        if let Some(when) = &source.available_when {
            is_signal(&when.signal);
            assert!(when.above.is_some() || when.below.is_some(), "{when:?}");
        }
    }
    assert!(intent.loads.iter().all(|l| banks.contains(l.bank.as_str())));
}

fn is_signal(signal: &Signal) {
    must_be_an_address(&signal.address.to_string());
    assert!(signal.scale.is_finite() && signal.scale != 0.0, "{signal:?}");
}

/// A DBC file, a zero, then frames: which message, length, data.
pub fn dbc(bytes: &[u8]) {
    let mut feed = Feed::new(bytes);
    let file = feed.until(0);
    let read = match Definitions::from_bytes(Path::new("pack.dbc"), file) {
        Ok(read) => read,
        Err(DbcError(mistakes)) => {
            let lines = file.split(|b| *b == b'\n').count();
            assert!(!mistakes.is_empty());
            assert!(mistakes.iter().all(|m| m.line <= lines && !m.text.is_empty()), "{mistakes:?}");
            return;
        }
    };
    assert!(read.remarks().iter().all(|r| !r.text.is_empty()));
    let mut names = HashSet::new();
    for signal in read.signals() {
        let address = format!("can0/dbc/{}/{}", signal.message, signal.field);
        must_be_an_address(&address);
        assert!(names.insert(address), "two signals of one address: {signal:?}");
    }
    let mut values = Vec::new();
    for message in read.messages().iter().cycle().take(1000) {
        if feed.is_empty() {
            break;
        }
        let length = usize::from(feed.byte() % 65);
        let flags = Flags { extended: message.id.extended, ..Flags::default() };
        let Some(frame) = Frame::new(Timestamp::default(), message.id.id, flags, feed.take(length)) else { continue };
        values.clear();
        assert!(read.decode(&frame, &mut values), "{} is described", message.id);
        for (index, reading) in &values {
            assert!(*index < read.signals().len());
            assert!(
                !matches!(reading, Reading::Value(v) if !v.is_finite()),
                "{:?} {reading:?}",
                read.signals()[*index]
            );
        }
        assert!(values.len() <= message.signals.len());
    }
}
