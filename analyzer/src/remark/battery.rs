//! What the battery's own protection says, where the intent names its signals: limits that were not kept, cells
//! that drift apart, contactors that open again and again, insulation that fails.

use super::{FindingExt, finding};
use crate::recording::Recording;
use crate::report::format;
use crate::series::Series;
use crate::stats;
use crate::temperature::{AlarmRule, Excursion, excursions_above, excursions_below};
use crate::view::{BankView, compensated};
use ampwake_schemas::findings::{Finding, Kind, Severity};
use ampwake_schemas::intent::Signal;
use std::collections::VecDeque;

/// Spread of the cells that wants balancing, V (common practice, no source).
const SPREAD_V: f64 = 0.1;
/// For how long, ms: a loaded cell recovers in seconds.
const SPREAD_MS: i64 = 300_000;
/// A cell beyond its hard stop is one for a few seconds already, ms.
const CELL_MS: i64 = 10_000;
/// Openings within an hour that are no sailing habit (common practice, no source).
const OPENINGS: usize = 3;
const HOUR_MS: i64 = 3_600_000;
/// Least insulation, ohm per volt of nominal voltage (IEC 61557-8 / common practice, from memory).
const OHM_PER_V: f64 = 100.0;
/// Beyond this DC voltage an insulation fault can hurt people (limit of extra-low voltage, IEC 61140, from memory).
const EXTRA_LOW_V: f64 = 60.0;

/// Everything that the protection's signals tell.
pub fn remarks(view: &BankView, recording: &Recording) -> Vec<Finding> {
    let mut out = Vec::new();
    let signal = |role: &str| view.intent.signals.further.get(role);
    if let Some(high) = signal("cell_voltage_max") {
        out.extend(cell_too_high(view, recording, high));
        if let Some(low) = signal("cell_voltage_min") {
            out.extend(imbalance(view, recording, low, high));
        }
    }
    out.extend(above_own_limit(view));
    if let Some(contactor) = signal("contactor") {
        out.extend(cycling(view, recording, contactor));
    }
    if let Some(resistance) = signal("isolation_resistance") {
        out.extend(isolation(view, recording, resistance));
    }
    out
}

fn seconds(e: &Excursion) -> f64 {
    e.beyond_ms as f64 / 1000.0
}

/// A cell above the chemistry's hard stop, although the bank as a whole may be where it should.
fn cell_too_high(view: &BankView, recording: &Recording, high: &Signal) -> Vec<Finding> {
    let cells = view.grid.means(&recording.signal(high));
    let stop_at = |k: usize| {
        // Compensated like a set-point, for one cell of the bank.
        let whole = view.intent.chemistry.defaults().hard_stop_v * f64::from(view.intent.cells_in_series);
        compensated(view.intent, whole, view.temperature[k]) / f64::from(view.intent.cells_in_series)
    };
    let beyond = (0..view.grid.len).map(|k| (view.grid.at(k), cells[k] - stop_at(k)));
    let rule = AlarmRule { limit: 0.0, deadband: 0.01, on_ms: CELL_MS, off_ms: CELL_MS };
    excursions_above(beyond, rule)
        .into_iter()
        .map(|e| {
            let k = view.grid.index(e.extreme_at);
            let summary = format!(
                "The highest cell was at up to {:.3} V, above the {:.2} V at which charging this chemistry has to stop, for {}.",
                cells[k],
                stop_at(k),
                format::duration(seconds(&e))
            );
            finding(Kind::OverVoltage, Severity::Danger, (e.start, e.end), 0.9, summary)
                .at(&high.address)
                .with("cell_voltage_max_v", cells[k], 3)
                .with("hard_stop_v", stop_at(k), 3)
                .with("bank_voltage_v", view.voltage[k], 2)
                .with("above_s", seconds(&e), 0)
                .check(&[
                    "stop charging to this voltage until the battery's protection and its balancing are checked",
                    "compare the absorption set-point, divided by the cells in series, with the battery maker's limit",
                ])
        })
        .collect()
}

