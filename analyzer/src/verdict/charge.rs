//! Shares, energies and efficiencies.

use super::{Context, Measured, named, need_current};
use crate::battery::Life;
use crate::report::format;
use crate::view::BankView;
use ampwake_schemas::intent::Requirement;

/// The named sources' part of the charge that all sources of their group (else all) gave.
pub fn share(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let view = c.view;
    let chosen = named(r, c)?;
    let group = view.sources[chosen[0]].intent.group.clone();
    let same = |j: &usize| group.is_none() || view.sources[*j].intent.group == group;
    let all: Vec<usize> = (0..view.sources.len()).filter(same).collect();
    need_current(c, &all)?;
    let charge = |j: usize| crate::figures::charge(view, j, 0, view.grid.len);
    let mine: Vec<_> = chosen.iter().map(|j| charge(*j)).collect();
    let others: Vec<_> = all.iter().filter(|j| !chosen.contains(j)).map(|j| charge(*j)).collect();
    let (q, total) = (mine.iter().map(|x| x.ah).sum::<f64>(), mine.iter().chain(&others).map(|x| x.ah).sum::<f64>());
    if total <= 0.0 || total < 3.0 * mine.iter().chain(&others).map(|x| x.u_ah).fold(0.0, f64::hypot) {
        return Err("the sources gave too little charge to share out".into());
    }
    // share = q / (q + p): du² = (p·u_q / T²)² + (q·u_p / T²)² (JCGM 100, 5.1.2).
    let p = total - q;
    let u_q = mine.iter().map(|x| x.u_ah).fold(0.0, f64::hypot);
    let u_p = others.iter().map(|x| x.u_ah).fold(0.0, f64::hypot);
    let u = (p * u_q / total.powi(2)).hypot(q * u_p / total.powi(2));
    let how = format!("{} of {} that these sources gave", format::amp_hours(q), format::amp_hours(total));
    Ok(Measured::new(q / total, u, how).weighing(total).with("charge_ah", q, 2).with("charge_of_all_ah", total, 2))
}

/// Mean energy per day over the days seen.
pub fn energy_per_day(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let view = c.view;
    let sources = named(r, c)?;
    need_current(c, &sources)?;
    let seen = sources.iter().map(|j| seen_or_asleep(view, *j)).min().unwrap_or(0);
    let seen_s = seen as f64 * view.grid.step_s();
    let days = seen_s / 86_400.0;
    if days <= 0.0 {
        return Err("these sources were never seen".into());
    }
    let given: Vec<_> = sources.iter().map(|j| crate::figures::charge(view, *j, 0, view.grid.len)).collect();
    let energy: f64 = given.iter().map(|g| g.wh).sum();
    let charge_u = given.iter().map(|g| g.u_ah).fold(0.0, f64::hypot);
    let u = charge_u * view.intent.nominal_v / days;
    Ok(Measured::new(energy / days, u, "energy over the time seen").weighing(days))
}

/// A daily yield needs a whole day, or nearly.
pub(super) fn whole_days(m: Measured) -> Result<Measured, String> {
    let days = m.weight;
    if days < 0.8 {
        return Err(format!(
            "only {} of these sources were seen: a daily yield needs a whole day",
            format::duration(days * 86_400.0)
        ));
    }
    Ok(Measured { how: format!("mean over {days:.1} days seen"), ..m }.with("days_seen", days, 2))
}

/// Cells in which source `j` was seen. A regulator that goes silent with the sun was not giving when it was last heard: while
/// the bank is heard, its nights count as seen, or each day's yield would be taken for that of half a day.
fn seen_or_asleep(view: &BankView, j: usize) -> usize {
    let s = &view.sources[j];
    let mut resting = false;
    let mut seen = 0;
    for k in 0..view.grid.len {
        let known = !s.current[k].is_nan();
        if known {
            resting = !s.gives[k];
        }
        seen += usize::from(known || (resting && !view.voltage[k].is_nan()));
    }
    seen
}

/// Capacity between two moments at which the state of charge is known, Ah.
pub fn bank_capacity(life: &Life) -> Result<Measured, String> {
    let found = life.capacity()?;
    let (from, to) = (found.from.anchor, found.to.anchor);
    let how = format!(
        "{} between {} and {} of charge",
        format::amp_hours(found.charge_ah.abs()),
        format::percent(from.soc),
        format::percent(to.soc)
    );
    Ok(Measured::new(found.ah, found.u_ah, how)
        .with("charge_ah", found.charge_ah, 1)
        .with("soc_from", from.soc, 3)
        .with("soc_to", to.soc, 3)
        .with("soc_from_uncertainty", from.u_soc, 3)
        .with("soc_to_uncertainty", to.u_soc, 3))
}

