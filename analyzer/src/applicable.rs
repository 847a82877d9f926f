//! Sections of the intent that carry `valid_from`: which of them hold.

use ampwake_schemas::intent::{Intent, ValidFrom};
use ampwake_schemas::time::Timestamp;

/// The intent as it holds at `time`: of several sections with one name the latest that had begun; where none had,
/// the first.
pub fn at(intent: &Intent, time: Timestamp) -> Intent {
    let mut out = intent.clone();
    out.banks = pick(intent.banks.clone(), time, |b| (b.name.clone(), b.valid_from));
    out.sources = pick(intent.sources.clone(), time, |s| (s.name.clone(), s.valid_from));
    out.loads = pick(intent.loads.clone(), time, |l| (l.name.clone(), l.valid_from));
    out.ac_sources = pick(intent.ac_sources.clone(), time, |a| (a.name.clone(), a.valid_from));
    out.requirements = pick(intent.requirements.clone(), time, |r| (r.id.clone(), r.valid_from));
    out
}

fn pick<T>(sections: Vec<T>, time: Timestamp, key: impl Fn(&T) -> (String, ValidFrom)) -> Vec<T> {
    let mut out: Vec<T> = Vec::new();
    for section in sections {
        let (name, from) = key(&section);
        match out.iter().position(|o| key(o).0 == name) {
            None => out.push(section),
            Some(k) => {
                let held = key(&out[k]).1;
                let begun = from.is_none_or(|f| f <= time);
                let later = from > held;
                let held_begun = held.is_none_or(|h| h <= time);
                if (begun && later) || (!held_begun && from < held) {
                    out[k] = section;
                }
            }
        }
    }
    out
}