/// Cells that stay apart while the bank is charged: the highest ends the charge before the lowest is full.
fn imbalance(view: &BankView, recording: &Recording, low: &Signal, high: &Signal) -> Vec<Finding> {
    let (lows, highs) = (view.grid.means(&recording.signal(low)), view.grid.means(&recording.signal(high)));
    let rest = view.rest_current();
    let spread = |k: usize| {
        // Between charges the alarm clears; where something is unknown it waits.
        match view.current[k] {
            i if i.is_nan() => f64::NAN,
            i if i > rest => highs[k] - lows[k],
            _ => 0.0,
        }
    };
    let rule = AlarmRule { limit: SPREAD_V, deadband: 0.2 * SPREAD_V, on_ms: SPREAD_MS, off_ms: 60_000 };
    excursions_above((0..view.grid.len).map(|k| (view.grid.at(k), spread(k))), rule)
        .into_iter()
        .map(|e| {
            let k = view.grid.index(e.extreme_at);
            let summary = format!(
                "Under charge the cells were up to {:.0} mV apart (lowest {:.3} V, highest {:.3} V), more than {:.0} mV for {}.",
                1000.0 * e.extreme,
                lows[k],
                highs[k],
                1000.0 * SPREAD_V,
                format::duration(seconds(&e))
            );
            finding(Kind::CellImbalance, Severity::Caution, (e.start, e.end), 0.85, summary)
                .at(&high.address)
                .with("spread_max_v", e.extreme, 3)
                .with("spread_limit_v", SPREAD_V, 3)
                .with("cell_voltage_min_v", lows[k], 3)
                .with("cell_voltage_max_v", highs[k], 3)
                .with("bank_current_a", view.current[k], 1)
                .with("above_s", seconds(&e), 0)
                .check(&[
                    "let the battery balance: a full absorption at low current, as its maker describes it",
                    "if it comes back, have the weak cell and its joints measured (qualified person)",
                ])
        })
        .collect()
}

/// The bank above the charge voltage that the battery itself allowed at that moment.
fn above_own_limit(view: &BankView) -> Vec<Finding> {
    let over = |k: usize| {
        let limit = view.voltage_limit[k];
        view.voltage[k] - limit - view.band(limit)
    };
    let rule = AlarmRule { limit: 0.0, deadband: 0.0, on_ms: 30_000, off_ms: 30_000 };
    excursions_above((0..view.grid.len).map(|k| (view.grid.at(k), over(k))), rule)
        .into_iter()
        // A bank that rests above a limit that was just lowered does nobody harm.
        .filter(|e| {
            let cells = view.grid.index(e.start)..=view.grid.index(e.end);
            cells.filter(|k| view.current[*k] > view.rest_current()).count() as f64 * view.grid.step_s() >= 30.0
        })
        .map(|e| {
            let k = view.grid.index(e.extreme_at);
            let summary = format!(
                "The bank was charged at up to {}, above the battery's own live limit of {}, for {}.",
                format::volts(view.voltage[k]),
                format::volts(view.voltage_limit[k]),
                format::duration(seconds(&e))
            );
            finding(Kind::BatteryLimitExceeded, Severity::Danger, (e.start, e.end), 0.9, summary)
                .with("voltage_max_v", view.voltage[k], 2)
                .with("limit_v", view.voltage_limit[k], 2)
                .with("above_s", seconds(&e), 0)
                .check(&["find the sources that do not follow the battery's limit: those on set-points of their own"])
        })
        .collect()
}

/// A contactor that opens again and again within an hour.
fn cycling(view: &BankView, recording: &Recording, contactor: &Signal) -> Vec<Finding> {
    let series = recording.signal(contactor);
    let opened = openings(&series);
    let mut out: Vec<Finding> = Vec::new();
    let mut window: VecDeque<i64> = VecDeque::new();
    let mut run: Vec<i64> = Vec::new();
    let finish = |run: &mut Vec<i64>, out: &mut Vec<Finding>| {
        if let (Some(first), Some(last)) = (run.first().copied(), run.last().copied()) {
            let before = |t: &i64| view.grid.index(*t).saturating_sub(view.grid.cells(2.0));
            let charged = run.iter().filter(|t| view.current[before(t)] > view.rest_current()).count();
            let words = if charged > 0 { format!(", {charged} times under charge") } else { String::new() };
            let summary = format!(
                "The battery's contactor opened {} times within {}{words}.",
                run.len(),
                format::duration((last - first) as f64 / 1000.0)
            );
            // Opening under charge takes an alternator's load away.
            let severity = if charged > 0 { Severity::Danger } else { Severity::Caution };
            out.push(
                finding(Kind::ContactorCycling, severity, (first, last), 0.9, summary)
                    .at(&contactor.address)
                    .with("openings", run.len() as f64, 0)
                    .with("openings_under_charge", charged as f64, 0)
                    .check(&[
                        "read the battery's own fault memory: it says which limit made it open",
                        "compare the sources' set-points and current limits with the battery's limits",
                    ]),
            );
        }
        run.clear();
    };
    for t in opened {
        window.push_back(t);
        while window.front().is_some_and(|first| t - first > HOUR_MS) {
            window.pop_front();
        }
        if run.last().is_some_and(|last| t - last > HOUR_MS) {
            finish(&mut run, &mut out);
        }
        if window.len() >= OPENINGS {
            run.extend(window.iter().filter(|t| run.last().is_none_or(|last| *t > last)).copied().collect::<Vec<_>>());
        }
    }
    finish(&mut run, &mut out);
    out
}

