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