/// DC energy over AC energy in steady windows: both known, and the output within 5 % of its mean over a minute.
pub fn efficiency(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let view = c.view;
    let s = &view.sources[named(r, c)?[0]];
    let alone = view.sources.iter().filter(|o| o.intent.fed_by == s.intent.fed_by).count() == 1;
    let ac = s.intent.fed_by.as_ref().and_then(|n| view.vessel.ac_sources.iter().find(|a| a.name == *n));
    let signal = s.intent.signals.input_power.as_ref().or(ac.filter(|_| alone).and_then(|a| a.signals.get("power")));
    let input = view.grid.means(&c.recording.signal(signal.ok_or("no input power is named for this source alone")?));
    let minute = view.grid.cells(60.0);
    let (mut dc, mut used, mut cells) = (0.0, 0.0, 0_usize);
    for start in (0..view.grid.len).step_by(minute) {
        let w = start..(start + minute).min(view.grid.len);
        let out: Vec<f64> = w
            .clone()
            .map(|k| s.current[k] * if s.voltage[k].is_nan() { view.voltage[k] } else { s.voltage[k] })
            .collect();
        let ac: Vec<f64> = w.map(|k| input[k]).collect();
        let whole = out.iter().chain(&ac).all(|x| x.is_finite());
        let mean = out.iter().sum::<f64>() / out.len() as f64;
        let steady = out.iter().all(|p| (p - mean).abs() < 0.05 * mean);
        if whole && steady && mean > 0.2 * s.intent.rated_a * view.intent.nominal_v {
            dc += out.iter().sum::<f64>();
            used += ac.iter().sum::<f64>();
            cells += out.len();
        }
    }
    if cells < view.grid.cells(600.0) || used <= 0.0 {
        return Err("less than ten minutes of steady output with the input power measured".into());
    }
    let eta = dc / used;
    let i = dc / cells as f64 / view.intent.nominal_v;
    // 2 % for the AC side (common practice, no source): the intent gives no accuracy for AC power.
    let u = eta * (view.u_current(i) / i).hypot(0.02);
    Ok(Measured::new(
        eta,
        u,
        format!("DC over AC energy in {} of steady output", format::duration(cells as f64 * view.grid.step_s())),
    )
    .weighing(used))
}

/// Density of diesel fuel, kg/L (0.84694: U.S. DOE table for low-sulfur diesel, 3206 g per U.S. gallon).
const DIESEL_KG_PER_L: f64 = 0.84694;

/// Fuel per AC energy: g/kWh = L/h · kg/L · 1000 / kW, over the time in which both are known and the set runs.
pub fn specific_fuel(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let ac = c
        .view
        .vessel
        .ac_sources
        .iter()
        .find(|a| r.sources.is_empty() || r.sources.contains(&a.name))
        .ok_or("no AC source is named")?;
    let (fuel, power) = ac
        .signals
        .get("fuel_rate")
        .zip(ac.signals.get("power"))
        .ok_or("fuel_rate and power of the generator are not both named")?;
    let grid = c.view.grid;
    let (fuel, power) = (grid.means(&c.recording.signal(fuel)), grid.means(&c.recording.signal(power)));
    let both: Vec<(f64, f64)> =
        fuel.into_iter().zip(power).filter(|(f, p)| f.is_finite() && p.is_finite() && *p > 100.0).collect();
    if both.len() < grid.cells(900.0) {
        return Err("less than 15 minutes with fuel rate and power measured".into());
    }
    let litres: f64 = both.iter().map(|b| b.0).sum();
    let kilowatts: f64 = both.iter().map(|b| b.1 / 1000.0).sum();
    let value = litres * DIESEL_KG_PER_L * 1000.0 / kilowatts;
    // 3 % for a flow meter and 2 % for power (common practice, no source).
    Ok(Measured::new(value, 0.036 * value, "fuel mass over AC energy while it ran").weighing(kilowatts))
}

#[cfg(test)]
#[path = "charge_tests.rs"]
mod tests;
