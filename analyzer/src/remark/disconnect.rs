//! The battery leaving the DC bus while it is charged.
//!
//! A load-dump pulse lasts some 40 to 400 ms (ISO 16750-2, by a public reproduction of its table), so a logger that
//! samples once a second seldom sees it: that no spike was recorded is never evidence that there was none. What can be seen
//! is the pattern around it.

use super::{FindingExt, finding};
use crate::refusal::Refusal;
use crate::report::format;
use crate::state::Reported;
use crate::stats;
use crate::view::{BankView, Input, compensated};
use ampwake_schemas::findings::{Finding, Kind, Severity};

/// Charge current, as a part of capacity per hour, from which a collapse is worth looking at (common practice, no source).
const CHARGING_C: f64 = 0.08;

/// Collapses of the bank's charge current to nothing, with the marks of a disconnect beside them.
pub fn remarks(view: &BankView) -> Vec<Finding> {
    let mut out: Vec<Finding> = Vec::new();
    let few = view.grid.cells(10.0);
    let mut k = few;
    while k + few < view.grid.len {
        if let Some(f) = collapse(view, k) {
            out.push(f);
            k += view.grid.cells(120.0);
        }
        k += 1;
    }
    out
}

/// What speaks for a disconnect at cell `k`; `None` where the current did not collapse, or nothing else does.
fn collapse(view: &BankView, k: usize) -> Option<Finding> {
    let few = view.grid.cells(10.0);
    let soon = k..(k + view.grid.cells(30.0)).min(view.grid.len);
    let is_open = |c: usize| view.refusal[c] == Some(Refusal::Open);
    // The contactor's own word needs no large current to be believed; it may come some messages before or after.
    let opened = !is_open(k - few) && (k - few..soon.end).any(is_open);
    let charging = if opened { view.rest_current() } else { CHARGING_C * view.intent.capacity_ah };
    let before = stats::mean(view.current[k - few..k].iter().copied())?;
    let last = view.current[k - 1];
    if before < charging || last.is_nan() || last <= charging {
        return None;
    }
    let nothing = 2.0 * view.u_current(0.0);
    // Silence is silence only when it outlasts several messages; a few lost frames are none.
    let patience = few.max(view.grid.cells(3.0 * view.current_series.hold_ms() as f64 / 1000.0));
    let silence = view.current[k + 1..(k + 1 + patience).min(view.grid.len)].iter().all(|i| i.is_nan());
    // And when the battery is heard again, it is not being charged.
    let again = view.current[k + 1..(k + view.grid.cells(120.0)).min(view.grid.len)].iter().find(|i| !i.is_nan());
    let gone = silence && k + 1 + patience < view.grid.len && again.is_none_or(|i| *i < 0.2 * before);
    let after = &view.current[k + 1..=k + few];
    let zero = after.iter().filter(|i| i.abs() <= nothing).count() * 5 >= after.len() * 4;
    if !(gone || zero) {
        return None;
    }
    // Only the battery itself: when everything falls silent at once, it is the recorder or the bus.
    // A state is believed for ten seconds and more, so look a little later.
    let later = (k + patience + few).min(view.grid.len)..(k + patience + 3 * few).min(view.grid.len);
    let others_heard = view.sources.iter().any(|s| later.clone().any(|c| s.heard[c]));
    if gone && !others_heard {
        return None;
    }
    let volts = |cells: std::ops::Range<usize>| {
        let own = view.sources.iter().flat_map(|s| s.voltage[cells.clone()].iter().copied());
        view.voltage[cells.clone()].iter().copied().chain(own).filter(|v| v.is_finite()).reduce(f64::max)
    };
    let calm = stats::median(view.voltage[k - few..k].iter().copied())?;
    let peak = volts(k..k + few).unwrap_or(calm);
    let stop = compensated(
        view.intent,
        view.intent.chemistry.defaults().hard_stop_v * f64::from(view.intent.cells_in_series),
        view.temperature[k],
    );
    let jumped = peak > calm + (0.02 * calm).max(4.0 * view.u_voltage(calm));
    let giving: Vec<&crate::view::SourceView> = view.sources.iter().filter(|s| s.gives[k - 1]).collect();
    let turning = giving.iter().any(|s| s.intent.kind.is_engine_driven() && s.input[k] == Input::Present);
    let complained = giving
        .iter()
        .any(|s| soon.clone().any(|c| matches!(s.reported[c], Some(Reported::Fault | Reported::Disabled))));
    let refused = soon.clone().any(|c| !view.permitted[c]) && view.permitted[k - 1];
    let marks: Vec<&str> = [
        (opened, "the battery's contactor opened"),
        (gone, "the battery's own messages stopped"),
        (jumped, "the bus voltage jumped"),
        (turning, "an engine-driven source was charging"),
        (complained, "a source reported a fault or was switched off"),
        (refused && !opened, "the battery withdrew its permission to charge"),
    ]
    .into_iter()
    .filter_map(|(seen, text)| seen.then_some(text))
    .collect();
    // A charger that stops leaves a resting battery too: something of the battery's own has to speak.
    if !(opened || jumped || refused || gone && turning) {
        return None;
    }
    let observed = peak > stop;
    let (grade, confidence) = match (observed || opened, marks.len()) {
        (true, _) => ("observed", 0.9),
        (false, 2..) => ("indicated", 0.7),
        _ => ("possible", 0.4),
    };
    let severity = if observed || turning { Severity::Danger } else { Severity::Caution };
    let summary = format!(
        "The bank's charge current fell from {} to nothing at once ({grade} battery disconnect): {}.",
        format::amps(before),
        marks.join(", ")
    );
    let period = (view.grid.at(k), view.grid.at(k + few));
    Some(
        finding(Kind::BatteryDisconnect, severity, period, confidence, summary)
            .with("current_before_a", before, 1)
            .with("bus_voltage_before_v", calm, 2)
            .with("bus_voltage_peak_seen_v", peak, 2)
            .with("hard_stop_v", stop, 2)
            .with("marks", marks.len() as f64, 0)
            .check(&[
                "read the battery protection's own log: which limit opened it",
                "check that the battery's stop signal reaches every engine-driven source before the battery opens: field off first, then open",
                "have the rectifier and regulator of an alternator checked after a disconnect under charge (qualified person)",
            ]),
    )
}

