//! Limits of the bank and the sources: temperature, current, voltage, as the profile and the battery set them.

use super::{FindingExt, finding};
use crate::recording::Recording;
use crate::report::format;
use crate::stats;
use crate::temperature::{AlarmRule, CELLS, EQUIPMENT, Excursion, excursions_above, excursions_below, plausible};
use crate::verdict::conformance_probability;
use crate::view::BankView;
use ampwake_schemas::findings::{Finding, Kind, Severity};
use ampwake_schemas::intent::Limit;

/// On- and off-delay of a temperature, ms (60 s: starting value of EEMUA 191 / ISA-18.2, from memory).
const TEMPERATURE_DELAY_MS: i64 = 60_000;
/// Deadband of a temperature, K (1 % of range: as above, from memory).
const TEMPERATURE_DEADBAND_K: f64 = 1.0;

/// Everything about the limits of one bank and its sources.
pub fn remarks(view: &BankView, recording: &Recording) -> Vec<Finding> {
    let mut out = Vec::new();
    out.extend(source_heat(view, recording));
    out.extend(bank_heat(view));
    out.extend(bank_cold(view));
    out.extend(rise(view, recording));
    out.extend(spread(view));
    out.extend(over_current(view));
    out.extend(over_voltage(view));
    out
}

fn points<'a>(view: &'a BankView, values: impl Fn(usize) -> f64 + 'a) -> impl Iterator<Item = (i64, f64)> + 'a {
    (0..view.grid.len).map(move |k| (view.grid.at(k), values(k)))
}

fn span(e: &Excursion) -> (i64, i64) {
    (e.start, e.end)
}

/// How sure it is that the extreme really was beyond the limit.
fn sure(extreme: f64, u: f64, limit: f64, above: bool) -> f64 {
    let limit = if above { Limit::AtLeast(limit) } else { Limit::AtMost(limit) };
    conformance_probability(extreme, u, limit)
}

fn seconds(e: &Excursion) -> f64 {
    e.beyond_ms as f64 / 1000.0
}

fn source_heat(view: &BankView, recording: &Recording) -> Vec<Finding> {
    let mut out = Vec::new();
    for s in &view.sources {
        let (Some(limit), Some(signal)) = (s.intent.max_c, &s.intent.signals.temperature) else { continue };
        let series = plausible(&recording.signal(signal), EQUIPMENT).0;
        let rule = AlarmRule {
            limit,
            deadband: TEMPERATURE_DEADBAND_K,
            on_ms: TEMPERATURE_DELAY_MS,
            off_ms: TEMPERATURE_DELAY_MS,
        };
        for e in excursions_above(series.points(), rule) {
            let u = view.vessel.accuracy.temperature.of(e.extreme);
            let (from, to) = (view.grid.index(e.start), view.grid.index(e.end));
            let current = stats::mean((from..=to).map(|k| s.current[k])).unwrap_or(f64::NAN);
            let summary = format!(
                "{} was above its limit of {} for {}, at most {}.",
                format::sentence_start(&s.intent.name),
                format::setting(limit, "degC"),
                format::duration(seconds(&e)),
                format::celsius(e.extreme)
            );
            out.push(
                finding(
                    Kind::TemperatureExcursion,
                    Severity::Caution,
                    span(&e),
                    sure(e.extreme, u, limit, true),
                    summary,
                )
                .about(&s.intent.name)
                .at(&signal.address)
                .with("temperature_max_c", e.extreme, 1)
                .with("temperature_limit_c", limit, 1)
                .with("above_s", seconds(&e), 0)
                .with("current_mean_a", current, 1)
                .check(&[
                    "check its cooling air, fan and filters, and what stands in front of them",
                    "compare the sensor with a second thermometer before anything is changed",
                ]),
            );
        }
    }
    out
}

