//! What was seen of the whole, from what was seen of its pieces.

use ampwake_schemas::findings::{DataQuality, Period, SignalQuality};

/// Shares are weighted with the pieces' lengths, counts add up.
pub(super) fn join(pieces: Vec<(Period, DataQuality)>, period: Period) -> DataQuality {
    let length = period.seconds().max(1.0);
    let mut all = DataQuality::default();
    let mut signals: Vec<(SignalQuality, u64)> = Vec::new();
    for (part, q) in pieces {
        let share = part.seconds() / length;
        all.coverage += share * q.coverage;
        all.bank_voltage_coverage += share * q.bank_voltage_coverage;
        all.bank_current_coverage += share * q.bank_current_coverage;
        for gap in q.gaps {
            match all.gaps.last_mut() {
                // One silence, cut in two.
                Some(last) if gap.start <= last.end => last.end = last.end.max(gap.end),
                _ => all.gaps.push(gap),
            }
        }
        // The recording's own problems are the same in every piece.
        for (name, n) in q.problems {
            let known = all.problems.entry(name).or_default();
            *known = n.max(*known);
        }
        for note in q.notes {
            if !all.notes.contains(&note) {
                all.notes.push(note);
            }
        }
        for s in q.signals {
            let same = |t: &SignalQuality| (&t.owner, &t.role, &t.channel) == (&s.owner, &s.role, &s.channel);
            match signals.iter_mut().find(|(t, _)| same(t)) {
                Some((t, most)) => {
                    t.samples += s.samples;
                    t.coverage += share * s.coverage;
                    if s.samples > *most {
                        (t.interval_s, *most) = (s.interval_s, s.samples);
                    }
                }
                None => {
                    let samples = s.samples;
                    signals.push((SignalQuality { coverage: share * s.coverage, ..s }, samples));
                }
            }
        }
    }
    let three = |x: f64| ((x * 1000.0).round() / 1000.0).min(1.0);
    all.coverage = three(all.coverage);
    all.bank_voltage_coverage = three(all.bank_voltage_coverage);
    all.bank_current_coverage = three(all.bank_current_coverage);
    all.signals = signals.into_iter().map(|(s, _)| SignalQuality { coverage: three(s.coverage), ..s }).collect();
    all
}
