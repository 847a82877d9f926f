//! Samples from another time: a recorder whose clock stood in another decade for its first minute leaves a few samples there,
//! and a time axis that held them too would have cells of hours.

use crate::recording::Recording;
use crate::series::Series;
use ampwake_schemas::findings::Period;
use ampwake_schemas::time::Timestamp;
use std::collections::BTreeMap;

const DAY_MS: i64 = 86_400_000;
/// Parts of a recording further apart than this are of different times: a lay-up over a winter is not (common practice, no
/// source).
const APART_DAYS: i64 = 400;
/// Only where nearly everything is of one time are the rest strays: two real voyages some years apart are two voyages.
const NEARLY_ALL: f64 = 0.99;

/// The recording without the samples of another time, and how many those were; `None` where there are none.
pub fn without_strays(recording: &Recording) -> Option<(Recording, u64)> {
    // Most recordings are of one time altogether, which their ends tell.
    let ends = recording
        .series
        .values()
        .filter_map(Series::span)
        .chain(recording.period.map(|p| (p.start.millis(), p.end.millis())));
    let (first, last) = ends.fold((i64::MAX, i64::MIN), |(a, b), (c, d)| (a.min(c), b.max(d)));
    if last.saturating_sub(first) <= APART_DAYS * DAY_MS {
        return None;
    }
    let mut days: BTreeMap<i64, u64> = BTreeMap::new();
    for series in recording.series.values() {
        let mut run = (0, 0);
        for day in series.points().map(|(t, _)| t.div_euclid(DAY_MS)) {
            if run.0 != day && run.1 > 0 {
                *days.entry(run.0).or_default() += std::mem::take(&mut run.1);
            }
            run = (day, run.1 + 1);
        }
        if run.1 > 0 {
            *days.entry(run.0).or_default() += run.1;
        }
    }
    let (first, last) = main_era(&days)?;
    let far = |t: Timestamp| !(first - APART_DAYS..=last + APART_DAYS).contains(&t.millis().div_euclid(DAY_MS));
    // Also where only channels that the intent does not name were heard at the other time.
    let strange = recording.period.is_some_and(|p| far(p.start) || far(p.end));
    if !strange && days.range(first..=last).count() == days.len() {
        return None;
    }
    let all: u64 = days.values().sum();
    let kept: u64 = days.range(first..=last).map(|d| d.1).sum();
    let inside = |t: i64| (first..=last).contains(&t.div_euclid(DAY_MS));
    let mut out = recording.clone();
    for series in out.series.values_mut() {
        *series = Series::from_points(series.points().filter(|p| inside(p.0)).collect::<Vec<_>>());
    }
    let times = || out.series.values().flat_map(Series::points).map(|p| p.0);
    let (start, end) = (times().min()?, times().max()?);
    out.period = Some(Period { start: Timestamp::from_millis(start), end: Timestamp::from_millis(end) });
    out.silences = out.silences.into_iter().map(|(a, b)| (a.max(start), b.min(end))).filter(|(a, b)| a < b).collect();
    Some((out, all - kept))
}

/// First and last day of the time in which nearly everything was heard; `None` where there is no such time.
fn main_era(days: &BTreeMap<i64, u64>) -> Option<(i64, i64)> {
    let mut eras: Vec<(i64, i64, u64)> = Vec::new();
    for (day, n) in days {
        match eras.last_mut() {
            Some(e) if day - e.1 <= APART_DAYS => (e.1, e.2) = (*day, e.2 + n),
            _ => eras.push((*day, *day, *n)),
        }
    }
    let all: u64 = days.values().sum();
    let main = eras.iter().max_by_key(|e| e.2)?;
    (main.2 as f64 >= NEARLY_ALL * all as f64).then_some((main.0, main.1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{AMPS, Tape, VOLTS};

    #[test]
    fn a_minute_of_another_decade_is_left_out() {
        let hour = Tape::new(3600).with(VOLTS, |_| 53.0).with(AMPS, |_| 10.0).recording();
        let with = |n: i64, years: i64| {
            let mut r = hour.clone();
            let far = years * 366 * DAY_MS;
            let series = r.series.get_mut(&VOLTS.parse().expect("an address")).expect("it is there");
            *series =
                Series::from_points(series.points().chain((0..n).map(|s| (far + s * 1000, 53.0))).collect::<Vec<_>>());
            r.period = Some(Period { start: Timestamp::default(), end: Timestamp::from_millis(far + n * 1000) });
            without_strays(&r)
        };
        let (clean, strays) = with(20, 30).expect("there are strays");
        assert_eq!((clean.period.expect("a period").seconds(), strays), (3599.0, 20));
        // As much there as here: two voyages. A year later: a winter. Nothing strange: nothing to do.
        assert!(with(3600, 30).is_none() && with(20, 1).is_none() && without_strays(&hour).is_none());
        let (clean, strays) = with(0, 30).expect("a period of decades with one hour in it");
        assert_eq!((clean.period.expect("a period").seconds(), strays), (3599.0, 0));
    }
}
