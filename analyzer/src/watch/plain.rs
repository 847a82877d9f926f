//! One line per snapshot, for a pipe, a log or a slow connection; more only when something is missing.

use super::words;
use crate::live::words as shared;
use crate::live::{BankNow, Snapshot, SourceNow, SourceState, Standing};
use crate::report::clock::Clock;
use crate::report::format::{self, plain};
use crate::report::words as report;
use ampwake_schemas::findings::Severity;
use std::io::{self, Write};

/// Writes the snapshot.
pub fn write(s: &Snapshot, out: &mut dyn Write) -> io::Result<()> {
    let clock = Clock::new(s.time_zone.as_deref());
    let time = s.newest.unwrap_or(s.made);
    write!(out, "{} {}", clock.moment(time), shared::standing(s.standing).to_lowercase())?;
    if let Some(age) = s.age_s {
        write!(out, ", {}", words::age(&format::duration(age.max(0.0))))?;
    }
    for b in &s.banks {
        write!(out, " | {}", bank(b))?;
        for source in &b.sources {
            write!(out, " | {}", one(source))?;
        }
    }
    let weighty = s.findings.iter().filter(|f| f.ongoing && f.finding.severity >= Severity::Caution);
    for f in weighty {
        write!(out, " | {}: {}", report::severity(f.finding.severity), format::sentence(&f.finding.summary))?;
    }
    writeln!(out)?;
    if s.standing == Standing::Missing {
        for a in &s.advice {
            writeln!(out, "  {}", a.what)?;
            for line in &a.details {
                writeln!(out, "    {line}")?;
            }
            writeln!(out, "  {}{}", words::NEXT, a.next)?;
        }
    }
    Ok(())
}

/// `bank bulk 53.20 V 62.1 A 71 %`.
pub fn bank(b: &BankNow) -> String {
    let mut parts = vec![plain(&b.name)];
    parts.push(b.stage.map_or(report::NOT_KNOWN, |x| report::stage(x.stage)).to_owned());
    parts.push(b.volts.map_or_else(|| "? V".to_owned(), format::volts));
    parts.push(b.amps.map_or_else(|| "? A".to_owned(), format::amps));
    parts.extend(b.state_of_charge.map(format::percent));
    parts.extend(b.temperature_c.map(|t| format::celsius(t.1)));
    parts.join(" ")
}

fn one(s: &SourceNow) -> String {
    let figure = figure(s);
    let state = shared::state(s.state);
    match s.state {
        SourceState::Gives => format!("{} {figure}", plain(&s.name)),
        SourceState::Idle | SourceState::GivesLess => format!("{} {figure}, {state}: {}", plain(&s.name), s.why),
        _ => format!("{} {figure}, {state}", plain(&s.name)),
    }
}

/// `62.0 A of 80 A`.
pub fn figure(s: &SourceNow) -> String {
    let gives = s.amps.map_or_else(|| "? A".to_owned(), format::amps);
    match s.could_a {
        Some(could) => format!("{gives} {} {}", words::OF, format::setting(could.round(), "A")),
        None => gives,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::Advice;
    use ampwake_schemas::time::Timestamp;

    #[test]
    fn what_is_missing_is_told_in_lines_without_control_characters() {
        let mut s = Snapshot::nothing(Standing::Missing, Timestamp::from_millis(0));
        s.advice.push(Advice { what: "a".into(), details: vec!["b".into()], next: "c".into() });
        let mut out = Vec::new();
        write(&s, &mut out).unwrap();
        assert_eq!(String::from_utf8(out).unwrap(), "1 Jan 1970 00:00 something is missing\n  a\n    b\n  Next: c\n");
    }
}
