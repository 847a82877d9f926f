//! What was seen of the period, and what was not.

use crate::recording::Recording;
use crate::series::{Grid, Series};
use crate::view::BankView;
use ampwake_schemas::findings::{DataQuality, Period, SignalQuality};
use ampwake_schemas::intent::{Intent, Signal};
use ampwake_schemas::time::Timestamp;

/// Every signal that the intent names: owner, role, signal.
pub fn signals<'a>(intent: &'a Intent) -> Vec<(String, String, &'a Signal)> {
    let mut out: Vec<(String, String, &'a Signal)> = Vec::new();
    let mut add = |owner: &str, role: &str, signal: Option<&'a Signal>| {
        out.extend(signal.map(|s| (owner.to_owned(), role.to_owned(), s)));
    };
    for b in &intent.banks {
        add(&b.name, "voltage", b.signals.voltage.as_ref());
        add(&b.name, "current", b.signals.current.as_ref());
        for t in &b.signals.temperature {
            add(&b.name, "temperature", Some(t));
        }
        add(&b.name, "state_of_charge", b.signals.state_of_charge.as_ref());
        for (role, s) in &b.signals.further {
            add(&b.name, role, Some(s));
        }
    }
    for s in &intent.sources {
        let g = &s.signals;
        for (role, signal) in [
            ("current", &g.current),
            ("voltage", &g.voltage),
            ("state", &g.state),
            ("temperature", &g.temperature),
            ("input_voltage", &g.input_voltage),
            ("input_current", &g.input_current),
            ("input_power", &g.input_power),
            ("engine_speed", &s.engine_speed),
            ("stop_signal", &s.stop_signal),
        ] {
            add(&s.name, role, signal.as_ref());
        }
        add(&s.name, "available_when", s.available_when.as_ref().map(|a| &a.signal));
    }
    for l in &intent.loads {
        add(&l.name, "current", l.current.as_ref());
    }
    for a in &intent.ac_sources {
        for (role, s) in &a.signals {
            add(&a.name, role, Some(s));
        }
    }
    for l in &intent.links {
        for (role, s) in &l.signals {
            add(&format!("{} to {}", l.from, l.to), role, Some(s));
        }
    }
    out
}

/// How far `series` lies from the others in the middle, over minutes in which both are known; infinite without any.
pub fn distance(series: &Series, others: &[Series]) -> f64 {
    let Some((first, last)) = series.points().next().zip(series.points().last()) else { return f64::INFINITY };
    let grid =
        Grid { start: first.0, step: 60_000, len: usize::try_from((last.0 - first.0) / 60_000 + 1).unwrap_or(1) };
    let mine = grid.means(series);
    let all: Vec<Vec<f64>> = others.iter().map(|o| grid.means(o)).collect();
    let apart = (0..grid.len).flat_map(|k| all.iter().map(move |o| o[k]).map(|v| (v, k)).collect::<Vec<_>>());
    crate::stats::median(apart.map(|(v, k)| (v - mine[k]).abs())).unwrap_or(f64::INFINITY)
}