/// Times at which a contactor that was closed (code 1) was open (code 0); other codes say neither.
fn openings(series: &Series) -> Vec<i64> {
    let mut closed = false;
    let mut out = Vec::new();
    for (t, v) in series.points() {
        if v == 1.0 {
            closed = true;
        } else if v == 0.0 {
            if closed {
                out.push(t);
            }
            closed = false;
        }
    }
    out
}

/// Insulation resistance between the DC bus and the hull below what the voltage asks for.
fn isolation(view: &BankView, recording: &Recording, resistance: &Signal) -> Vec<Finding> {
    let limit = OHM_PER_V * view.intent.nominal_v;
    let series = recording.signal(resistance);
    let rule = AlarmRule { limit, deadband: 0.1 * limit, on_ms: 60_000, off_ms: 60_000 };
    let severity = if view.intent.nominal_v > EXTRA_LOW_V { Severity::Danger } else { Severity::Caution };
    let whole = stats::median(series.points().map(|p| p.1));
    excursions_below(series.points(), rule)
        .into_iter()
        .map(|e| {
            let summary = format!(
                "The insulation resistance fell to {}, below {} (100 ohm per volt of the bank), for {}.",
                ohms(e.extreme),
                ohms(limit),
                format::duration(seconds(&e))
            );
            finding(Kind::IsolationFault, severity, (e.start, e.end), 0.85, summary)
                .at(&resistance.address)
                .with("resistance_min_ohm", e.extreme, 0)
                .with("limit_ohm", limit, 0)
                .with("resistance_median_ohm", whole.unwrap_or(f64::NAN), 0)
                .with("below_s", seconds(&e), 0)
                .check(&[
                    "keep hands off the DC system until a qualified person has found the fault",
                    "see what was switched on when it fell; look for salt water, chafed cables, a wet connector",
                ])
        })
        .collect()
}

