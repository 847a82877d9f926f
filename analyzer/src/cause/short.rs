//! A source that gives, but less than it could: how much less, and why.

use super::{Diagnosis, put};
use crate::opportunity::{Opportunity, set_point};
use crate::report::format;
use crate::stages::Progress;
use crate::state::Reported;
use crate::stats;
use crate::view::BankView;
use ampwake_schemas::findings::{Cause, Evidence};

/// Where a source gave clearly less than it could.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Shortfall {
    /// The cells.
    pub cells: Vec<usize>,
    /// What it could have given in them, Ah.
    pub could_ah: f64,
    /// What it gave in them, Ah.
    pub gave_ah: f64,
}

/// Shorter shortfalls are starting up and settling, s (common practice, no source).
const SHORTEST_S: f64 = 900.0;
/// A smaller shortfall is not worth a finding.
const SMALLEST_SHARE: f64 = 0.1;

/// Cells in which source `j` gave, but less than nine tenths of what it could, beyond measurement uncertainty,
/// with the bus two bands below the set-point (closer to it every charger eases off). `None`: not worth a word.
pub fn shortfall(view: &BankView, j: usize, o: &Opportunity, progress: &Progress) -> Option<Shortfall> {
    let s = &view.sources[j];
    if !o.rated {
        return None;
    }
    let hours = view.grid.step_s() / 3600.0;
    let mut found = Shortfall::default();
    let mut eligible_ah = 0.0;
    for k in (0..view.grid.len).filter(|k| o.open[*k] && s.gives[*k]) {
        let target = set_point(view, progress.filled[k], k);
        if view.voltage[k] > target - 2.0 * view.band(target) {
            continue;
        }
        eligible_ah += o.could[k] * hours;
        if s.current[k] < 0.9 * o.could[k] - 2.0 * view.u_current(o.could[k]) && s.current[k] >= 0.05 * o.could[k] {
            found.cells.push(k);
            found.could_ah += o.could[k] * hours;
            found.gave_ah += s.current[k] * hours;
        }
    }
    let long = found.cells.len() >= view.grid.cells(SHORTEST_S);
    let much = found.could_ah - found.gave_ah > SMALLEST_SHARE * eligible_ah;
    (long && much).then_some(found)
}

/// Why source `j` fell short.
pub fn explain_shortfall(
    view: &BankView,
    j: usize,
    progress: &Progress,
    o: &Opportunity,
) -> Option<(Shortfall, Diagnosis)> {
    let found = shortfall(view, j, o, progress)?;
    let diagnosis = cause(view, j, &found, progress, o);
    Some((found, diagnosis))
}

