//! The trial plan for a terminal: what failed first, then what is begun and what is still to sail; what is covered in one
//! line each.

use super::clock::Clock;
use super::format;
use super::text::hanging;
use super::words::{self, trial as said};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::trial::{Coverage, Test, Trial};
use std::io::{self, Write};

/// The order in which it matters.
pub(super) const ORDER: [Coverage; 5] =
    [Coverage::Failed, Coverage::Begun, Coverage::ToSail, Coverage::OnPaper, Coverage::Covered];

/// Writes it.
///
/// # Errors
/// What the writer reports.
pub fn trial_text(trial: &Trial, intent: &Intent, out: &mut dyn Write) -> io::Result<()> {
    let clock = Clock::new(intent.vessel.time_zone.as_deref());
    let when = when(trial, &clock);
    hanging(out, "", &format!("{}, {when}", said::page_title(&format::plain(&trial.vessel))))?;
    writeln!(out)?;
    hanging(
        out,
        "",
        &said::headline(trial.tests.len(), trial.count(Coverage::Covered), trial.count(Coverage::Failed)),
    )?;
    for coverage in ORDER {
        let of: Vec<&Test> = trial.tests.iter().filter(|t| t.standing.coverage == coverage).collect();
        if of.is_empty() {
            continue;
        }
        writeln!(out)?;
        // Upper case is the terminal's only emphasis; it is for what fails.
        let word = match coverage {
            Coverage::Failed => said::coverage(coverage).to_uppercase(),
            _ => format::sentence_start(said::coverage(coverage)),
        };
        writeln!(out, "{word} ({})", of.len())?;
        for t in of {
            hanging(out, &format!("  {:>3}  ", t.standing.number), &line(t))?;
        }
    }
    writeln!(out)?;
    hanging(out, "", words::CAUTION_LINE)
}

/// What the standings rest on.
pub(super) fn when(trial: &Trial, clock: &Clock) -> String {
    match trial.period {
        Some(p) => format!("{} ({})", clock.span(p.start, p.end), clock.zone(p)),
        None => said::NOTHING_RECORDED.to_owned(),
    }
}

fn line(t: &Test) -> String {
    let s = &t.standing;
    let title = format::sentence_start(&s.title);
    let wanted = || t.missing.first().map_or(String::new(), |m| format!(" {}: {}", said::MISSING, format::sentence(m)));
    match s.coverage {
        Coverage::Covered => title,
        Coverage::ToSail => format!("{title}.{}", wanted()),
        Coverage::Failed | Coverage::Begun | Coverage::OnPaper => {
            format!("{title}. {}{}", format::sentence(&s.seen), wanted())
        }
    }
}
