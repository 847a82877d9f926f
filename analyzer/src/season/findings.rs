//! One finding of several: what was seen on many days is said once, with how often.

use crate::cause::put;
use crate::report::format;
use ampwake_schemas::findings::{Finding, Period};
use ampwake_schemas::time::Timestamp;
use std::collections::BTreeMap;

/// Findings of one kind, cause, source and channel are one matter.
type Matter = (String, Option<String>, Option<String>, Option<String>);

/// Evidence that adds up over occasions.
const ADDING: [&str; 1] = ["lost_ah"];

/// One list of many, one per piece.
pub(super) fn join(lists: Vec<(Period, Vec<Finding>)>) -> Vec<Finding> {
    let pieces = lists.len();
    // In the order in which they were first seen.
    let mut order: Vec<Matter> = Vec::new();
    let mut matters: BTreeMap<Matter, Vec<(usize, Finding)>> = BTreeMap::new();
    for (n, (_, list)) in lists.into_iter().enumerate() {
        for f in list {
            let channel = f.channel.as_ref().map(ToString::to_string);
            let matter = (f.kind.text().to_owned(), f.cause.map(|c| c.text().to_owned()), f.source.clone(), channel);
            let seen = matters.entry(matter.clone()).or_insert_with(|| {
                order.push(matter);
                Vec::new()
            });
            // What hangs on the design or on the whole recording is said by every piece in the same words.
            if seen.iter().any(|(_, other)| other.summary == f.summary && f.source.is_none()) {
                continue;
            }
            seen.push((n, f));
        }
    }
    order.iter().filter_map(|m| matters.remove(m)).filter_map(|seen| one(seen, pieces)).collect()
}

/// The worst of them speaks for all.
fn one(seen: Vec<(usize, Finding)>, pieces: usize) -> Option<Finding> {
    let start = seen.iter().map(|(_, f)| f.start).min()?;
    let end = seen.iter().map(|(_, f)| f.end).max()?;
    let occasions = seen.len();
    let mut days: Vec<usize> = seen.iter().map(|s| s.0).collect();
    days.dedup();
    let sums: Vec<(&str, f64)> = ADDING
        .iter()
        .filter_map(|name| {
            let all: Vec<f64> = seen.iter().filter_map(|(_, f)| f.evidence.get(*name)?.as_f64()).collect();
            (!all.is_empty()).then(|| (*name, all.iter().sum()))
        })
        .collect();
    let weight = |f: &Finding| f.evidence.get(ADDING[0]).and_then(serde_json::Value::as_f64).unwrap_or(0.0);
    let worst = seen.into_iter().map(|s| s.1).max_by(|a, b| {
        (a.severity.cmp(&b.severity))
            .then(weight(a).total_cmp(&weight(b)))
            .then(a.confidence.total_cmp(&b.confidence))
            .then((a.end.millis() - a.start.millis()).cmp(&(b.end.millis() - b.start.millis())))
    })?;
    if occasions == 1 {
        return Some(worst);
    }
    let mut all = Finding { start, end, ..worst };
    let total = sums.iter().find(|s| s.0 == ADDING[0]).map(|s| s.1).filter(|ah| *ah >= 0.5);
    all.summary = format!(
        "{} That was the worst of {occasions} occasions on {} of {pieces} days, the first on {}, the last on {}{}.",
        full_stop(&all.summary),
        days.len(),
        day(start),
        day(end),
        total.map_or(String::new(), |ah| format!("; {} altogether", format::amp_hours(ah)))
    );
    put(&mut all.evidence, "occasions", occasions as f64, 0);
    put(&mut all.evidence, "days_seen_on", days.len() as f64, 0);
    for (name, sum) in sums {
        put(&mut all.evidence, name, sum, 2);
    }
    Some(all)
}

/// The day in UTC, as a date.
fn day(t: Timestamp) -> String {
    t.to_string().chars().take(10).collect()
}

fn full_stop(text: &str) -> String {
    let text = text.trim_end();
    if text.ends_with(['.', '!', '?']) { text.to_owned() } else { format!("{text}.") }
}
