//! `--from`, `--to` and `--last`, for every command that takes them.

use super::Failure;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;

/// The arguments.
#[derive(Debug, Clone, Copy, clap::Args)]
pub struct Range {
    /// Only from this time on, for example 2026-05-01T08:00:00Z.
    #[arg(long, value_parser = time)]
    pub from: Option<Timestamp>,
    /// Only up to this time.
    #[arg(long, value_parser = time)]
    pub to: Option<Timestamp>,
    /// Only so long before the end of the recording, for example 7d or 12h.
    #[arg(long, value_name = "TIME", value_parser = length, conflicts_with_all = ["from", "to"])]
    pub last: Option<i64>,
}

impl Range {
    /// Its two ends, in a recording.
    ///
    /// # Errors
    /// The recording cannot be read.
    pub fn ends(&self, store: &Store) -> Result<(Option<Timestamp>, Option<Timestamp>), Failure> {
        let Some(last) = self.last else { return Ok((self.from, self.to)) };
        Ok((store.period()?.map(|p| Timestamp::from_micros(p.end.micros().saturating_sub(last))), None))
    }

    /// Refuses one that is empty.
    pub fn check(&self) -> Result<(), Failure> {
        match (self.from, self.to) {
            (Some(from), Some(to)) if from >= to => {
                Err(Failure::Input(format!("--from {from} is not before --to {to}")))
            }
            _ => Ok(()),
        }
    }
}

/// A time as people write it.
pub fn time(text: &str) -> Result<Timestamp, String> {
    Timestamp::parse_rfc3339(text).map_err(|e| format!("{e}; write a time such as 2026-05-01T08:00:00Z"))
}

/// Microseconds of `7d`, `12h`, `90min`.
fn length(text: &str) -> Result<i64, String> {
    let digits = text.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let seconds = match &text[digits.len()..] {
        "d" => 86_400,
        "h" => 3600,
        "min" => 60,
        _ => 0,
    };
    let number = digits.parse::<i64>().ok().filter(|n| (1..=36_500).contains(n) && seconds > 0);
    number.map(|n| n * seconds * 1_000_000).ok_or_else(|| format!("`{text}`: write a time such as 7d, 12h or 90min"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_whole_days_hours_or_minutes() {
        assert_eq!(length("7d"), Ok(7 * 86_400_000_000));
        assert_eq!((length("12h"), length("90min")), (Ok(43_200_000_000), Ok(5_400_000_000)));
        for wrong in ["", "d", "7", "-1d", "0h", "7 d", "99999999999d", "1.5h", "7y"] {
            assert!(length(wrong).is_err(), "{wrong}");
        }
    }
}
