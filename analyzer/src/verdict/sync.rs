//! How well two AC sources agreed when a breaker joined them, and for how long nobody supplied when one took over from another.
//!
//! A frequency log at one sample a second can judge the difference of frequencies and of volts. It cannot judge the angle: a
//! slip of 0.1 Hz turns by 36 degrees in that second. The angle needs a signal that measures it.

use super::{Context, Measured};
use crate::breaker::{Change, changes, closed_at};
use crate::report::format;
use crate::series::Series;
use ampwake_schemas::intent::{AcSource, Limit, Requirement};

/// What a meter of an AC source may be off by (common practice, no source; the intent gives no accuracy for the AC side).
const U_VOLTS: f64 = 0.005;
/// As above, Hz.
const U_HERTZ: f64 = 0.02;
/// As above, degrees.
const U_DEGREES: f64 = 1.0;
/// A reading older than this at the moment of closing says nothing about it, ms.
const FRESH_MS: i64 = 5_000;
/// Nobody waits longer for the other source: that is no transfer, s.
const LONGEST_TRANSFER_S: f64 = 600.0;

/// An AC source with what was heard of it.
struct Ac<'a> {
    intent: &'a AcSource,
    voltage: Series,
    frequency: Series,
    phase: Series,
    breaker: Series,
    /// What its breaker did.
    changes: Vec<Change>,
}

impl Ac<'_> {
    /// It is on the bus at `t`: by its breaker, or, where none is named, by its volts.
    fn on_bus(&self, t: i64) -> bool {
        let live = last_before(&self.voltage, t).is_none_or(|v| v.1 > 0.5 * self.intent.nominal_v.unwrap_or(120.0));
        match self.intent.signals.contains_key("breaker") {
            true => live && closed_at(&self.breaker, t) == Some(true),
            false => live && last_before(&self.voltage, t).is_some(),
        }
    }
}

impl Ac<'_> {
    /// The first time after `t` (ms) that its breaker closed.
    fn closes_after(&self, t: i64) -> Option<Change> {
        let from = self.changes.partition_point(|c| c.before <= t);
        // Opening and closing take turns but for silences: the next closing is one of a few.
        self.changes[from..].iter().take(8).find(|c| c.closed).copied()
    }
}

fn last_before(series: &Series, t: i64) -> Option<(i64, f64)> {
    series.before(t).filter(|p| !p.1.is_nan() && t - p.0 <= FRESH_MS)
}

/// The AC sources that the requirement names; without names those that are meant to run in parallel, else all.
fn of<'a>(r: &Requirement, c: &'a Context) -> Vec<Ac<'a>> {
    let all = &c.view.vessel.ac_sources;
    let together = all.iter().filter(|a| a.parallel).count() >= 2;
    let named = |a: &&AcSource| match r.sources.is_empty() {
        true => a.parallel || !together,
        false => r.sources.contains(&a.name),
    };
    let signal = |a: &AcSource, name: &str| c.recording.optional(a.signals.get(name));
    let heard = |a: &'a AcSource| {
        let breaker = signal(a, "breaker");
        Ac {
            intent: a,
            voltage: signal(a, "voltage"),
            frequency: signal(a, "frequency"),
            phase: signal(a, "phase"),
            changes: changes(&breaker),
            breaker,
        }
    };
    all.iter().filter(named).map(heard).collect()
}

/// Every closing of one source's breaker onto another that was on the bus.
fn joins<'a>(acs: &'a [Ac<'a>]) -> Result<Vec<(&'a Ac<'a>, &'a Ac<'a>, Change)>, String> {
    if acs.len() < 2 {
        return Err("it takes two AC sources: name both in `sources`".into());
    }
    if acs.iter().all(|a| a.breaker.is_empty()) {
        return Err("no breaker of these AC sources was heard, so nobody knows when they were joined".into());
    }
    let mut out = Vec::new();
    for (n, a) in acs.iter().enumerate() {
        for change in a.changes.iter().copied().filter(|c| c.closed) {
            let others = acs.iter().enumerate().filter(|(o, b)| *o != n && b.on_bus(change.after));
            out.extend(others.map(|(_, b)| (a, b, change)));
        }
    }
    if out.is_empty() { Err("no breaker was seen to close onto another source".into()) } else { Ok(out) }
}

/// The occasion that counts: the largest value for "at most", the smallest for "at least".
fn worst(found: impl Iterator<Item = Measured>, limit: Limit) -> Option<Measured> {
    found.reduce(|a, b| match limit {
        Limit::AtMost(_) if b.value > a.value => b,
        Limit::AtLeast(_) if b.value < a.value => b,
        _ => a,
    })
}

fn occasions(joined: usize, what: &str) -> String {
    format!(
        "{what} just before the breaker closed, the worst of {joined} occasion{}",
        if joined == 1 { "" } else { "s" }
    )
}

