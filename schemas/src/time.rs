//! Points in time. One type for "when the recorder received it": milliseconds are what the store keeps,
//! microseconds are what a recording carries.

use chrono::{DateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A point in time, microseconds since 1970-01-01T00:00:00Z (UTC, leap seconds ignored as POSIX does).
///
/// Serialises as RFC 3339 text with milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Timestamp(i64);

impl Timestamp {
    /// From whole microseconds since the epoch.
    pub const fn from_micros(us: i64) -> Self {
        Self(us)
    }
    /// From whole milliseconds since the epoch; saturates instead of overflowing.
    pub const fn from_millis(ms: i64) -> Self {
        Self(ms.saturating_mul(1000))
    }
    /// Microseconds since the epoch.
    pub const fn micros(self) -> i64 {
        self.0
    }
    /// Milliseconds since the epoch, rounded down.
    pub const fn millis(self) -> i64 {
        self.0.div_euclid(1000)
    }
    /// Seconds from `earlier` to `self`; negative when `self` is the earlier one.
    pub fn seconds_since(self, earlier: Self) -> f64 {
        (self.0.saturating_sub(earlier.0)) as f64 / 1e6
    }
    /// As a calendar time, or `None` beyond the calendar's range.
    pub fn to_utc(self) -> Option<DateTime<Utc>> {
        DateTime::from_timestamp_micros(self.0)
    }
    /// Parses RFC 3339 text such as `2026-05-01T00:00:00Z`.
    ///
    /// # Errors
    /// Text that is no RFC 3339 time.
    pub fn parse_rfc3339(text: &str) -> Result<Self, chrono::ParseError> {
        DateTime::parse_from_rfc3339(text).map(|t| Self(t.timestamp_micros()))
    }
}

impl fmt::Display for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.to_utc() {
            Some(t) => f.write_str(&t.to_rfc3339_opts(SecondsFormat::Millis, true)),
            None => write!(f, "{} us after 1970", self.0),
        }
    }
}

impl Serialize for Timestamp {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Timestamp {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        Self::parse_rfc3339(&text).map_err(serde::de::Error::custom)
    }
}

impl schemars::JsonSchema for Timestamp {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Timestamp".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string", "format": "date-time",
            "description": "RFC 3339, UTC, milliseconds"
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_back() {
        let t = Timestamp::parse_rfc3339("2025-09-12T12:40:00.110Z").unwrap();
        assert_eq!(t.micros(), 1_757_680_800_110_000);
        assert_eq!(t.to_string(), "2025-09-12T12:40:00.110Z");
    }

    #[test]
    fn before_the_epoch_rounds_down() {
        assert_eq!(Timestamp::from_micros(-1).millis(), -1);
    }
}