fn cause(view: &BankView, j: usize, found: &Shortfall, progress: &Progress, o: &Opportunity) -> Diagnosis {
    let s = &view.sources[j];
    let cells = || found.cells.iter().copied();
    let mut e = Evidence::new();
    let level = stats::median(cells().map(|k| s.current[k])).unwrap_or(f64::NAN);
    put(&mut e, "current_median_a", level, 1);
    put(&mut e, "rated_a", s.intent.rated_a, 1);
    put(&mut e, "bus_voltage_mean_v", stats::mean(cells().map(|k| view.voltage[k])).unwrap_or(f64::NAN), 2);
    let say = |cause, confidence, because: String, check: &[&str], evidence| Diagnosis {
        cause,
        confidence,
        evidence,
        because,
        check_next: check.iter().map(|c| (*c).to_owned()).collect(),
    };

    // The bank left absorption before its tail, and the source holds a lower voltage since.
    let early = super::share_of(cells(), |k| Some(progress.acceptance[k].is_finite())).unwrap_or(0.0);
    let took = stats::median(cells().map(|k| progress.acceptance[k])).unwrap_or(f64::NAN);
    let low_state = super::share_of(cells(), |k| s.reported[k].map(|r| r == Reported::Float)).unwrap_or(1.0);
    if early > 0.5 && low_state > 0.5 {
        put(&mut e, "bank_current_when_absorption_ended_a", took, 1);
        put(&mut e, "tail_current_a", view.intent.profile.tail_a, 1);
        let text = format!(
            "absorption ended while the bank still took {}, above the tail of {}; since then it only floats",
            format::amps(took),
            format::setting(view.intent.profile.tail_a, "A")
        );
        return say(
            Cause::EndedEarly,
            0.85,
            text,
            &[
                "check the absorption time and the tail current that the charger is set to against the design",
                "see whether the charger takes the loads' current for the bank's, or a load was switched at that moment",
            ],
            e,
        );
    }
    if let Some((active, text)) = fault_takes_it(view, j, found, o) {
        put(&mut e, "device_fault_active_share", active, 3);
        return say(
            Cause::FaultReported,
            0.75,
            text,
            &[
                "look the fault up in the manual of that device",
                "check its fuses, fan and input wiring with the supply isolated (qualified person)",
            ],
            e,
        );
    }
    if let Some((hot, slope)) = derates(view, j) {
        put(&mut e, "temperature_max_c", hot, 1);
        put(&mut e, "current_per_kelvin_a", slope, 2);
        let text = format!("its output falls with its temperature (up to {})", format::celsius(hot));
        return say(
            Cause::ThermalDerating,
            0.85,
            text,
            &[
                "check its cooling air, fan and filters, and the clearances its manual asks for",
                "if the derating is as designed, declare it in the intent (`derate`)",
            ],
            e,
        );
    }
    let drop = stats::median(cells().map(|k| s.voltage[k] - view.voltage[k]));
    let own_target = |k: usize| s.intent.absorption_v.unwrap_or(view.absorption_v[k]);
    let at_own = super::share_of(cells(), |k| {
        (!s.voltage[k].is_nan()).then(|| s.voltage[k] >= own_target(k) - view.band(own_target(k)))
    });
    if let (Some(drop), Some(at_own)) = (drop, at_own) {
        put(&mut e, "cable_drop_median_v", drop, 2);
        put(&mut e, "own_voltage_at_set_point_share", at_own, 3);
        let nominal = view.intent.nominal_v;
        let visible = drop > (2.0 * std::f64::consts::SQRT_2 * view.u_voltage(nominal)).max(0.003 * nominal);
        if visible && at_own > 0.5 {
            let text = format!(
                "its terminals are at the set-point while the bank is {} lower: the cable between takes the difference",
                format::volts(drop)
            );
            return say(
                Cause::VoltageDrop,
                0.85,
                text,
                &[
                    "measure the voltage across the cable, each joint and the fuses at high current (qualified person)",
                    "let the charger sense the voltage at the bank, or use a larger cable",
                ],
                e,
            );
        }
    }
    if let Some(line) = stats::line(cells().map(|k| (s.engine_speed[k], s.current[k]))).filter(|l| l.correlation > 0.7)
    {
        put(&mut e, "current_against_engine_speed_correlation", line.correlation, 2);
        return say(
            Cause::InputLimited,
            0.7,
            "its output follows the engine's speed".to_owned(),
            &[
                "compare with the maker's curve of output against speed, and declare it in the intent (`curve`)",
                "check the pulley ratio and belt",
            ],
            e,
        );
    }
    // A plateau: four fifths of the minutes within ±3 % of one level, which leaves out its beginning and its end. Minutes, because a sensor's noise is not the source's.
    let minute = view.grid.cells(60.0);
    let minutes: Vec<f64> = found
        .cells
        .chunk_by(|a, b| a / minute == b / minute)
        .filter(|c| 2 * c.len() > minute)
        .filter_map(|c| stats::mean(c.iter().map(|k| s.current[*k])))
        .collect();
    let spread = match (stats::quantile(minutes.iter().copied(), 0.9), stats::quantile(minutes.iter().copied(), 0.1)) {
        (Some(high), Some(low)) => (high - low) / level,
        _ => f64::INFINITY,
    };
    put(&mut e, "current_spread_share", spread, 3);
    if spread < 0.06_f64.max(4.0 * view.u_current(0.0) * 0.5 / level) {
        let text = format!("it holds a steady {}, as if set to that", format::amps(level));
        return say(
            Cause::LimitedBySetting,
            0.8,
            text,
            &[
                "read its current limit, and any limit that a remote panel or the supply-current setting imposes",
                "if the limit is deliberate, declare it in the intent (`set_a`)",
            ],
            e,
        );
    }
    say(
        Cause::Unknown,
        0.4,
        "the recording does not say why".to_owned(),
        &["compare its output at its terminals with a clamp meter", "read its limits and its log, if it keeps one"],
        e,
    )
}