fn bank_heat(view: &BankView) -> Vec<Finding> {
    let limit = view.intent.temperature.charge_max_c;
    let rule = AlarmRule {
        limit,
        deadband: TEMPERATURE_DEADBAND_K,
        on_ms: TEMPERATURE_DELAY_MS,
        off_ms: TEMPERATURE_DELAY_MS,
    };
    let rest = view.rest_current();
    excursions_above(points(view, |k| view.hottest[k]), rule)
        .into_iter()
        .map(|e| {
            let cells = view.grid.index(e.start)..=view.grid.index(e.end);
            let charging = cells.filter(|k| view.current[*k] > rest).count() as f64 * view.grid.step_s();
            let u = view.vessel.accuracy.temperature.of(e.extreme);
            let mut summary = format!(
                "The bank was above {}, the highest temperature for charging, for {}, at most {}",
                format::setting(limit, "degC"),
                format::duration(seconds(&e)),
                format::celsius(e.extreme)
            );
            summary.push_str(&if charging >= 60.0 {
                format!(", and was charged for {} of it.", format::duration(charging))
            } else {
                ", without being charged.".to_owned()
            });
            let severity = if charging >= 60.0 { Severity::Danger } else { Severity::Caution };
            finding(Kind::TemperatureExcursion, severity, span(&e), sure(e.extreme, u, limit, true), summary)
                .with("temperature_max_c", e.extreme, 1)
                .with("temperature_limit_c", limit, 1)
                .with("above_s", seconds(&e), 0)
                .with("charging_s", charging, 0)
                .check(&[
                    "stop charging until the cells are back in their window, and follow the battery maker's instructions",
                    "find the heat: loose joint, blocked ventilation, a neighbour's exhaust, too high a current (qualified person)",
                ])
        })
        .collect()
}

fn bank_cold(view: &BankView) -> Vec<Finding> {
    let limit = view.intent.temperature.charge_min_c;
    let rest = view.rest_current();
    let rule = AlarmRule { limit, deadband: 0.5, on_ms: TEMPERATURE_DELAY_MS, off_ms: TEMPERATURE_DELAY_MS };
    // Only the time under charge counts; between charges the alarm clears.
    let while_charged = points(view, |k| match (view.coldest[k], view.current[k]) {
        (t, i) if t.is_nan() || i.is_nan() => f64::NAN,
        (t, i) if i > rest => t,
        _ => limit + 10.0,
    });
    let lithium = !view.intent.chemistry.is_lead_acid();
    excursions_below(while_charged, rule)
        .into_iter()
        .map(|e| {
            let u = view.vessel.accuracy.temperature.of(e.extreme);
            let cells = view.grid.index(e.start)..=view.grid.index(e.end);
            let current = stats::mean(cells.map(|k| view.current[k])).unwrap_or(f64::NAN);
            let summary = format!(
                "The bank was charged for {} below {}, its lowest temperature for charging (coldest {}, {} on average).{}",
                format::duration(seconds(&e)),
                format::setting(limit, "degC"),
                format::celsius(e.extreme),
                format::amps(current),
                if lithium { " Charging lithium cells too cold can plate metallic lithium and damage them for good." } else { "" }
            );
            finding(Kind::ChargeBelowMinimumTemperature, Severity::Danger, span(&e), sure(e.extreme, u, limit, false), summary)
                .with("temperature_min_c", e.extreme, 1)
                .with("temperature_limit_c", limit, 1)
                .with("below_s", seconds(&e), 0)
                .with("current_mean_a", current, 1)
                .check(&[
                    "check that the battery's protection stops charging when cold, and that every charger obeys it",
                    "compare the sensor with a second thermometer; cell temperature counts, not the air's",
                ])
        })
        .collect()
}

/// Fast rise of a bank temperature: slope of a straight line over five minutes, for a minute or more.
fn rise(view: &BankView, recording: &Recording) -> Vec<Finding> {
    let limit = view.intent.temperature.rise_max_c_per_min;
    let mut out = Vec::new();
    for signal in &view.intent.signals.temperature {
        let clean = plausible(&recording.signal(signal), CELLS).0;
        let cells = view.grid.means(&clean);
        let (five, stride) = (view.grid.cells(300.0), view.grid.cells(15.0));
        let slopes: Vec<(i64, f64)> = (five..cells.len())
            .step_by(stride)
            .map(|k| {
                let minutes = |x: usize| x as f64 * view.grid.step_s() / 60.0;
                let window = (k - five..k).step_by(view.grid.cells(5.0));
                // A few samples after a silence are not five minutes.
                let whole = window.len() * 4;
                let fit = stats::line(window.map(|x| (minutes(x), cells[x]))).filter(|f| f.n * 5 >= whole);
                (view.grid.at(k), fit.map_or(f64::NAN, |f| f.slope))
            })
            .collect();
        let rule = AlarmRule { limit, deadband: 0.2 * limit, on_ms: 60_000, off_ms: 60_000 };
        for e in excursions_above(slopes, rule) {
            let severity = if e.extreme >= 2.0 { Severity::Danger } else { Severity::Caution };
            let summary = format!(
                "A temperature of the bank rose by up to {:.1} K/min, more than the {:.1} K/min allowed, for {}.",
                e.extreme,
                limit,
                format::duration(seconds(&e).max(60.0))
            );
            out.push(
                finding(Kind::TemperatureRise, severity, (e.start - 300_000, e.end), 0.8, summary)
                    .at(&signal.address)
                    .with("rise_max_k_per_min", e.extreme, 2)
                    .with("rise_limit_k_per_min", limit, 2)
                    .check(&["look for the cause at once: a hot joint or a failing cell (qualified person)"]),
            );
        }
    }
    out
}

