//! Charge and energy of bank and sources over a stretch of the recording.

use crate::view::{BankView, Input};

/// What a source gave.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Given {
    /// Charge into the DC bus, Ah (what it took out is another matter: current is split by sign).
    pub ah: f64,
    /// One standard uncertainty of that, Ah.
    pub u_ah: f64,
    /// Energy into the DC bus, Wh.
    pub wh: f64,
    /// Seconds seen.
    pub seen_s: f64,
}

/// Charge and energy that source `j` gave from cell `from` to cell `to`.
///
/// Measured sources are integrated from their own samples, inferred ones from the axis. The uncertainty takes
/// the sensor's class as systematic: it does not average out over time (JCGM 100, 4.3; offset × time).
pub fn charge(view: &BankView, j: usize, from: usize, to: usize) -> Given {
    let s = &view.sources[j];
    let hours = view.grid.step_s() / 3600.0;
    let mut given = Given::default();
    let (mut on_axis, mut dead_ah, mut giving_h) = (0.0, 0.0, 0.0);
    for k in (from..to.min(view.grid.len)).filter(|k| !s.current[*k].is_nan()) {
        given.seen_s += view.grid.step_s();
        let ah = s.current[k].max(0.0) * hours;
        if s.input[k] == Input::Absent && !s.gives[k] {
            // Without its input it gives nothing: what the sensor shows then is its offset.
            dead_ah += ah;
            continue;
        }
        let v = if s.voltage[k].is_nan() { view.voltage[k] } else { s.voltage[k] };
        on_axis += ah;
        given.wh += if v.is_nan() { 0.0 } else { ah * v };
        giving_h += if s.gives[k] { hours } else { 0.0 };
    }
    given.ah = if s.measured {
        let exact = s.current_series.integral_positive(view.grid.at(from), view.grid.at(to));
        (exact.value_h - dead_ah).max(0.0)
    } else {
        on_axis
    };
    given.wh *= if on_axis > 0.0 { given.ah / on_axis } else { 0.0 };
    let accuracy = view.vessel.accuracy.current;
    let sensors = if s.measured { 1.0 } else { (view.sources.len() as f64 + 1.0).sqrt() };
    given.u_ah = sensors
        * (accuracy.percent / 100.0 * given.ah).hypot(accuracy.floor * giving_h.max(0.05 * given.seen_s / 3600.0));
    given
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{AMPS, Tape, VOLTS, amps, supply, vessel};

    /// Check value H4 (offset × time): 0.2 A for 24 h is 4.8 Ah.
    #[test]
    fn a_systematic_uncertainty_grows_with_time() {
        let mut intent = vessel("");
        intent.accuracy.current.percent = 0.0;
        intent.accuracy.current.floor = 0.2;
        let tape = Tape::every(86_401, 10).fed().with(VOLTS, |_| 53.0).with(&amps(1), |_| 10.0);
        let view = tape.view(&intent);
        let given = charge(&view, 0, 0, view.grid.len);
        assert!((given.u_ah - 4.8).abs() < 0.01, "{given:?}");
        assert!((given.ah - 240.0).abs() < 0.01 && (given.wh - 240.0 * 53.0).abs() < 1.0, "{given:?}");
    }

    #[test]
    fn what_a_sensor_shows_without_input_is_not_charge() {
        let intent = vessel("");
        let fed = |t: i64| if t < 3600 { 230.0 } else { 0.0 };
        let tape = Tape::new(7201)
            .with(VOLTS, |_| 53.0)
            .with(AMPS, |_| 0.0)
            .with(&supply(1), fed)
            .with(&amps(1), |t| if t < 3600 { 20.0 } else { 1.6 });
        let view = tape.view(&intent);
        let given = charge(&view, 0, 0, view.grid.len);
        assert!((given.ah - 20.0).abs() < 0.05, "{given:?}");
        assert!(!view.sources[0].gives[5000], "an offset is no contribution");
    }
}