#[cfg(test)]
mod tests {
    use crate::recording::Recording;
    use crate::series::{Grid, Series};
    use crate::view;
    use ampwake_schemas::intent::read;

    const INTENT: &str = r#"
schema = "ampwake-intent/1"
[vessel]
name = "Test"
[bank]
chemistry = "lfp"
nominal_v = 25.6
cells_in_series = 8
capacity_ah = 300
signals = { voltage = "can0/n2k/127508/0/battery_voltage", current = "can0/n2k/127508/0/battery_current" }
[[source]]
name = "alternator"
kind = "alternator"
rated_a = 100
load_dump = "field_stop"
signals = { current = "can0/n2k/127751/1/dc_current", voltage = "can0/n2k/127751/1/dc_voltage" }
available_when = { signal = "can0/n2k/127488/0/engine_speed", above = 500 }
"#;

    /// Ten minutes of charge at 90 A; from `at` on the columns' second values.
    fn findings(bank: [f64; 2], volts: [f64; 2], own: [f64; 2], current: [f64; 2]) -> usize {
        let intent = read("test", INTENT).expect("the intent reads");
        let step = |v: [f64; 2]| Series::from_points((0..600).map(move |s| (s * 1000, v[usize::from(s >= 300)])));
        let mut r = Recording::default();
        for (address, series) in [
            ("can0/n2k/127508/0/battery_current", step(bank)),
            ("can0/n2k/127508/0/battery_voltage", step(volts)),
            ("can0/n2k/127751/1/dc_voltage", step(own)),
            ("can0/n2k/127751/1/dc_current", step(current)),
            ("can0/n2k/127488/0/engine_speed", step([1500.0, 1500.0])),
        ] {
            r.series.insert(address.parse().expect("an address"), series);
        }
        super::remarks(&view::build(&r, &intent, &intent.banks[0], Grid { start: 0, step: 1000, len: 600 })).len()
    }

    #[test]
    fn a_bank_that_leaves_under_charge_is_seen() {
        assert_eq!(findings([80.0, 0.0], [27.0, 27.0], [27.1, 31.0], [90.0, 10.0]), 1);
        // The battery's own messages stop, the alternator's do not.
        assert_eq!(findings([80.0, f64::NAN], [27.0, f64::NAN], [27.1, 27.2], [90.0, 10.0]), 1);
    }

    #[test]
    fn a_contactor_that_opens_under_charge_is_one() {
        let mut intent = read("test", INTENT).expect("the intent reads");
        let contactor = "can0/dbc/pack/contactor";
        intent.banks[0].signals.further.insert("contactor".into(), crate::testing::signal(contactor));
        let found = |closed_after: f64, amps: f64| {
            let step = |v: [f64; 2]| Series::from_points((0..600).map(move |s| (s * 1000, v[usize::from(s >= 300)])));
            let mut r = Recording::default();
            for (address, series) in [
                (contactor, step([1.0, closed_after])),
                ("can0/n2k/127508/0/battery_current", step([amps, 0.0])),
                ("can0/n2k/127508/0/battery_voltage", step([27.0, 26.8])),
                ("can0/n2k/127751/1/dc_current", step([amps + 5.0, 5.0])),
            ] {
                r.series.insert(address.parse().expect("an address"), series);
            }
            super::remarks(&view::build(&r, &intent, &intent.banks[0], Grid { start: 0, step: 1000, len: 600 })).len()
        };
        // Ten amperes are a thirtieth of the capacity per hour: too little to tell without the contactor's word.
        assert_eq!((found(0.0, 10.0), found(1.0, 10.0), found(3.0, 10.0)), (1, 0, 0));
        assert_eq!(found(0.0, -10.0), 0, "a battery that opens while it gives is no load dump");
    }

    #[test]
    fn a_charger_that_stops_is_no_disconnect() {
        assert_eq!(findings([80.0, -9.0], [27.0, 26.4], [27.1, 26.4], [90.0, 0.0]), 0);
        assert_eq!(findings([80.0, 0.0], [27.0, 26.6], [27.1, 26.6], [90.0, 0.0]), 0);
        // Everything falls silent: that is the recorder.
        let nothing = f64::NAN;
        assert_eq!(findings([80.0, nothing], [27.0, nothing], [27.1, nothing], [90.0, nothing]), 0);
    }
}