fn ohms(value: f64) -> String {
    if value >= 1000.0 { format!("{:.1} kohm", value / 1000.0) } else { format!("{value:.0} ohm") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ampwake_schemas::findings::Period;
    use ampwake_schemas::intent::Intent;
    use ampwake_schemas::time::Timestamp;

    const SECONDS: i64 = 3 * 3600;

    fn intent(nominal: f64, cells: u32) -> Intent {
        let text = format!(
            r#"schema = "ampwake-intent/1"
[vessel]
name = "Dunlin"
[bank]
chemistry = "lfp"
nominal_v = {nominal}
cells_in_series = {cells}
capacity_ah = 400
[bank.signals]
voltage = "can0/dbc/pack/voltage"
current = "can0/dbc/pack/current"
charge_voltage_limit = "can0/dbc/pack/charge_voltage_limit"
contactor = "can0/dbc/pack/contactor"
cell_voltage_min = "can0/dbc/pack/cell_voltage_min"
cell_voltage_max = "can0/dbc/pack/cell_voltage_max"
cell_temperature_min = "can0/dbc/pack/cell_temperature_min"
isolation_resistance = "can0/dbc/pack/isolation"
"#
        );
        ampwake_schemas::intent::read("vessel.toml", &text).unwrap()
    }

    type Shape = fn(i64) -> f64;

    /// A bank that is charged with 50 A at 54.4 V, one sample a second, and what else is said of it by second.
    fn view_of<R>(vessel: &Intent, said: &[(&str, Shape)], look: impl FnOnce(&BankView, &Recording) -> R) -> R {
        let mut recording = Recording::default();
        let volts = |_| 54.4;
        let amps: Shape = |_| 50.0;
        let all = [("voltage", volts as Shape), ("current", amps)].into_iter().chain(said.iter().copied());
        for (field, shape) in all {
            let series = Series::from_points((0..SECONDS).map(|s| (s * 1000, shape(s))));
            recording.series.insert(format!("can0/dbc/pack/{field}").parse().unwrap(), series);
        }
        let at = Timestamp::from_millis;
        recording.period = Some(Period { start: at(0), end: at(SECONDS * 1000) });
        let grid = crate::series::Grid::over(0, SECONDS * 1000);
        let view = crate::view::build(&recording, vessel, &vessel.banks[0], grid);
        look(&view, &recording)
    }

    fn found(said: &[(&str, Shape)]) -> Vec<Finding> {
        view_of(&intent(51.2, 16), said, remarks)
    }

    fn only(said: &[(&str, Shape)]) -> Finding {
        let mut all = found(said);
        assert_eq!(all.len(), 1, "{all:#?}");
        all.remove(0)
    }

    #[test]
    fn a_sound_battery_gives_no_remark() {
        let said: &[(&str, Shape)] = &[
            ("charge_voltage_limit", |_| 56.8),
            ("contactor", |s| if s < 5 { 0.0 } else { 1.0 }),
            ("cell_voltage_min", |_| 3.39),
            ("cell_voltage_max", |s| if s % 600 < 200 { 3.52 } else { 3.41 }),
            ("isolation", |_| 500_000.0),
        ];
        assert_eq!(found(said), []);
        assert_eq!(found(&[]), [], "nothing is said of what was never heard");
        let silent: &[(&str, Shape)] = &[("isolation", |_| f64::NAN), ("contactor", |_| f64::NAN)];
        assert_eq!(found(silent), [], "no value is no fault");
    }

    #[test]
    fn cells_apart_under_charge() {
        let f = only(&[("cell_voltage_min", |_| 3.35), ("cell_voltage_max", |s| if s > 3600 { 3.50 } else { 3.40 })]);
        assert_eq!((f.kind, f.severity), (Kind::CellImbalance, Severity::Caution));
        assert_eq!(f.evidence["spread_max_v"], 0.15);
        assert!(f.summary.contains("up to 150 mV apart"), "{}", f.summary);
        let discharging: &[(&str, Shape)] =
            &[("current", |_| -80.0), ("cell_voltage_min", |_| 3.0), ("cell_voltage_max", |_| 3.3)];
        assert_eq!(found(discharging), [], "under load a weak cell sags, which is another thing");
    }

    #[test]
    fn a_cell_beyond_its_hard_stop_is_a_danger_although_the_bank_is_not() {
        let f = only(&[("cell_voltage_max", |s| if (5000..5060).contains(&s) { 3.71 } else { 3.4 })]);
        assert_eq!((f.kind, f.severity), (Kind::OverVoltage, Severity::Danger));
        assert_eq!((&f.evidence["cell_voltage_max_v"], &f.evidence["hard_stop_v"]), (&3.71.into(), &3.65.into()));
    }

    #[test]
    fn charged_above_the_batterys_own_limit() {
        let f = only(&[("charge_voltage_limit", |s| if s > 7200 { 53.6 } else { 57.6 })]);
        assert_eq!((f.kind, f.severity), (Kind::BatteryLimitExceeded, Severity::Danger));
        let resting: &[(&str, Shape)] = &[("current", |_| 0.0), ("charge_voltage_limit", |_| 53.6)];
        assert_eq!(found(resting), [], "a resting bank is not charged above it");
    }

    #[test]
    fn the_live_limit_lowers_the_target_but_cannot_raise_it() {
        let said: &[(&str, Shape)] = &[("charge_voltage_limit", |s| match s {
            0..3600 => 60.0,
            3600..7200 => 55.2,
            // No limit of a battery of 16 cells: a code that the file did not name, or a fault.
            _ => 3.0,
        })];
        view_of(&intent(51.2, 16), said, |view, _| {
            let targets = [1000, 5000, 9000].map(|k| view.absorption_v[k]);
            assert_eq!(targets, [56.8, 55.2, 56.8]);
        });
    }

    #[test]
    fn cell_temperatures_count_where_there_are_no_others() {
        view_of(&intent(51.2, 16), &[("cell_temperature_min", |_| -2.0)], |view, _| {
            assert_eq!((view.coldest[100], view.permitted[100]), (-2.0, false));
        });
    }

    #[test]
    fn a_contactor_that_opens_again_and_again() {
        let f = only(&[("contactor", |s| if s % 1200 < 10 && s < 6000 { 0.0 } else { 1.0 })]);
        assert_eq!((f.kind, f.severity), (Kind::ContactorCycling, Severity::Danger));
        // Open at the start, then four openings at 1200, 2400, 3600, 4800 s.
        assert_eq!((&f.evidence["openings"], &f.evidence["openings_under_charge"]), (&4.0.into(), &4.0.into()));
        let twice: &[(&str, Shape)] = &[("contactor", |s| if s == 100 || s == 2000 || s == 9000 { 0.0 } else { 1.0 })];
        assert_eq!(found(twice), [], "two in an hour and one much later");
    }

    #[test]
    fn insulation_by_the_voltage_of_the_bank() {
        let said: &[(&str, Shape)] = &[("isolation", |s| if s > 3600 { 4000.0 } else { 90_000.0 })];
        let f = only(said);
        assert_eq!((f.kind, f.severity), (Kind::IsolationFault, Severity::Caution));
        assert_eq!((&f.evidence["resistance_min_ohm"], &f.evidence["limit_ohm"]), (&4000.0.into(), &5120.0.into()));
        let high = view_of(&intent(307.2, 96), said, remarks);
        assert_eq!((high[0].kind, high[0].severity), (Kind::IsolationFault, Severity::Danger));
    }
}