fn spread(view: &BankView) -> Vec<Finding> {
    let cells = ["cell_temperature_min", "cell_temperature_max"];
    let both = cells.iter().all(|role| view.intent.signals.further.contains_key(*role));
    if view.intent.signals.temperature.len() < 2 && !both {
        return Vec::new();
    }
    let limit = view.intent.temperature.spread_max_c;
    let rule = AlarmRule { limit, deadband: 1.0, on_ms: 300_000, off_ms: 300_000 };
    excursions_above(points(view, |k| view.hottest[k] - view.coldest[k]), rule)
        .into_iter()
        .map(|e| {
            let summary = format!(
                "The bank's temperature sensors differed by up to {:.1} K, more than the {:.1} K allowed, for {}.",
                e.extreme,
                limit,
                format::duration(seconds(&e))
            );
            finding(Kind::TemperatureSpread, Severity::Caution, span(&e), 0.8, summary)
                .with("spread_max_k", e.extreme, 1)
                .with("spread_limit_k", limit, 1)
                .check(&["compare the sensors with each other at rest", "check the ventilation between the packs"])
        })
        .collect()
}

fn over_current(view: &BankView) -> Vec<Finding> {
    let over = |k: usize| {
        let limit = view.charge_limit[k];
        view.current[k] - limit - 2.0 * view.u_current(limit)
    };
    // Ten seconds: long enough to be the charge and not the switching of a load.
    let rule = AlarmRule { limit: 0.0, deadband: 0.0, on_ms: 10_000, off_ms: 10_000 };
    excursions_above(points(view, over), rule)
        .into_iter()
        .map(|e| {
            let k = view.grid.index(e.extreme_at);
            let (amps, limit) = (view.current[k], view.charge_limit[k]);
            let (kind, severity, whose) = if view.limit_is_live[k] {
                (Kind::BatteryLimitExceeded, Severity::Danger, "the battery's own live limit")
            } else if amps > 1.2 * limit {
                (Kind::OverCurrent, Severity::Danger, "the bank's limit")
            } else {
                (Kind::OverCurrent, Severity::Caution, "the bank's limit")
            };
            let summary = format!(
                "The bank was charged with up to {}, above {whose} of {}, for {}.",
                format::amps(amps),
                format::setting(limit, "A"),
                format::duration(seconds(&e))
            );
            finding(kind, severity, span(&e), 0.9, summary)
                .with("current_max_a", amps, 1)
                .with("limit_a", limit, 1)
                .with("above_s", seconds(&e), 0)
                .check(&["add up the current limits of all sources and compare with the battery maker's limit"])
        })
        .collect()
}

fn over_voltage(view: &BankView) -> Vec<Finding> {
    let equalising = |k: usize| {
        view.intent.chemistry.is_lead_acid()
            && view.sources.iter().any(|s| s.reported[k] == Some(crate::state::Reported::Equalise))
    };
    let over = |k: usize| {
        // Where the battery's own limit is the lower one, that is what counts: see `battery`.
        if equalising(k) || view.voltage_limit[k] <= view.absorption_v[k] {
            f64::NAN
        } else {
            view.voltage[k] - view.absorption_v[k] - view.band(view.absorption_v[k])
        }
    };
    let rule = AlarmRule { limit: 0.0, deadband: 0.0, on_ms: 30_000, off_ms: 30_000 };
    let cells = f64::from(view.intent.cells_in_series);
    excursions_above(points(view, over), rule)
        .into_iter()
        .map(|e| {
            let k = view.grid.index(e.extreme_at);
            let (volts, target) = (view.voltage[k], view.absorption_v[k]);
            let stop = crate::view::compensated(
                view.intent,
                view.intent.chemistry.defaults().hard_stop_v * cells,
                view.temperature[k],
            );
            let severity = if volts > stop { Severity::Danger } else { Severity::Caution };
            let summary = format!(
                "The bank was at up to {}, above the profile's {}, for {}.",
                format::volts(volts),
                format::volts(target),
                format::duration(seconds(&e))
            );
            finding(Kind::OverVoltage, severity, span(&e), 0.9, summary)
                .with("voltage_max_v", volts, 2)
                .with("profile_absorption_v", target, 2)
                .with("hard_stop_v", stop, 2)
                .with("above_s", seconds(&e), 0)
                .check(&["compare the set-points of every source with the profile, and where each senses its voltage"])
        })
        .collect()
}

#[cfg(test)]
#[path = "limits_tests.rs"]
mod tests;