/// Difference of the two voltages just before the breaker closed, V.
pub(super) fn voltage(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let acs = of(r, c);
    let joined = joins(&acs)?;
    let how = occasions(joined.len(), "the difference of the voltages");
    let found = joined.iter().filter_map(|(a, b, at)| {
        let (va, vb) = (last_before(&a.voltage, at.after)?.1, last_before(&b.voltage, at.after)?.1);
        Some(Measured::new((va - vb).abs(), (U_VOLTS * va).hypot(U_VOLTS * vb), how.clone()))
    });
    worst(found, r.limit).ok_or_else(|| "the voltages of both sources were not heard when the breaker closed".into())
}

/// Difference of the two frequencies just before the breaker closed, Hz.
pub(super) fn frequency(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let acs = of(r, c);
    let joined = joins(&acs)?;
    let how = occasions(joined.len(), "the difference of the frequencies");
    let found = joined.iter().filter_map(|(a, b, at)| {
        let slip = slip(a, b, at.after)?;
        Some(Measured::new(slip, U_HERTZ * std::f64::consts::SQRT_2, how.clone()))
    });
    worst(found, r.limit).ok_or_else(|| "the frequencies of both sources were not heard when the breaker closed".into())
}

fn slip(a: &Ac, b: &Ac, t: i64) -> Option<f64> {
    Some((last_before(&a.frequency, t)?.1 - last_before(&b.frequency, t)?.1).abs())
}

/// The angle between the two sources just before the breaker closed, degrees, from a signal that measures it.
pub(super) fn phase(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let acs = of(r, c);
    if acs.iter().all(|a| a.phase.is_empty()) {
        return Err(
            "no signal of the phase angle was heard: voltages and frequencies cannot tell it, because a slip of \
                    0.1 Hz turns by 36 degrees in a second"
                .into(),
        );
    }
    let joined = joins(&acs)?;
    let how = occasions(joined.len(), "the phase angle");
    let found = joined.iter().filter_map(|(a, b, at)| {
        let (t, degrees) = last_before(&a.phase, at.after).or_else(|| last_before(&b.phase, at.after))?;
        // Into -180..180: 359 degrees are one degree.
        let angle = (degrees + 180.0).rem_euclid(360.0) - 180.0;
        // It turned by 360 degrees times slip times the time until the breaker closed.
        let seconds = (at.before - t) as f64 / 1000.0;
        let turned = slip(a, b, at.after).map_or(0.0, |s| 360.0 * s * seconds / 3_f64.sqrt());
        Some(Measured::new(angle.abs(), U_DEGREES.hypot(turned), how.clone()).with("read_before_closing_s", seconds, 2))
    });
    worst(found, r.limit).ok_or_else(|| "the phase angle was not heard when the breaker closed".into())
}

/// From one source's breaker opening to another's closing, s.
pub(super) fn transfer(r: &Requirement, c: &Context) -> Result<Measured, String> {
    let acs = of(r, c);
    if acs.iter().filter(|a| !a.breaker.is_empty()).count() < 2 {
        return Err("the breakers of two AC sources were not both heard".into());
    }
    let mut found: Vec<Measured> = Vec::new();
    for (n, a) in acs.iter().enumerate() {
        for opened in a.changes.iter().filter(|c| !c.closed) {
            let next = |b: &Ac| b.closes_after(opened.after);
            let others = acs.iter().enumerate().filter(|(o, _)| *o != n).filter_map(|(_, b)| Some((b, next(b)?)));
            let Some((b, closed)) = others.min_by_key(|(_, c)| c.before) else { continue };
            // Whoever comes back himself took over from nobody.
            let back = a.closes_after(opened.before).is_some_and(|c| c.before < closed.after);
            let ((t0, u0), (t1, u1)) = (opened.moment_s(), closed.moment_s());
            if back || t1 - t0 > LONGEST_TRANSFER_S {
                continue;
            }
            let how = format!(
                "from the breaker of {} opening to that of {} closing",
                format::plain(&a.intent.name),
                format::plain(&b.intent.name)
            );
            found.push(Measured::new((t1 - t0).max(0.0), u0.hypot(u1), how));
        }
    }
    let number = found.len() as f64;
    worst(found.into_iter(), r.limit)
        .map(|m| m.with("transfers", number, 0))
        .ok_or_else(|| "no transfer from one source to another was seen".into())
}

#[cfg(test)]
mod tests {
    use crate::analyze::analyze;
    use crate::testing::{AMPS, Tape, VOLTS, vessel};
    use ampwake_schemas::findings::Verdict;
    use ampwake_schemas::findings::VerdictWord::{Met, NotMet, NotTested, Undetermined};

    const SETS: &str = r#"
[[ac_source]]
name = "port set"
kind = "genset"
nominal_v = 230
nominal_hz = 50
parallel = true
signals = { voltage = "can0/dbc/port/voltage", frequency = "can0/dbc/port/frequency", breaker = "can0/dbc/port/breaker" }
[[ac_source]]
name = "starboard set"
kind = "genset"
nominal_v = 230
nominal_hz = 50
parallel = true
signals = { voltage = "can0/dbc/stbd/voltage", frequency = "can0/dbc/stbd/frequency", breaker = "can0/dbc/stbd/breaker", phase = "can0/dbc/stbd/phase" }
"#;

