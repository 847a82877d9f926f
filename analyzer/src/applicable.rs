//! Sections of the intent that carry `valid_from`: which of them hold.

use ampwake_schemas::findings::Period;
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
    out.links = pick(intent.links.clone(), time, |l| (format!("{} to {}", l.from, l.to), l.valid_from));
    out
}

/// Sections that begin to hold within the period, which the analysis of it leaves out: for the reader to know.
pub fn changes(intent: &Intent, period: Period) -> Vec<String> {
    let banks = intent.banks.iter().map(|b| (&b.name, b.valid_from));
    let sources = intent.sources.iter().map(|s| (&s.name, s.valid_from));
    let loads = intent.loads.iter().map(|l| (&l.name, l.valid_from));
    let supplies = intent.ac_sources.iter().map(|a| (&a.name, a.valid_from));
    let requirements = intent.requirements.iter().map(|r| (&r.id, r.valid_from));
    let all = banks.chain(sources).chain(loads).chain(supplies).chain(requirements);
    all.filter_map(|(name, from)| Some((name, from.filter(|f| *f > period.start && *f <= period.end)?)))
        .map(|(name, from)| {
            format!(
                "the design of {name} changes at {from}; the whole period is judged by what held at its start: analyse the time \
                 after the change by itself"
            )
        })
        .collect()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::vessel;

    fn hours(h: i64) -> Timestamp {
        Timestamp::from_millis(h * 3_600_000)
    }

    /// The first source as three sections: from `begins` on, with ratings of 1, 2 and 3 A.
    fn rated(begins: [Option<i64>; 3], at: i64) -> f64 {
        let mut intent = vessel("");
        let first = intent.sources.remove(0);
        for (n, b) in begins.into_iter().enumerate() {
            let section =
                ampwake_schemas::intent::Source { rated_a: n as f64 + 1.0, valid_from: b.map(hours), ..first.clone() };
            intent.sources.push(section);
        }
        let now = super::at(&intent, hours(at));
        assert_eq!(now.sources.len(), 2);
        now.sources.iter().find(|s| s.name == first.name).map_or(f64::NAN, |s| s.rated_a)
    }

    #[test]
    fn the_latest_section_that_had_begun_holds() {
        for order in [[None, Some(10), Some(20)], [Some(20), None, Some(10)], [Some(10), Some(20), None]] {
            let which = |begin: Option<i64>| order.iter().position(|o| *o == begin).map_or(0.0, |n| n as f64 + 1.0);
            assert_eq!(rated(order, 5), which(None), "{order:?}");
            assert_eq!(rated(order, 10), which(Some(10)), "{order:?}");
            assert_eq!(rated(order, 25), which(Some(20)), "{order:?}");
        }
        // None had begun: the first of them.
        assert_eq!(rated([Some(30), Some(20), Some(25)], 5), 2.0);
    }

    #[test]
    fn a_change_within_the_period_is_said() {
        let mut intent = vessel("");
        intent.sources[1].valid_from = Some(hours(5));
        let said = |a: i64, b: i64| changes(&intent, Period { start: hours(a), end: hours(b) });
        assert_eq!(said(0, 4).len() + said(5, 9).len(), 0);
        assert!(said(0, 9)[0].contains("second"), "{:?}", said(0, 9));
    }
}
