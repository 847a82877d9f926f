//! Habits of sources and bank that need no cause to be worth a word: hunting, endless absorption, cable drop, sensors
//! that read something when there is nothing.

use super::{FindingExt, finding};
use crate::opportunity::Opportunity;
use crate::report::format;
use crate::stages::{Span, tail_reached};
use crate::stats;
use crate::view::{BankView, Input};
use ampwake_schemas::findings::{Finding, Kind, Severity, Stage};

/// Starts within one hour that make hunting of switching (common practice, no source).
const STARTS_PER_HOUR: usize = 8;

/// Sources that start and stop again and again while the bank asks for charge and their input is there.
pub fn hunting(view: &BankView, opportunity: &[Opportunity]) -> Vec<Finding> {
    let hour = view.grid.cells(3600.0);
    let mut out = Vec::new();
    for (s, o) in view.sources.iter().zip(opportunity) {
        if s.intent.kind.depends_on_weather() {
            continue;
        }
        // A start: from below a twentieth of its rating to above a fifth, with its input there all the time.
        let (mut on, mut fed) = (true, false);
        let mut starts: Vec<usize> = Vec::new();
        for k in 0..view.grid.len {
            let amps = s.current[k];
            fed &= s.input[k] == Input::Present;
            if on && amps < 0.05 * s.intent.rated_a {
                (on, fed) = (false, s.input[k] == Input::Present);
            } else if !on && amps > 0.2 * s.intent.rated_a {
                on = true;
                if fed && o.open[k] {
                    starts.push(k);
                }
            }
        }
        let crowd = starts.windows(STARTS_PER_HOUR).find(|w| w[STARTS_PER_HOUR - 1] - w[0] <= hour);
        let (Some(_), Some(first), Some(last)) = (crowd, starts.first(), starts.last()) else { continue };
        let summary = format!(
            "{} started {} times while the bank asked for charge and its input was there: it hunts.",
            format::sentence_start(&s.intent.name),
            starts.len()
        );
        out.push(
            finding(Kind::SourceHunting, Severity::Caution, (view.grid.at(*first), view.grid.at(*last)), 0.8, summary)
                .about(&s.intent.name)
                .with("starts", starts.len() as f64, 0)
                .check(&[
                    "look for a supply that collapses under load, or an overload that trips and returns",
                    "compare its re-bulk and absorption set-points: too close together they make it hunt",
                ]),
        );
    }
    out
}

/// Absorption that outlasts the profile by a quarter and ten minutes without ever coming to its tail.
pub fn endless_absorption(view: &BankView, spans: &[Span]) -> Vec<Finding> {
    spans
        .iter()
        .filter(|s| s.stage == Stage::Absorption)
        .filter_map(|s| {
            let minutes = (s.end - s.start) as f64 * view.grid.step_s() / 60.0;
            let most = view.intent.profile.absorption_max_min;
            if minutes < 1.25 * most + 10.0 || tail_reached(view, s).is_some() {
                return None;
            }
            let end = stats::median(view.current[s.end.saturating_sub(view.grid.cells(600.0)).max(s.start)..s.end].iter().copied())?;
            let summary = format!(
                "Absorption lasted {} and the current never came down to the tail of {} (at the end {}); the profile allows {}.",
                format::duration(minutes * 60.0),
                format::setting(view.intent.profile.tail_a, "A"),
                format::amps(end),
                format::duration(most * 60.0)
            );
            Some(
                finding(Kind::Overcharge, Severity::Caution, (view.grid.at(s.start), view.grid.at(s.end)), 0.7, summary)
                    .with("absorption_min", minutes, 1)
                    .with("current_at_end_a", end, 1)
                    .with("tail_current_a", view.intent.profile.tail_a, 1)
                    .check(&[
                        "check what ends absorption: the charger's own timer and tail-current setting",
                        "check the battery: a current that does not fall at constant voltage can be a failing cell (qualified person)",
                    ]),
            )
        })
        .collect()
}

/// Cable drop between a source and the bank that, at rated current, would be more than 3 % of the nominal voltage
/// (the usual limit for charging cables; ABYC E-11, from memory).
pub fn cable_drop(view: &BankView, already: &[Finding]) -> Vec<Finding> {
    let limit = 0.03 * view.intent.nominal_v;
    let mut out = Vec::new();
    for s in &view.sources {
        let told = already.iter().any(|f| {
            f.source.as_ref() == Some(&s.intent.name) && f.cause == Some(ampwake_schemas::findings::Cause::VoltageDrop)
        });
        let rated = s.intent.set_a.unwrap_or(s.intent.rated_a);
        // Slope of the difference against the current: an offset between the two voltmeters does not matter.
        let line = stats::line((0..view.grid.len).map(|k| (s.current[k], s.voltage[k] - view.voltage[k])));
        let Some(line) = line.filter(|l| !told && l.correlation > 0.8 && l.n >= view.grid.cells(300.0)) else {
            continue;
        };
        let widest = s.current.iter().copied().fold(f64::NAN, f64::max);
        let drop = line.slope * rated;
        let u = std::f64::consts::SQRT_2 * view.u_voltage(view.intent.nominal_v) * rated / widest.max(1e-9);
        if widest < rated / 3.0 || drop - 2.0 * u < limit {
            continue;
        }
        let summary = format!(
            "Between {} and the bank {} are lost at its rated current, {} of the nominal voltage.",
            format::plain(&s.intent.name),
            format::volts(drop),
            format::percent(drop / view.intent.nominal_v)
        );
        out.push(
            finding(Kind::VoltageDrop, Severity::Caution, (view.grid.start, view.grid.at(view.grid.len)), 0.8, summary)
                .about(&s.intent.name)
                .with("drop_at_rated_current_v", drop, 3)
                .with("resistance_mohm", line.slope * 1000.0, 2)
                .with("uncertainty_v", 2.0 * u, 3)
                .check(&[
                    "measure the voltage across the cable, each joint and the fuses at high current (qualified person)",
                ]),
        );
    }
    out
}