    fn judged(tape: Tape, requirement: &str) -> Verdict {
        let text = format!("{SETS}\n[[requirement]]\nid = \"R\"\ntext = \"as drawn\"\n{requirement}");
        analyze(&tape.recording(), &vessel(&text)).findings.verdicts.remove(0)
    }

    /// Ten minutes; the port set carries, the starboard set is joined at 300 s with these volts, hertz and degrees.
    fn joined(volts: f64, hertz: f64, degrees: f64) -> Tape {
        let after = |t: i64, before: f64, then: f64| if t < 300 { before } else { then };
        Tape::new(600)
            .fed()
            .with(VOLTS, |_| 53.0)
            .with(AMPS, |_| 0.0)
            .with("can0/dbc/port/voltage", |_| 230.0)
            .with("can0/dbc/port/frequency", |_| 50.0)
            .with("can0/dbc/port/breaker", |_| 1.0)
            .with("can0/dbc/stbd/voltage", move |t| after(t, volts, 230.0))
            .with("can0/dbc/stbd/frequency", move |t| after(t, hertz, 50.0))
            .with("can0/dbc/stbd/phase", move |t| after(t, degrees, 0.0))
            .with("can0/dbc/stbd/breaker", move |t| after(t, 0.0, 1.0))
    }

    /// Limits of up to 500 kVA: 10 % of the voltage, 0.3 Hz, 20 degrees (IEEE 1547-2018, table 5, from memory).
    #[test]
    fn what_two_sources_differed_by_when_they_were_joined() {
        let volts = "quantity = \"sync_voltage\"\nunit = \"V\"\nat_most = 23";
        assert_eq!(judged(joined(219.0, 50.1, 5.0), volts).measured, Some(11.0));
        assert_eq!(judged(joined(219.0, 50.1, 5.0), volts).verdict, Met);
        assert_eq!(judged(joined(195.0, 50.1, 5.0), volts).verdict, NotMet);
        let hertz = "quantity = \"sync_frequency\"\nunit = \"Hz\"\nat_most = 0.3";
        assert_eq!(judged(joined(219.0, 50.1, 5.0), hertz).verdict, Met);
        assert_eq!(judged(joined(219.0, 50.32, 5.0), hertz).verdict, Undetermined);
        assert_eq!(judged(joined(219.0, 50.8, 5.0), hertz).verdict, NotMet);
    }

    /// Check value F1 (36 degrees a second at 0.1 Hz): the angle between two samples is not known at that slip.
    #[test]
    fn the_angle_needs_its_own_signal_and_little_slip() {
        let angle = "quantity = \"sync_phase\"\nunit = \"deg\"\nat_most = 20";
        assert_eq!(judged(joined(230.0, 50.0, 355.0), angle).measured, Some(5.0));
        assert_eq!(judged(joined(230.0, 50.0, 355.0), angle).verdict, Met);
        assert_eq!(judged(joined(230.0, 50.0, 40.0), angle).verdict, NotMet);
        assert_eq!(judged(joined(230.0, 50.1, 5.0), angle).verdict, Undetermined);
        let unheard = joined(230.0, 50.0, 5.0).with("can0/dbc/stbd/phase", |_| f64::NAN);
        assert_eq!(judged(unheard, angle).verdict, NotTested);
    }

    #[test]
    fn without_an_occasion_nothing_is_tested() {
        let volts = "quantity = \"sync_voltage\"\nunit = \"V\"\nat_most = 23";
        let never = joined(219.0, 50.0, 5.0).with("can0/dbc/stbd/breaker", |_| 0.0);
        assert_eq!(judged(never, volts).verdict, NotTested);
        // Closed onto a dead bus it is joined to nobody.
        let alone = joined(219.0, 50.0, 5.0).with("can0/dbc/port/breaker", |_| 0.0);
        assert_eq!(judged(alone, volts).verdict, NotTested);
    }

    #[test]
    fn the_time_between_two_supplies() {
        let transfer = |at_most: f64, gap: i64| {
            let tape = joined(230.0, 50.0, 0.0)
                .with("can0/dbc/port/breaker", |t| if t < 200 { 1.0 } else { 0.0 })
                .with("can0/dbc/stbd/breaker", move |t| if t < 200 + gap { 0.0 } else { 1.0 });
            judged(tape, &format!("quantity = \"transfer_time\"\nunit = \"s\"\nat_most = {at_most}"))
        };
        assert_eq!((transfer(10.0, 4).measured, transfer(10.0, 4).verdict), (Some(4.0), Met));
        assert_eq!(transfer(10.0, 30).verdict, NotMet);
        // Two samples a second apart cannot show 20 ms.
        assert_eq!(transfer(0.02, 0).verdict, Undetermined);
        assert_eq!(transfer(10.0, 9999).verdict, NotTested);
    }
}
