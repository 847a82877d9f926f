//! One finding of several: what was seen on many days is said once, with how often.

use crate::cause::put;
use crate::report::format;
use ampwake_schemas::findings::Finding;
use ampwake_schemas::time::Timestamp;
use std::collections::BTreeMap;

/// Findings of one kind, cause, source and channel are one matter.
type Matter = (String, Option<String>, Option<String>, Option<String>);

/// Evidence that adds up over occasions.
const ADDS_UP: &str = "lost_ah";

/// One list of many, one per piece.
pub(super) fn join(lists: Vec<Vec<Finding>>) -> Vec<Finding> {
    let pieces = lists.len();
    // In the order in which they were first seen.
    let mut order: Vec<Matter> = Vec::new();
    let mut matters: BTreeMap<Matter, Vec<(usize, Finding)>> = BTreeMap::new();
    for (n, list) in lists.into_iter().enumerate() {
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
    let lost = |f: &Finding| f.evidence.get(ADDS_UP).and_then(serde_json::Value::as_f64);
    let total = seen.iter().filter_map(|(_, f)| lost(f)).reduce(|a, b| a + b);
    let worst = seen.into_iter().map(|s| s.1).max_by(|a, b| {
        (a.severity.cmp(&b.severity))
            .then(lost(a).unwrap_or(0.0).total_cmp(&lost(b).unwrap_or(0.0)))
            .then(a.confidence.total_cmp(&b.confidence))
            .then((a.end.millis() - a.start.millis()).cmp(&(b.end.millis() - b.start.millis())))
    })?;
    if occasions == 1 {
        return Some(worst);
    }
    let mut all = Finding { start, end, ..worst };
    all.summary = format!(
        "{} That was the worst of {occasions} occasions on {} of {pieces} days, the first on {}, the last on {}{}.",
        full_stop(&all.summary),
        days.len(),
        day(start),
        day(end),
        total.filter(|ah| *ah >= 0.5).map_or(String::new(), |ah| format!("; {} altogether", format::amp_hours(ah)))
    );
    put(&mut all.evidence, "occasions", occasions as f64, 0);
    put(&mut all.evidence, "days_seen_on", days.len() as f64, 0);
    if let Some(ah) = total {
        put(&mut all.evidence, ADDS_UP, ah, 2);
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
