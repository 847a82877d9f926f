//! The pictures of the whole from those of its pieces.

use crate::chart::{BankCharts, StageBand, Trace};
use ampwake_schemas::findings::Period;

/// Columns that a picture of the whole can show, some to spare.
pub(super) const COLUMNS: i64 = 4000;

/// A piece's pictures as those of the whole can show them.
pub(super) fn thin(charts: &mut [BankCharts], pieces: usize) {
    let columns = (COLUMNS as usize / pieces.max(1)).clamp(8, COLUMNS as usize);
    for c in charts {
        let period = c.period;
        for trace in [&mut c.voltage, &mut c.absorption_v, &mut c.float_v, &mut c.current]
            .into_iter()
            .chain(&mut c.sources)
            .chain(c.temperatures.iter_mut().map(|t| &mut t.trace))
        {
            *trace = trace.thinned(period, columns);
        }
    }
}

/// Bank by bank, line by line.
pub(super) fn join(pieces: Vec<Vec<BankCharts>>, period: Period) -> Vec<BankCharts> {
    let mut all: Vec<BankCharts> = Vec::new();
    for c in pieces.into_iter().flatten() {
        let Some(whole) = all.iter_mut().find(|w| w.bank == c.bank) else {
            all.push(BankCharts { period, ..c });
            continue;
        };
        follow(&mut whole.voltage, c.voltage);
        follow(&mut whole.absorption_v, c.absorption_v);
        follow(&mut whole.float_v, c.float_v);
        follow(&mut whole.current, c.current);
        for (trace, rating) in c.sources.into_iter().zip(c.ratings) {
            match whole.sources.iter_mut().find(|t| t.label == trace.label) {
                Some(t) => follow(t, trace),
                None => {
                    whole.sources.push(trace);
                    whole.ratings.push(rating);
                }
            }
        }
        for t in c.temperatures {
            match whole.temperatures.iter_mut().find(|w| w.trace.label == t.trace.label) {
                Some(w) => {
                    follow(&mut w.trace, t.trace);
                    (w.max_c, w.min_c) = (t.max_c, t.min_c);
                }
                None => whole.temperatures.push(t),
            }
        }
        whole.max_charge_a = c.max_charge_a;
        whole.stages.extend(c.stages);
        whole.gaps.extend(c.gaps);
    }
    for c in &mut all {
        c.stages = bands(std::mem::take(&mut c.stages), (period.seconds() * 1000.0) as i64 / COLUMNS);
    }
    all
}

/// A line goes on where the next piece begins.
fn follow(whole: &mut Trace, next: Trace) {
    let mut parts = next.parts.into_iter();
    if let (Some(last), Some(first)) = (whole.parts.last_mut(), parts.next()) {
        // Two pieces of one line, not two lines: what lies between is a cut and no gap.
        let joined = last.last().zip(first.first()).is_some_and(|(a, b)| b.0 - a.0 <= 60_000);
        if joined {
            last.extend(first);
        } else {
            whole.parts.push(first);
        }
    }
    whole.parts.extend(parts);
}

/// What is too narrow to be seen joins the band before it.
fn bands(all: Vec<StageBand>, narrow_ms: i64) -> Vec<StageBand> {
    let mut out: Vec<StageBand> = Vec::new();
    for band in all {
        match out.last_mut() {
            Some(last) if last.stage == band.stage || band.end - band.start < narrow_ms => last.end = band.end,
            _ => out.push(band),
        }
    }
    out
}