/// A fault of its own device that was active while it fell short, and not while it gave all it could: the share of the
/// shortfall under the fault, and what it is. A fault that makes no difference says nothing about the shortfall.
fn fault_takes_it(view: &BankView, j: usize, found: &Shortfall, o: &Opportunity) -> Option<(f64, String)> {
    let s = &view.sources[j];
    let full: Vec<usize> =
        (0..view.grid.len).filter(|k| o.open[*k] && s.gives[*k] && s.current[*k] >= 0.9 * o.could[*k]).collect();
    if full.len() < view.grid.cells(300.0) {
        return None;
    }
    s.faults.iter().filter(|f| f.own && f.others.is_empty()).find_map(|f| {
        let active = |k: usize| f.cells.iter().any(|c| c.contains(&k));
        let share = |cells: &[usize]| cells.iter().filter(|k| active(**k)).count() as f64 / cells.len() as f64;
        let (short, well) = (share(&found.cells), share(&full));
        (short > 0.7 && well < 0.1).then(|| (short, format::plain(&f.text)))
    })
}

/// The source's current falls as its temperature rises: hottest degC and slope in A/K. Needs at least 5 K of
/// span and a tenth of the rating of effect (regression by least squares; thresholds common practice, no source).
///
/// Where the design declares what the source gives at every engine speed, the current is taken as a part of that: an engine
/// that slows down is no heat, and a hot alternator at full speed is.
pub fn derates(view: &BankView, j: usize) -> Option<(f64, f64)> {
    let s = &view.sources[j];
    let rated = s.intent.rated_a;
    let allowed = |k: usize| stats::interpolate(&s.intent.curve, s.engine_speed[k]).map_or(rated, |a| a.min(rated));
    // Scaled to the rating; NaN where the curve allows next to nothing or the speed is not known.
    let current = |k: usize| {
        let a = allowed(k);
        if a >= 0.2 * rated { s.current[k] / a * rated } else { f64::NAN }
    };
    let cells: Vec<usize> = (0..view.grid.len)
        .filter(|k| s.gives[*k] && view.voltage[*k] < view.absorption_v[*k] - view.band(view.absorption_v[*k]))
        .filter(|k| current(*k).is_finite() && s.temperature[*k].is_finite())
        .collect();
    // Means of minutes: what a sensor jitters, neither heat nor the source does.
    let minute = view.grid.cells(60.0);
    let points: Vec<(f64, f64)> = cells
        .chunk_by(|a, b| a / minute == b / minute)
        .filter_map(|c| {
            let mean = |of: &dyn Fn(usize) -> f64| stats::mean(c.iter().map(|k| of(*k)));
            Some((mean(&|k| s.temperature[k])?, mean(&current)?))
        })
        .collect();
    let hot = stats::quantile(points.iter().map(|p| p.0), 0.995)?;
    // The upper half of the temperature span: derating begins somewhere on the way up.
    let cold = stats::quantile(points.iter().map(|p| p.0), 0.005)?;
    let full = stats::quantile(points.iter().map(|p| p.1), 0.95)?;
    let warm: Vec<(f64, f64)> = points.iter().copied().filter(|p| p.0 > (hot + cold) / 2.0).collect();
    let at_hot = stats::median(warm.iter().filter(|p| p.0 > hot - 1.5).map(|p| p.1))?;
    let enough = hot - cold >= 5.0 && warm.len() >= 5;
    let effect = full - at_hot > (0.1 * rated).max(4.0 * view.u_current(full));
    // Where it has long settled at its hottest, the warm half alone is a cloud; the way up to it is in the whole.
    let fits = [warm, points].into_iter().filter_map(stats::line);
    let fit = fits.into_iter().find(|l| l.correlation < -0.6 && l.slope < 0.0)?;
    let hottest = stats::quantile(cells.iter().map(|k| s.temperature[*k]), 0.995)?;
    (enough && effect).then_some((hottest, fit.slope))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analyze::work;
    use crate::testing::{AMPS, Tape, VOLTS, amps, heat, own_volts, signal, state, vessel};
    use ampwake_schemas::intent::{Intent, SourceKind};

    /// Two hours of bulk at 54.0 V with the first charger giving `current`, 100 A being its rating.
    fn scene(current: impl Fn(i64) -> f64 + Copy) -> Tape {
        Tape::new(7200).fed().with(VOLTS, |_| 54.0).with(AMPS, current).with(&amps(1), current).with(&amps(2), |_| 0.0)
    }

    fn why(intent: &Intent, tape: &Tape) -> Option<(Cause, f64)> {
        let w = work(tape.view(intent));
        let (found, why) = explain_shortfall(&w.view, 0, &w.progress, &w.opportunity[0])?;
        Some((why.cause, (found.could_ah - found.gave_ah).round()))
    }

    #[test]
    fn a_plateau_is_a_setting() {
        let intent = vessel("");
        assert_eq!(why(&intent, &scene(|_| 60.0)), Some((Cause::LimitedBySetting, 80.0)));
        // Nine tenths less the uncertainty (88.6 A) are enough, and so is what the design sets it to.
        assert_eq!(why(&intent, &scene(|_| 89.0)), None);
        assert_eq!(why(&intent, &scene(|_| 88.0)), Some((Cause::LimitedBySetting, 24.0)));
        // A sensor that jitters by several amperes does not make the source hunt.
        assert_eq!(
            why(&intent, &scene(|t| 60.0 + [-6.0, 6.0, 0.0][t as usize % 3])).map(|w| w.0),
            Some(Cause::LimitedBySetting)
        );
        let mut set = vessel("");
        set.sources[0].set_a = Some(60.0);
        assert_eq!(why(&set, &scene(|_| 60.0)), None);
    }

    #[test]
    fn an_uneven_output_has_no_known_cause() {
        let intent = vessel("");
        let uneven = scene(|t| if t / 100 % 3 == 0 { 40.0 } else { 70.0 });
        assert_eq!(why(&intent, &uneven), Some((Cause::Unknown, 80.0)));
    }

    #[test]
    fn output_that_falls_with_heat_derates() {
        let intent = vessel("");
        // Full until 50 degC, then 1.5 A less per kelvin, up to 80 degC.
        let hot = |t: i64| 40.0 + 40.0 * t as f64 / 7200.0;
        let tape = scene(move |t| (100.0 - 1.5 * (hot(t) - 50.0)).min(100.0)).with(&heat(1), hot);
        assert_eq!(why(&intent, &tape).map(|w| w.0), Some(Cause::ThermalDerating));
        let view = tape.view(&intent);
        let (hottest, slope) = derates(&view, 0).expect("it derates");
        assert!((hottest - 79.8).abs() < 0.2 && (slope + 1.5).abs() < 0.05, "{hottest} {slope}");
        // It settles at 80 degC after half an hour, with a sensor that jitters.
        let settles = |t: i64| (40.0 + 40.0 * t as f64 / 1800.0).min(80.0);
        let jitter = |t: i64| [-8.0, 8.0, 0.0, 5.0, -5.0][t as usize % 5];
        let tape = scene(move |t| (100.0 - 1.5 * (settles(t) - 50.0)).min(100.0) + jitter(t)).with(&heat(1), settles);
        assert_eq!(why(&intent, &tape).map(|w| w.0), Some(Cause::ThermalDerating));
        // Warm and full is warm and full.
        let full = scene(|_| 100.0).with(&heat(1), hot);
        assert_eq!(derates(&full.view(&intent), 0), None);
    }

    #[test]
    fn a_hot_alternator_is_told_from_a_slow_engine() {
        let mut intent = vessel("");
        let revs = "can0/n2k/127488/0/engine_speed";
        let first = &mut intent.sources[0];
        (first.kind, first.engine_speed) = (SourceKind::Alternator, Some(signal(revs)));
        first.curve = vec![(700.0, 0.0), (1200.0, 55.0), (1800.0, 90.0), (2200.0, 100.0)];
        // The engine wanders between 1200 and 2200 rpm; the alternator warms from 40 to 100 degC.
        let speed = |t: i64| 1200.0 + (t % 1000) as f64;
        let allowed = move |t: i64| stats::interpolate(&[(1200.0, 55.0), (1800.0, 90.0), (2200.0, 100.0)], speed(t));
        let hot = |t: i64| 40.0 + 60.0 * t as f64 / 7200.0;
        let falls = move |t: i64| (1.0 - 0.01 * (hot(t) - 60.0)).min(1.0);
        let derated = scene(move |t| allowed(t).expect("a curve") * falls(t)).with(revs, speed).with(&heat(1), hot);
        assert_eq!(why(&intent, &derated).map(|w| w.0), Some(Cause::ThermalDerating));
        // All that the speed allows, while it warms and the engine slows down: no heat in that.
        let slows = |t: i64| 2200.0 - 1000.0 * t as f64 / 7200.0;
        let allows = move |t: i64| stats::interpolate(&[(1200.0, 55.0), (1800.0, 90.0), (2200.0, 100.0)], slows(t));
        let slow = scene(move |t| allows(t).expect("a curve")).with(revs, slows).with(&heat(1), hot);
        assert_eq!(derates(&slow.view(&intent), 0), None);
    }

    #[test]
    fn terminals_at_the_set_point_and_a_bank_below_are_a_cable() {
        let intent = vessel("");
        let lossy = scene(|_| 60.0).with(VOLTS, |_| 56.0).with(&own_volts(1), |_| 56.8);
        assert_eq!(why(&intent, &lossy).map(|w| w.0), Some(Cause::VoltageDrop));
        // A drop within the two voltmeters' uncertainty is none.
        let near = scene(|_| 60.0).with(VOLTS, |_| 56.2).with(&own_volts(1), |_| 56.3);
        assert_eq!(why(&intent, &near).map(|w| w.0), Some(Cause::LimitedBySetting));
    }

    #[test]
    fn output_that_follows_the_engine_is_limited_by_it() {
        let mut intent = vessel("");
        let revs = "can0/n2k/127488/0/engine_speed";
        intent.sources[0].kind = SourceKind::DcGenerator;
        intent.sources[0].engine_speed = Some(signal(revs));
        let speed = |t: i64| 800.0 + (t % 1200) as f64;
        let tape = scene(move |t| 0.04 * speed(t)).with(revs, speed);
        assert_eq!(why(&intent, &tape).map(|w| w.0), Some(Cause::InputLimited));
    }

    #[test]
    fn an_absorption_cut_short_leaves_a_float_that_owes() {
        let intent = vessel("");
        // Bulk for half an hour, absorption at 80 A for 20 minutes, then float while the bank would take more.
        let volts = |t: i64| match t {
            0..1800 => 55.0 + 1.5 * t as f64 / 1800.0,
            1800..3000 => 56.8,
            _ => 54.0,
        };
        let current = |t: i64| {
            if t < 1800 {
                100.0
            } else if t < 3000 {
                80.0
            } else {
                25.0
            }
        };
        let tape = scene(current).with(VOLTS, volts).with(&state(1), |t| if t < 3000 { 2.0 } else { 5.0 });
        assert_eq!(why(&intent, &tape).map(|w| w.0), Some(Cause::EndedEarly));
    }

    #[test]
    fn a_quarter_of_an_hour_is_worth_a_word_and_less_is_not() {
        let intent = vessel("");
        let short = |seconds: i64| scene(move |t| if t < seconds { 60.0 } else { f64::NAN });
        assert_eq!(why(&intent, &short(880)), None);
        assert_eq!(why(&intent, &short(920)), Some((Cause::LimitedBySetting, 10.0)));
    }
}