/// Counts what was heard of every signal.
pub fn quality(recording: &Recording, intent: &Intent, period: Period) -> DataQuality {
    let (from, to) = (period.start.millis(), period.end.millis());
    let length = (to - from).max(1) as f64;
    let silent: i64 = recording.silences.iter().map(|(a, b)| b - a).sum();
    let grid = Grid::over(from, to);
    let signals = signals(intent)
        .into_iter()
        .map(|(owner, role, signal)| {
            let series = recording.series.get(&signal.address).cloned().unwrap_or_default();
            let seen = if role == "state" {
                grid.codes(&series).iter().filter(|c| c.is_some()).count()
            } else {
                grid.means(&series).iter().filter(|v| !v.is_nan()).count()
            };
            SignalQuality {
                owner,
                role,
                channel: signal.address.clone(),
                samples: series.count() as u64,
                coverage: three(seen as f64 / grid.len as f64),
                interval_s: series.interval_ms().map(|ms| ms as f64 / 1000.0),
            }
        })
        .collect();
    let mut notes: Vec<String> = Vec::new();
    for (address, senders) in &recording.ambiguous {
        let list: Vec<String> = senders.iter().map(ToString::to_string).collect();
        notes.push(format!(
            "{address} is sent by several devices ({}); the first of these is used, and what hangs on it may be wrong",
            list.join(", ")
        ));
    }
    // Whose times these are.
    let clocks = ["times_told", "time_zone_unknown", "time_of_day_unknown"];
    notes.extend(recording.events.iter().filter(|e| clocks.contains(&e.kind.as_str())).map(|e| e.text.clone()));
    if recording.unread > 0 {
        notes
            .push(format!("{} messages of kinds that this version does not decode were passed over", recording.unread));
    }
    for bank in &intent.banks {
        let guessed: Vec<&str> = bank.profile.defaulted.iter().chain(&bank.temperature.defaulted).copied().collect();
        if !guessed.is_empty() {
            notes.push(format!(
                "the design leaves out {} of {}: the usual figures for {} stand in for them",
                guessed.join(", "),
                bank.name,
                bank.chemistry
            ));
        }
    }
    DataQuality {
        coverage: three(1.0 - silent as f64 / length),
        gaps: recording
            .silences
            .iter()
            .map(|(a, b)| Period { start: Timestamp::from_millis(*a), end: Timestamp::from_millis(*b) })
            .collect(),
        signals,
        problems: recording.problems.clone(),
        notes,
        ..DataQuality::default()
    }
}

/// Adds what only the view of a bank knows: coverage of voltage and current, inferred sources, missing temperature.
pub fn note_view(view: &BankView, first: bool, quality: &mut DataQuality) {
    let share = |v: &[f64]| three(v.iter().filter(|x| !x.is_nan()).count() as f64 / v.len().max(1) as f64);
    // With several banks the worst seen one stands for the vessel.
    let lowest = |held: f64, new: f64| if first { new } else { held.min(new) };
    quality.bank_voltage_coverage = lowest(quality.bank_voltage_coverage, share(&view.voltage));
    quality.bank_current_coverage = lowest(quality.bank_current_coverage, share(&view.current));
    let bank = &view.intent.name;
    if view.intent.profile.temp_comp_mv_per_k_cell != 0.0 && view.temperature.iter().all(|t| t.is_nan()) {
        quality.notes.push(format!("{bank} has no temperature: its set-points are taken as at 25 degC"));
    }
    let inferred: Vec<&str> = view.sources.iter().filter(|s| !s.measured).map(|s| s.intent.name.as_str()).collect();
    match inferred[..] {
        [] => {}
        [one] if view.loads_measured => {
            quality.notes.push(format!("{one} has no current sensor: its current is what bank, loads and the other sources leave over"));
        }
        [one] => quality.notes.push(format!(
            "{one} has no current sensor: its current is what bank and the other sources leave over; loads that nobody measures are missing from it"
        )),
        _ => quality.notes.push(format!(
            "{} have no current sensors: nothing can be said about what each of them gave",
            inferred.join(" and ")
        )),
    }
}

fn three(x: f64) -> f64 {
    (x.clamp(0.0, 1.0) * 1000.0).round() / 1000.0
}

#[cfg(test)]
mod tests {
    use crate::testing::{AMPS, Tape, VOLTS, signal, vessel};

    #[test]
    fn the_worst_seen_bank_stands_for_the_vessel() {
        let mut intent = vessel("");
        let mut unheard = intent.banks[0].clone();
        unheard.name = "unheard".into();
        unheard.signals.voltage = Some(signal("can0/n2k/127508/7/battery_voltage"));
        intent.banks.insert(0, unheard);
        let tape = Tape::new(1000).with(VOLTS, |_| 53.0).with(AMPS, |t| if t < 600 { 1.0 } else { f64::NAN });
        let q = crate::analyze::analyze(&tape.recording(), &intent).findings.data_quality;
        assert_eq!((q.bank_voltage_coverage, q.bank_current_coverage), (0.0, 0.599));
    }
}
