//! Held currents, voltage drop and power.

use super::{Context, Measured, named, need_current};
use crate::report::format;
use crate::stats;
use crate::view::Input;
use ampwake_schemas::findings::Stage;
use ampwake_schemas::intent::Requirement;

/// The current that was held: the lowest 5-minute mean within the best window of `hold_min`, each source
/// divided by its declared derating alone (100 A cold and 60 A hot is not 100 A).
pub fn held(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let sources = named(r, c)?;
    need_current(c, &sources)?;
    let view = c.view;
    let mask = stage_mask(r, c, &sources);
    let total: Vec<f64> = (0..view.grid.len)
        .map(|k| {
            if !mask[k] {
                return f64::NAN;
            }
            sources
                .iter()
                .map(|j| {
                    let s = &view.sources[*j];
                    let factor = stats::interpolate(&s.intent.derate, s.temperature[k])
                        .filter(|f| f.is_finite() && *f > 0.05)
                        .unwrap_or(1.0);
                    s.current[k] / factor
                })
                .sum()
        })
        .collect();
    let best = best_window(&total, view.grid.step_s(), r.hold_min * 60.0).ok_or_else(|| {
        let all = if sources.len() > 1 { "they all had their input" } else { "it had its input" };
        format!("the bank was never in {} for five minutes while {all} and the current was measured", r.stage)
    })?;
    // A lag of an unsynchronised sender does not matter for a five-minute mean; the class of the sensors does,
    // and it does not average out (JCGM 100, 4.3).
    let per_source = best.value / sources.len() as f64;
    let u = (sources.len() as f64).sqrt() * view.u_current(per_source);
    let how = format!(
        "the lowest 5-minute mean in the best {} of {}",
        format::duration(best.seconds),
        if r.stage == Stage::Bulk { "charging below the set-point".to_owned() } else { r.stage.to_string() }
    );
    Ok(Measured::new(best.value, u, how)
        .with("window_start_s", (view.grid.at(best.start) - view.grid.start) as f64 / 1000.0, 0)
        .with("window_s", best.seconds, 0))
}

/// Cells of the requirement's stage in which all the named sources had their input: what a source without input holds
/// says nothing about it. A source at its limit does not care which way the bank current flows, so bulk includes the
/// time in which the loads take more than all sources give.
fn stage_mask(r: &Requirement, c: &Context, sources: &[usize]) -> Vec<bool> {
    let stage = crate::stages::per_cell(c.spans, c.view.grid.len);
    let fed = |k: usize| sources.iter().all(|j| c.view.sources[*j].input[k] == Input::Present);
    (0..c.view.grid.len)
        .map(|k| {
            let carrying = stage[k] == Stage::Discharge && sources.iter().any(|j| c.view.sources[*j].gives[k]);
            (stage[k] == r.stage || (r.stage == Stage::Bulk && carrying)) && fed(k)
        })
        .collect()
}

struct Window {
    value: f64,
    start: usize,
    seconds: f64,
}

/// Largest over all windows of `hold_s` (or the whole stretch where shorter, at least five minutes) of the smallest
/// 5-minute mean inside.
fn best_window(x: &[f64], step_s: f64, hold_s: f64) -> Option<Window> {
    let five = ((300.0 / step_s).round() as usize).max(1);
    let mut best: Option<Window> = None;
    let mut k = 0;
    while k < x.len() {
        if x[k].is_nan() {
            k += 1;
            continue;
        }
        // A stretch without holes longer than half a minute.
        let start = k;
        let mut last = k;
        while k < x.len() && (!x[k].is_nan() || (k - last) as f64 * step_s <= 30.0) {
            if !x[k].is_nan() {
                last = k;
            }
            k += 1;
        }
        let part = &x[start..(last + 1).min(x.len())];
        if part.len() < five {
            continue;
        }
        let means = rolling_means(part, five);
        // A stretch shorter than the hold is judged as a whole, but for two minutes of starting and of changing over.
        let whole = part.len().saturating_sub((240.0 / step_s) as usize).max(five);
        let window = ((hold_s / step_s).round() as usize).clamp(five, whole);
        let minima = rolling_minima(&means, window - five + 1);
        for (at, value) in minima.iter().enumerate().filter(|m| !m.1.is_nan()) {
            if best.as_ref().is_none_or(|b| *value > b.value) {
                best = Some(Window { value: *value, start: start + at, seconds: window as f64 * step_s });
            }
        }
    }
    best
}

/// Means over every `width` values; NaN where fewer than four fifths of them are known.
pub(super) fn rolling_means(x: &[f64], width: usize) -> Vec<f64> {
    let (mut sum, mut n) = (0.0, 0_usize);
    let mut out = Vec::with_capacity((x.len() + 1).saturating_sub(width));
    for k in 0..x.len() {
        if !x[k].is_nan() {
            (sum, n) = (sum + x[k], n + 1);
        }
        if k >= width && !x[k - width].is_nan() {
            (sum, n) = (sum - x[k - width], n - 1);
        }
        if k + 1 >= width {
            out.push(if n * 5 >= width * 4 { sum / n as f64 } else { f64::NAN });
        }
    }
    out
}

