//! Two AC sources on one bus that are not made for it.

use super::{FindingExt, finding};
use crate::breaker::stretches;
use crate::recording::Recording;
use crate::report::format;
use ampwake_schemas::findings::{Finding, Kind, Severity};
use ampwake_schemas::intent::{AcSource, Intent};

/// Shorter than two samples of each breaker is two clocks, and no parallel operation; never less than this, ms.
const SHORTEST_MS: i64 = 3_000;

/// Pairs of AC sources whose breakers were closed together, of which not both are declared to run in parallel. Shore power, a
/// generator and an inverter are exclusive unless the equipment is made for it (common practice, no source).
pub fn parallel(intent: &Intent, recording: &Recording) -> Vec<Finding> {
    let mut out = Vec::new();
    for (n, a) in intent.ac_sources.iter().enumerate() {
        for b in intent.ac_sources[n + 1..].iter().filter(|b| !(a.parallel && b.parallel)) {
            out.extend(together(a, b, recording));
        }
    }
    out
}

fn together(a: &AcSource, b: &AcSource, recording: &Recording) -> Option<Finding> {
    let (of_a, of_b) = (a.signals.get("breaker")?, b.signals.get("breaker")?);
    // Two sources that share one switch are not two sources.
    if of_a.address == of_b.address {
        return None;
    }
    let (sa, sb) = (recording.signal(of_a), recording.signal(of_b));
    let patience = [&sa, &sb].iter().filter_map(|s| s.interval_ms()).map(|i| 2 * i).fold(SHORTEST_MS, i64::max);
    let closed = |s: &crate::series::Series| stretches(s).into_iter().filter(|x| x.2).collect::<Vec<_>>();
    let (ca, cb) = (closed(&sa), closed(&sb));
    let mut both: Vec<(i64, i64)> = Vec::new();
    let mut j = 0;
    for (from, to, _) in ca {
        while j < cb.len() && cb[j].1 < from {
            j += 1;
        }
        let overlaps = cb[j..].iter().take_while(|x| x.0 <= to).map(|x| (from.max(x.0), to.min(x.1)));
        both.extend(overlaps.filter(|x| x.1 - x.0 > patience));
    }
    let (first, last) = (both.first()?, both.last()?);
    let seconds = both.iter().map(|x| (x.1 - x.0) as f64 / 1000.0).sum::<f64>();
    let summary = format!(
        "The breakers of {} and {} were closed at the same time for {}, and the design does not say that the two may run in parallel.",
        format::plain(&a.name),
        format::plain(&b.name),
        format::duration(seconds)
    );
    Some(
        finding(Kind::AcParallel, Severity::Danger, (first.0, last.1), 0.85, summary)
            .at(&of_a.address)
            .with("together_s", seconds, 0)
            .with("occasions", both.len() as f64, 0)
            .check(&[
                "have the interlock between the two breakers checked (a licensed electrician)",
                "see whether both breaker signals mean what the intent takes them for, by switching one at a time",
                "if both are made to run in parallel, say `parallel = true` for both in the intent",
            ]),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Tape, vessel};

    fn found(more: &str, shore: impl Fn(i64) -> f64, set: impl Fn(i64) -> f64) -> Vec<Finding> {
        let ac = |name: &str, kind: &str| {
            let signals = format!("signals = {{ breaker = \"can0/dbc/{name}/breaker\" }}");
            format!("[[ac_source]]\nname = \"{name}\"\nkind = \"{kind}\"\n{more}\n{signals}\n")
        };
        let intent = vessel(&(ac("shore", "shore") + &ac("set", "genset")));
        let tape = Tape::new(600).with("can0/dbc/shore/breaker", shore).with("can0/dbc/set/breaker", set);
        parallel(&intent, &tape.recording())
    }

    #[test]
    fn two_breakers_closed_together() {
        let closed = |from: i64, to: i64| move |t: i64| f64::from(u8::from((from..to).contains(&t)));
        let all = found("", closed(0, 300), closed(290, 600));
        assert_eq!(all.len(), 1, "{all:#?}");
        assert_eq!((all[0].kind, all[0].severity), (Kind::AcParallel, Severity::Danger));
        assert_eq!(all[0].evidence["together_s"].as_f64(), Some(9.0));
        // Break before make; two clocks that differ by two seconds; equipment that is made for it; a breaker never heard.
        assert_eq!(found("", closed(0, 300), closed(301, 600)), []);
        assert_eq!(found("", closed(0, 300), closed(298, 600)), []);
        assert_eq!(found("parallel = true", closed(0, 300), closed(100, 600)), []);
        assert_eq!(found("", closed(0, 300), |_| f64::NAN), []);
    }
}
