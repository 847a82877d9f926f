//! Temperatures: telling a broken sensor from heat, and excursions with on-delay, off-delay and deadband.

use crate::series::Series;

/// Readings of a cell sensor beyond these are an open or shorted wire, not a temperature (common practice, no source:
/// a 10 kΩ NTC reads below −40 degC when open).
pub const CELLS: (f64, f64) = (-40.0, 100.0);
/// The same for chargers and alternators, whose windings are rated far higher.
pub const EQUIPMENT: (f64, f64) = (-40.0, 200.0);
/// A step of this much between two samples a few seconds apart is electrical, not thermal
/// (common practice, no source).
const JUMP_K: f64 = 10.0;
/// Two samples further apart than this may differ by any amount, ms.
const JUMP_WITHIN_MS: i64 = 30_000;
/// A new level that stays is believed after this time, ms, unless it is further away than [`BELIEVE_WITHIN_K`]: real
/// heat passes through what lies between.
const BELIEVE_AFTER_MS: i64 = 120_000;
/// As above.
const BELIEVE_WITHIN_K: f64 = 25.0;
/// A level further away is believed after this time, ms, where it moves as a temperature does and the silence was long
/// enough to get there: a sensor that was unplugged for an hour comes back wherever its charger has got to.
const RETURN_AFTER_MS: i64 = 600_000;
/// It has to move at least this much meanwhile, K: a broken wire reads the same for ever.
const ALIVE_K: f64 = 0.5;
/// The fastest heating or cooling that is believed across a fault, K a minute (2 K/min is the rate of alarm; common practice,
/// no source).
const FASTEST_K_PER_MIN: f64 = 2.0;
/// A first level of fewer samples than this is not yet a reference: some sensors say a fixed figure before their first
/// conversion.
const FIRST_SAMPLES: usize = 5;
/// A silence longer than this is no time beyond a limit, and ends an excursion that was not raised yet, ms.
const SILENCE_MS: i64 = 900_000;

/// What was wrong with a temperature sensor for a while.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorFault {
    /// From, ms.
    pub start: i64,
    /// To, ms.
    pub end: i64,
    /// The first implausible value, degC.
    pub value: f64,
    /// Number of implausible samples.
    pub samples: usize,
}

/// The series without implausible samples, and where they were; `range` is [`CELLS`] or [`EQUIPMENT`].
pub fn plausible(series: &Series, range: (f64, f64)) -> (Series, Vec<SensorFault>) {
    let mut good: Option<(i64, f64)> = None;
    let mut suspect: Option<(i64, f64)> = None; // where the present unbelieved level began
    let mut faults: Vec<SensorFault> = Vec::new();
    let mut out: Vec<(i64, f64)> = Vec::new();
    let mut believed = 0;
    // Lowest, highest and latest of the present unbelieved level.
    let mut moved = (0.0_f64, 0.0_f64);
    let mut latest = 0.0_f64;
    for (t, v) in series.points() {
        if v.is_nan() {
            out.push((t, v));
            continue;
        }
        let inside = (range.0..=range.1).contains(&v);
        let steady = match (good, suspect) {
            (None, _) => true,
            (Some((t0, v0)), None) => (v - v0).abs() < JUMP_K || t - t0 > JUMP_WITHIN_MS,
            // Back at the old level, or at the new one for long enough.
            (Some((t0, v0)), Some((t1, v1))) => {
                let near = (v - v0).abs() < BELIEVE_WITHIN_K || believed < FIRST_SAMPLES;
                let reachable = (v1 - v0).abs() <= FASTEST_K_PER_MIN * (t1 - t0) as f64 / 60_000.0;
                let alive = moved.1 - moved.0 >= ALIVE_K && t - t1 > RETURN_AFTER_MS;
                (v - v0).abs() < JUMP_K
                    || ((v - latest).abs() < JUMP_K && (near && t - t1 > BELIEVE_AFTER_MS || reachable && alive))
            }
        };
        if inside && steady {
            if good.is_some_and(|(_, v0)| believed < FIRST_SAMPLES && (v - v0).abs() >= BELIEVE_WITHIN_K) {
                // The first level was not one after all.
                out.iter_mut().for_each(|p| p.1 = f64::NAN);
                believed = 0;
            }
            believed += 1;
            good = Some((t, v));
            suspect = None;
            out.push((t, v));
        } else {
            // A level that drifts is not a new one.
            if suspect.is_none() || (v - latest).abs() >= JUMP_K {
                suspect = Some((t, v));
                moved = (v, v);
            }
            moved = (moved.0.min(v), moved.1.max(v));
            latest = v;
            match faults.last_mut() {
                Some(f) if t - f.end < 60_000 => (f.end, f.samples) = (t, f.samples + 1),
                _ => faults.push(SensorFault { start: t, end: t, value: v, samples: 1 }),
            }
            out.push((t, f64::NAN));
        }
    }
    (Series::from_points(out), faults)
}

