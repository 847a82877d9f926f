//! Numbers, times and dates as sentences write them. Stricter than Rust's own reading of numbers, which takes
//! `inf` and `1e9`: those are no measurements.

use chrono::NaiveDate;

/// Longest number that is one, in characters.
const LONGEST: usize = 24;

/// A decimal number with an optional sign.
pub(super) fn decimal(text: &str) -> Option<f64> {
    let digits = text.strip_prefix(['-', '+']).unwrap_or(text);
    let good = digits.bytes().all(|b| b.is_ascii_digit() || b == b'.') && digits.bytes().any(|b| b.is_ascii_digit());
    (good && text.len() <= LONGEST).then(|| text.parse().ok())?
}

/// `hhmmss` or `hhmmss.sss` as microseconds since midnight.
pub(super) fn clock_time(text: &str) -> Option<i64> {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    if whole.len() != 6 || fraction.len() > 9 || !text.bytes().all(|b| b.is_ascii_digit() || b == b'.') {
        return None;
    }
    let part = |from: usize| whole.get(from..from + 2)?.parse::<i64>().ok();
    let (hours, minutes, seconds) = (part(0)?, part(2)?, part(4)?);
    // 60 is a leap second.
    if hours > 23 || minutes > 59 || seconds > 60 {
        return None;
    }
    let micros: f64 = if fraction.is_empty() { 0.0 } else { format!("0.{fraction}").parse().ok()? };
    Some((hours * 3600 + minutes * 60 + seconds) * 1_000_000 + (micros * 1e6) as i64)
}

/// A date as microseconds since 1970.
pub(super) fn date(day: &str, month: &str, year: &str) -> Option<i64> {
    let number = |text: &str| (text.len() <= 4).then(|| text.parse::<u32>().ok())?;
    let date = NaiveDate::from_ymd_opt(i32::try_from(number(year)?).ok()?, number(month)?, number(day)?)?;
    Some(date.and_hms_opt(0, 0, 0)?.and_utc().timestamp_micros())
}
