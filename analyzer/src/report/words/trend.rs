//! Words about what changes over months and years.

use ampwake_schemas::findings::{Direction, TrendOf};

pub const NOTHING: &str = "Nothing that a trend could be told of was recorded: it takes months, with current and voltage measured at the sources, full \
    charges to the tail current, and steps of the current.";
pub const HOW: &str = "A change is told at eight months at least, with a probability of chance below 1 % (Mann-Kendall), and where it is larger than the \
    uncertainty and than 5 %; its size is the Theil-Sen slope with a 99 % interval.";

pub fn title(vessel: &str, time: &str) -> String {
    format!("{vessel}: what changed over {time}")
}

pub const fn direction(direction: Direction) -> &'static str {
    match direction {
        Direction::Falling => "FALLING",
        Direction::Rising => "RISING",
        Direction::None => "No trend",
        Direction::TooShort => "Too few months to tell",
    }
}

const fn what(of: TrendOf) -> &'static str {
    match of {
        TrendOf::BankCapacity => "capacity of the bank",
        TrendOf::BankResistance => "resistance of the bank",
        TrendOf::LeadResistance => "lead of",
        TrendOf::ShareOfKind => "part of what its kind gave:",
    }
}

/// `change` is the change of a year and the ends of its interval.
pub fn line(
    of: TrendOf,
    whose: Option<&str>,
    last: &str,
    months: usize,
    change: Option<(String, String, String)>,
) -> String {
    let name = whose.map_or(String::new(), |w| format!(" {w}"));
    let change = change.map_or(String::new(), |(a, low, high)| format!(", {a} a year ({low} to {high})"));
    let months = if months == 1 { "1 month".to_owned() } else { format!("{months} months") };
    format!("{}{name}: {last} in the last of {months}{change}", what(of))
}
