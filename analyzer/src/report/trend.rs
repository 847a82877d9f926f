//! The trends for a terminal: what changed first, then what did not, then what cannot be told yet.

use super::text::hanging;
use super::words::trend as said;
use super::{format, words};
use ampwake_schemas::findings::{Direction, Findings, Trend};
use std::io::{self, Write};

/// Writes them.
///
/// # Errors
/// What the writer reports.
pub fn trend_text(findings: &Findings, out: &mut dyn Write) -> io::Result<()> {
    hanging(out, "", &said::title(&format::plain(&findings.vessel), &format::duration(findings.period.seconds())))?;
    if findings.trend.is_empty() {
        writeln!(out)?;
        return hanging(out, "", said::NOTHING);
    }
    for direction in [Direction::Falling, Direction::Rising, Direction::None, Direction::TooShort] {
        let of: Vec<&Trend> = findings.trend.iter().filter(|t| t.direction == direction).collect();
        if of.is_empty() {
            continue;
        }
        writeln!(out)?;
        writeln!(out, "{}", said::direction(direction))?;
        for t in of {
            hanging(out, "  ", &line(t))?;
        }
    }
    writeln!(out)?;
    hanging(out, "", words::trend::HOW)
}

fn line(t: &Trend) -> String {
    let (unit, factor) = if t.unit == "fraction" { ("%", 100.0) } else { (t.unit.as_str(), 1.0) };
    let figure = |x: f64| format::quantity(factor * x, unit);
    let whose = t.source.as_deref().map(format::plain);
    let last = t.points.last().map_or(String::new(), |p| figure(p.value));
    let change = t.per_year.zip(t.low.zip(t.high)).map(|(s, (low, high))| (figure(s), figure(low), figure(high)));
    said::line(t.of, whose.as_deref(), &last, t.points.len(), change)
}