/// Current sensors that read something while their source has no input.
pub fn offsets(view: &BankView) -> Vec<Finding> {
    let mut out = Vec::new();
    for s in view.sources.iter().filter(|s| s.measured) {
        let dead: Vec<usize> =
            (0..view.grid.len).filter(|k| s.input[*k] == Input::Absent && !s.current[*k].is_nan()).collect();
        if dead.len() < view.grid.cells(600.0) {
            continue;
        }
        let Some(offset) = stats::median(dead.iter().map(|k| s.current[*k])) else { continue };
        let spread = stats::median(dead.iter().map(|k| (s.current[*k] - offset).abs())).unwrap_or(0.0);
        // A steady reading beyond twice the uncertainty; anything larger than a twentieth of the rating is another fault.
        if offset.abs() <= 2.0 * view.u_current(0.0) || offset.abs() > 0.05 * s.intent.rated_a || spread > offset.abs()
        {
            continue;
        }
        let Some(signal) = &s.intent.signals.current else { continue };
        let summary = format!(
            "The current sensor of {} reads {} while it has no input: an offset, which is left out of its charge for that time.",
            format::plain(&s.intent.name),
            format::amps(offset)
        );
        out.push(
            finding(
                Kind::SensorOffset,
                Severity::Info,
                (view.grid.at(dead[0]), view.grid.at(dead[dead.len() - 1])),
                0.8,
                summary,
            )
            .about(&s.intent.name)
            .at(&signal.address)
            .with("offset_a", offset, 2)
            .check(&["set the sensor's zero with the conductor proven dead"]),
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analyze::work;
    use crate::testing::{AMPS, Tape, VOLTS, amps, own_volts, vessel};

    #[test]
    fn eight_starts_within_an_hour_are_hunting() {
        let intent = vessel("");
        // Two minutes on and three off, `times` times.
        let hunts = |times: i64, off: f64| {
            let current = move |t: i64| if t / 300 < times && t % 300 >= 180 { 40.0 } else { off };
            let tape = Tape::new(5400)
                .fed()
                .with(VOLTS, |_| 53.5)
                .with(AMPS, |_| 10.0)
                .with(&amps(1), current)
                .with(&amps(2), |_| 0.0);
            let w = work(tape.view(&intent));
            hunting(&w.view, &w.opportunity).first().and_then(|f| f.evidence["starts"].as_f64())
        };
        assert_eq!(hunts(8, 0.0), Some(8.0));
        assert_eq!(hunts(7, 0.0), None);
        // Holes in the data are no stops.
        assert_eq!(hunts(12, f64::NAN), None);
    }

    #[test]
    fn absorption_that_outlasts_its_time_without_a_tail() {
        let intent = vessel(""); // 90 min allowed: a word from 122.5 min on
        let lasts = |minutes: i64, amps: f64| {
            let tape = Tape::every(60 * (minutes + 30), 2)
                .fed()
                .with(VOLTS, move |t| if t < 60 * minutes { 56.8 } else { 53.0 })
                .with(AMPS, move |t| if t < 60 * minutes { amps } else { -20.0 })
                .with(&crate::testing::amps(1), move |t| if t < 60 * minutes { amps } else { 0.0 });
            let view = tape.view(&intent);
            let spans = crate::stages::decode(&view);
            endless_absorption(&view, &spans).len()
        };
        assert_eq!(lasts(130, 40.0), 1);
        assert_eq!(lasts(118, 40.0), 0);
        assert_eq!(lasts(130, 15.0), 0); // at its tail all the time
    }

    /// Check value C5 (Ohm's law): 6 mΩ at 100 A are 0.6 V.
    #[test]
    fn cable_drop_is_the_slope_against_the_current() {
        let intent = vessel("");
        let loop_ohms = |r: f64, offset: f64| {
            let current = |t: i64| 20.0 + 80.0 * (t % 900) as f64 / 900.0;
            let tape = Tape::new(3600)
                .fed()
                .with(VOLTS, |_| 53.5)
                .with(AMPS, current)
                .with(&amps(1), current)
                .with(&own_volts(1), move |t| 53.5 + offset + r * current(t));
            let found = cable_drop(&tape.view(&intent), &[]);
            found.first().map(|f| {
                let figure = |name: &str| f.evidence[name].as_f64().expect("a figure");
                (figure("resistance_mohm"), figure("drop_at_rated_current_v"))
            })
        };
        // 3 % of 51.2 V are 1.536 V, and twice the uncertainty of the difference is 0.14 V.
        assert_eq!(loop_ohms(0.018, 0.0), Some((18.0, 1.8)));
        assert_eq!(loop_ohms(0.018, 0.3), Some((18.0, 1.8))); // voltmeters that differ by a constant
        assert_eq!(loop_ohms(0.006, 0.0), None);
    }
}