/// One excursion: beyond the limit from `start` to `end` (ms), raised at `raised`, with its extreme.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Excursion {
    /// First sample beyond the limit.
    pub start: i64,
    /// When it had lasted for the on-delay.
    pub raised: i64,
    /// When it had been back beyond the deadband for the off-delay; `None`: not within the recording.
    pub cleared: Option<i64>,
    /// Last sample beyond the limit.
    pub end: i64,
    /// The most extreme value.
    pub extreme: f64,
    /// When that was.
    pub extreme_at: i64,
    /// Time beyond the limit, ms.
    pub beyond_ms: i64,
}

/// How an excursion is raised and cleared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AlarmRule {
    /// The limit.
    pub limit: f64,
    /// It clears only beyond limit − deadband.
    pub deadband: f64,
    /// It must last this long, ms.
    pub on_ms: i64,
    /// It must be over for this long, ms.
    pub off_ms: i64,
}

/// Excursions above a limit. Raised when the value stays above for the on-delay, cleared when it stays below
/// limit − deadband for the off-delay; each re-crossing restarts the timer. On-delay, off-delay and deadband
/// are the mechanisms of IEC 62682 / ISA-18.2 (figures there from memory; here they are the caller's).
pub fn excursions_above(points: impl IntoIterator<Item = (i64, f64)>, rule: AlarmRule) -> Vec<Excursion> {
    let mut found: Vec<Excursion> = Vec::new();
    let mut pending: Option<Excursion> = None; // above, not yet raised
    let mut active = false;
    let mut below_since: Option<i64> = None;
    let mut last: Option<(i64, bool)> = None;
    for (t, v) in points {
        if v.is_nan() {
            continue;
        }
        let above = v > rule.limit;
        let silent = last.is_some_and(|l| t - l.0 > SILENCE_MS);
        if silent {
            pending = None;
        }
        let beyond = last.filter(|l| l.1 && above && !silent).map_or(0, |l| t - l.0);
        last = Some((t, above));
        let current = if active { found.last_mut() } else { pending.as_mut() };
        if let Some(e) = current.filter(|_| above) {
            e.end = t;
            e.beyond_ms += beyond;
            if v > e.extreme {
                (e.extreme, e.extreme_at) = (v, t);
            }
        }
        if active {
            if v < rule.limit - rule.deadband {
                let since = *below_since.get_or_insert(t);
                if t - since >= rule.off_ms {
                    if let Some(e) = found.last_mut() {
                        e.cleared = Some(t);
                    }
                    (active, below_since, pending) = (false, None, None);
                }
            } else {
                below_since = None;
            }
        } else if above {
            let e = *pending.get_or_insert(Excursion {
                start: t,
                raised: t,
                cleared: None,
                end: t,
                extreme: v,
                extreme_at: t,
                beyond_ms: 0,
            });
            if t - e.start >= rule.on_ms {
                found.push(Excursion { raised: t, ..e });
                active = true;
            }
        } else {
            pending = None;
        }
    }
    found
}