fn rolling_minima(x: &[f64], width: usize) -> Vec<f64> {
    let mut queue: std::collections::VecDeque<usize> = std::collections::VecDeque::new();
    let mut out = Vec::with_capacity((x.len() + 1).saturating_sub(width));
    for k in 0..x.len() {
        // A mean that was not seen makes the window worthless: treat it as minus infinity.
        let value = |i: usize| if x[i].is_nan() { f64::NEG_INFINITY } else { x[i] };
        while queue.back().is_some_and(|b| value(*b) >= value(k)) {
            queue.pop_back();
        }
        queue.push_back(k);
        while queue.front().is_some_and(|f| f + width <= k) {
            queue.pop_front();
        }
        if k + 1 >= width {
            let low = queue.front().map_or(f64::NAN, |f| value(*f));
            out.push(if low.is_finite() { low } else { f64::NAN });
        }
    }
    out
}

/// Source volts less bank volts, scaled to rated current; undetermined below a third of it.
pub fn voltage_drop(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let view = c.view;
    let j = named(r, c)?[0];
    let s = &view.sources[j];
    let name = format::plain(&s.intent.name);
    if s.voltage.iter().all(|v| v.is_nan()) || s.current.iter().all(|i| i.is_nan()) {
        return Err(format!("voltage and current at {name} were not both measured"));
    }
    let rated = s.intent.set_a.unwrap_or(s.intent.rated_a);
    let cells: Vec<usize> = (0..view.grid.len)
        .filter(|k| s.current[*k] >= rated / 3.0 && (s.voltage[*k] - view.voltage[*k]).is_finite())
        .collect();
    if cells.len() < view.grid.cells(60.0) {
        return Err(format!("{name} never gave a third of its rating for a minute"));
    }
    let drop = stats::median(cells.iter().map(|k| (s.voltage[*k] - view.voltage[*k]) * rated / s.current[*k]))
        .ok_or("no steady values")?;
    let current = stats::median(cells.iter().map(|k| s.current[*k])).unwrap_or(rated);
    let u = std::f64::consts::SQRT_2 * view.u_voltage(view.intent.nominal_v) * rated / current;
    Ok(Measured::new(drop, u, format!("terminal voltage less bank voltage, scaled to {}", format::setting(rated, "A")))
        .weighing(cells.len() as f64 * view.grid.step_s())
        .with("current_median_a", current, 1))
}

/// Highest 5-minute mean of the power of the named sources.
pub fn power(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let sources = named(r, c)?;
    need_current(c, &sources)?;
    let view = c.view;
    let watts: Vec<f64> = (0..view.grid.len)
        .map(|k| {
            sources
                .iter()
                .map(|j| {
                    let s = &view.sources[*j];
                    let v = if s.voltage[k].is_nan() { view.voltage[k] } else { s.voltage[k] };
                    // Not `max`, which would make nothing of an unknown current.
                    if s.current[k] < 0.0 { 0.0 } else { s.current[k] * v }
                })
                .sum()
        })
        .collect();
    let best = rolling_means(&watts, view.grid.cells(300.0)).into_iter().filter(|m| !m.is_nan()).reduce(f64::max);
    let best = best.ok_or("these sources were not seen for five minutes together")?;
    if best <= 0.0 {
        return Err("these sources gave nothing".into());
    }
    let v = view.intent.nominal_v;
    let u = power_uncertainty(v, view.u_voltage(v), best / v, view.u_current(best / v));
    Ok(Measured::new(best, u, "the highest 5-minute mean"))
}

/// Standard uncertainty of a product of volts and amps (JCGM 100, 5.1.2): sqrt((I·u_V)² + (V·u_I)²), W.
pub fn power_uncertainty(v: f64, u_v: f64, i: f64, u_i: f64) -> f64 {
    (i * u_v).hypot(v * u_i)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cold_hundred_and_hot_sixty_is_not_a_hundred() {
        let x: Vec<f64> = (0..3600).map(|k| if k < 1200 { 100.0 } else { 60.0 }).collect();
        assert!((best_window(&x, 1.0, 1800.0).unwrap().value - 60.0).abs() < 1e-9);
        assert!((best_window(&x, 1.0, 900.0).unwrap().value - 100.0).abs() < 1e-9);
    }

    #[test]
    fn holes_before_the_stretch_do_not_hide_it() {
        let x: Vec<f64> = (0..1000).map(|k| if k < 50 { f64::NAN } else { 95.0 }).collect();
        assert_eq!(best_window(&x, 1.0, 600.0).unwrap().value, 95.0);
    }

    #[test]
    fn a_short_stage_is_judged_as_a_whole() {
        let x = vec![80.0; 400];
        let w = best_window(&x, 1.0, 1800.0).unwrap();
        assert_eq!((w.value, w.seconds), (80.0, 300.0));
        assert!(best_window(&x[..200], 1.0, 1800.0).is_none());
    }
}
