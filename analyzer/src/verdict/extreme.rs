//! Extremes and means: temperatures, cell voltage, stage voltage, input current, generator load.

use super::current::rolling_means;
use super::{Context, Measured, named};
use crate::report::format;
use crate::series::Series;
use crate::stats;
use ampwake_schemas::intent::{Limit, Requirement, Signal};

/// The extreme that matters for the limit: the highest for "at most", the lowest for "at least".
fn extreme(values: impl Iterator<Item = f64>, limit: Limit) -> Option<f64> {
    let finite = values.filter(|v| v.is_finite());
    match limit {
        Limit::AtMost(_) => finite.reduce(f64::max),
        Limit::AtLeast(_) => finite.reduce(f64::min),
    }
}

/// One-minute means, so that the extreme is the temperature's and not the noise's.
fn minutes(c: &Context, values: &[f64]) -> Vec<f64> {
    let half = c.view.grid.cells(30.0);
    let (mut sum, mut count) = (vec![0.0; values.len() + 1], vec![0_u32; values.len() + 1]);
    for (k, v) in values.iter().enumerate() {
        sum[k + 1] = sum[k] + if v.is_nan() { 0.0 } else { *v };
        count[k + 1] = count[k] + u32::from(!v.is_nan());
    }
    (0..values.len())
        .map(|k| {
            let (a, b) = (k.saturating_sub(half), (k + half + 1).min(values.len()));
            let n = count[b] - count[a];
            if n == 0 { f64::NAN } else { (sum[b] - sum[a]) / f64::from(n) }
        })
        .collect()
}

fn word(limit: Limit) -> &'static str {
    match limit {
        Limit::AtMost(_) => "highest",
        Limit::AtLeast(_) => "lowest",
    }
}

/// The bank's extreme temperature while it is charged.
pub fn bank_temperature(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let view = c.view;
    let rest = view.rest_current();
    let of = match r.limit {
        Limit::AtMost(_) => &view.hottest,
        Limit::AtLeast(_) => &view.coldest,
    };
    if of.iter().all(|t| t.is_nan()) {
        return Err("no plausible bank temperature was heard".into());
    }
    let of = minutes(c, of);
    let value = extreme((0..view.grid.len).filter(|k| view.current[*k] > rest).map(|k| of[k]), r.limit)
        .ok_or("the bank was not charged while its temperature was known")?;
    let u = view.vessel.accuracy.temperature.of(value);
    Ok(Measured::new(value, u, format!("the {} temperature of the bank while it was charged", word(r.limit))))
}

/// A source's extreme temperature while it gives.
pub fn source_temperature(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let view = c.view;
    let sources = named(r, c)?;
    let known: Vec<usize> =
        sources.iter().copied().filter(|j| view.sources[*j].temperature.iter().any(|t| !t.is_nan())).collect();
    if known.is_empty() {
        return Err("no plausible temperature of this source was heard".into());
    }
    let values = known.iter().flat_map(|j| {
        let s = &view.sources[*j];
        let of = minutes(c, &s.temperature);
        (0..view.grid.len).filter(|k| s.gives[*k]).map(move |k| of[k]).collect::<Vec<_>>()
    });
    let value = extreme(values, r.limit).ok_or("the source gave nothing while its temperature was known")?;
    let u = view.vessel.accuracy.temperature.of(value);
    Ok(Measured::new(value, u, format!("the {} temperature while it gave current", word(r.limit))))
}

/// The extreme cell voltage that the battery reports.
pub fn cell_voltage(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let name = match r.limit {
        Limit::AtMost(_) => "cell_voltage_max",
        Limit::AtLeast(_) => "cell_voltage_min",
    };
    let signal = c.view.intent.signals.further.get(name).ok_or(format!("the intent names no {name} signal"))?;
    let series = c.recording.signal(signal);
    let value = extreme(series.points().map(|p| p.1), r.limit).ok_or("no cell voltage was heard")?;
    // A cell's voltage carries the bank's accuracy divided among the cells, and its own millivolts.
    let u = (c.view.u_voltage(value) / f64::from(c.view.intent.cells_in_series)).hypot(0.005);
    Ok(Measured::new(value, u, format!("the {} cell voltage that the battery reported", word(r.limit))))
}

/// Mean voltage of the steady part of a stage: the longest span of it, without its first and last tenth.
pub fn stage_voltage(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let view = c.view;
    let span = c
        .spans
        .iter()
        .filter(|s| s.stage == r.stage)
        .max_by_key(|s| s.end - s.start)
        .ok_or(format!("the bank was never in {}", r.stage))?;
    let trim = (span.end - span.start) / 10;
    let cells = span.start + trim..span.end - trim;
    let value = stats::mean(cells.clone().map(|k| view.voltage[k])).ok_or("no voltage was measured in that stage")?;
    Ok(Measured::new(
        value,
        view.u_voltage(value),
        format!(
            "the mean bank voltage in the steady part of {} ({})",
            r.stage,
            format::duration((cells.end - cells.start) as f64 * view.grid.step_s())
        ),
    )
    .weighing((cells.end - cells.start) as f64 * view.grid.step_s()))
}

/// Highest 5-minute mean of the AC input current of a source, or of the AC source that feeds it.
pub fn input_current(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let s = &c.view.sources[named(r, c)?[0]];
    let ac = s.intent.fed_by.as_ref().and_then(|n| c.view.vessel.ac_sources.iter().find(|a| a.name == *n));
    let signal: Option<&Signal> = s.intent.signals.input_current.as_ref().or(ac.and_then(|a| a.signals.get("current")));
    let series = c.recording.signal(signal.ok_or("no input current is named for this source")?);
    let value = highest_mean(c, &series).ok_or("its input current was not heard")?;
    Ok(Measured::new(value, c.view.u_current(value), "the highest 5-minute mean of the input current"))
}

/// Load of a generator over its declared limit: highest 5-minute mean for "at most", lowest while it runs for "at least".
pub fn genset_load(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let ac = c
        .view
        .vessel
        .ac_sources
        .iter()
        .find(|a| r.sources.is_empty() || r.sources.contains(&a.name))
        .ok_or("no AC source is named")?;
    let (limit, volts) = ac.limit_a.zip(ac.nominal_v).ok_or("its limit_a and nominal_v are not given")?;
    let power = c.recording.signal(ac.signals.get("power").ok_or("no power signal is named for it")?);
    let grid = c.view.grid;
    let running = |w: f64| if w > 0.02 * limit * volts { w } else { f64::NAN };
    let watts: Vec<f64> = grid.means(&power).into_iter().map(running).collect();
    let means = rolling_means(&watts, grid.cells(300.0));
    let value = extreme(means.into_iter(), r.limit)
        .ok_or("the generator did not run for five minutes with its power measured")?;
    let share = value / (limit * volts);
    // Power class 2 % (common practice, no source): the intent gives no accuracy for AC power.
    Ok(Measured::new(share, 0.02 * share, format!("the {} 5-minute mean of its power over its limit", word(r.limit))))
}

fn highest_mean(c: &Context, series: &Series) -> Option<f64> {
    let grid = c.view.grid;
    rolling_means(&grid.means(series), grid.cells(300.0)).into_iter().filter(|m| !m.is_nan()).reduce(f64::max)
}