/// Excursions below a limit: the mirror image of [`excursions_above`].
pub fn excursions_below(points: impl IntoIterator<Item = (i64, f64)>, rule: AlarmRule) -> Vec<Excursion> {
    let mirrored = AlarmRule { limit: -rule.limit, ..rule };
    excursions_above(points.into_iter().map(|(t, v)| (t, -v)), mirrored)
        .into_iter()
        .map(|e| Excursion { extreme: -e.extreme, ..e })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check value D5 (concepts of IEC 62682): limit 55, deadband 2, 5 s / 5 s; raised at 10 s, cleared at 21 s.
    /// The dip at 4 s restarts the on-delay.
    #[test]
    fn on_delay_off_delay_and_deadband() {
        let t = [
            54.0, 54.0, 56.0, 56.0, 54.5, 56.0, 56.0, 56.0, 56.0, 56.0, 56.0, 55.5, 54.0, 53.5, 53.2, 53.1, 52.9, 52.9,
            52.9, 52.9, 52.9, 52.9, 53.5, 52.0, 52.0, 52.0, 52.0, 52.0, 52.0, 52.0,
        ];
        let rule = AlarmRule { limit: 55.0, deadband: 2.0, on_ms: 5000, off_ms: 5000 };
        let found = excursions_above(t.iter().enumerate().map(|(k, v)| (k as i64 * 1000, *v)), rule);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].raised, found[0].cleared), (10_000, Some(21_000)));
        assert_eq!((found[0].start, found[0].end), (5_000, 11_000));
    }

    #[test]
    fn below_is_the_mirror_image() {
        let rule = AlarmRule { limit: 0.0, deadband: 1.0, on_ms: 2000, off_ms: 2000 };
        let found = excursions_below([(0, 1.0), (1000, -1.0), (2000, -3.0), (3000, -1.0), (4000, 2.0)], rule);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].extreme, -3.0);
    }

    #[test]
    fn a_broken_wire_is_not_heat() {
        let healthy = (0..60).map(|s| (s * 1000, 25.0));
        let broken = (60..400).map(|s| (s * 1000, 150.0));
        let (clean, faults) = plausible(&Series::from_points(healthy.chain(broken)), EQUIPMENT);
        assert_eq!(clean.max(0, 500_000).unwrap().1, 25.0);
        assert_eq!(faults.len(), 1);
        assert_eq!(faults[0].samples, 340);
    }

    #[test]
    fn a_sensor_that_comes_back_elsewhere_is_believed_when_it_lives() {
        // 25 degC; open for an hour; then 60 degC and rising, or stuck at 60, or back after a minute.
        let scene = |open_s: i64, rate: f64| {
            let value = move |s: i64| match s {
                0..600 => 25.0,
                s if s < 600 + open_s => -60.0,
                s => 60.0 + rate * (s - 600 - open_s) as f64 / 3600.0,
            };
            let (clean, _) = plausible(&Series::from_points((0..9000).map(|s| (s * 1000, value(s)))), EQUIPMENT);
            clean.max(0, 10_000_000).expect("some value").1
        };
        assert!(scene(3600, 6.0) > 62.0, "{}", scene(3600, 6.0));
        assert_eq!(scene(3600, 0.0), 25.0);
        assert_eq!(scene(60, 6.0), 25.0, "35 K in a minute are no heat");
    }

    #[test]
    fn slow_heat_is_believed() {
        let series = Series::from_points((0..600).map(|s| (s * 1000, 25.0 + s as f64 * 0.1)));
        let (clean, faults) = plausible(&series, CELLS);
        assert!(faults.is_empty());
        assert!(clean.max(0, 600_000).unwrap().1 > 84.0);
    }

    #[test]
    fn the_first_value_after_power_on_does_not_condemn_the_sensor() {
        // 85 degC is what a common sensor says before its first conversion.
        let series = Series::from_points((0..3600).map(|s| (s * 1000, if s < 2 { 85.0 } else { 22.0 })));
        let (clean, faults) = plausible(&series, CELLS);
        assert!(clean.count() > 3400, "{} believed, {faults:?}", clean.count());
        assert!(clean.points().all(|p| p.1.is_nan() || p.1 == 22.0));
        assert_eq!(faults.len(), 1);
    }

    #[test]
    fn a_silence_is_not_time_above_the_limit() {
        let rule = AlarmRule { limit: 45.0, deadband: 1.0, on_ms: 60_000, off_ms: 60_000 };
        let minute = |from: i64| (from..from + 100).map(|s| (s * 1000, 50.0));
        let found = excursions_above(minute(0).chain(minute(86_400)), rule);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].beyond_ms, 198_000);
        // Two lone samples a day apart are no minute above the limit.
        assert!(excursions_above([(0, 50.0), (86_400_000, 50.0)], rule).is_empty());
    }
}
