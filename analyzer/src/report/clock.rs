//! Times as the crew's clock shows them: the vessel's time zone, with the offset from UTC said, and the ticks of a
//! time axis.

use super::words;
use ampwake_schemas::findings::Period;
use ampwake_schemas::time::Timestamp;
use chrono::{
    DateTime, Datelike, Days, FixedOffset, Months, NaiveDateTime, NaiveTime, Offset, TimeDelta, TimeZone, Timelike, Utc,
};
use chrono_tz::Tz;

/// Turns times into text. Everything is stored in UTC; the zone is for display only.
#[derive(Debug, Clone)]
pub struct Clock {
    zone: Tz,
    /// What the intent asked for and the zone database does not know.
    unknown: Option<String>,
}

impl Clock {
    /// For the intent's `time_zone`; none, or a name that is not in the IANA database, is UTC.
    pub fn new(zone: Option<&str>) -> Self {
        match zone.map(|name| (name, name.parse::<Tz>())) {
            None => Self { zone: Tz::UTC, unknown: None },
            Some((_, Ok(zone))) => Self { zone, unknown: None },
            Some((name, Err(_))) => Self { zone: Tz::UTC, unknown: Some(name.to_owned()) },
        }
    }

    /// The zone's name in the IANA database.
    pub fn zone_name(&self) -> &'static str {
        self.zone.name()
    }

    /// The name that was asked for and is not known.
    pub fn unknown_zone(&self) -> Option<&str> {
        self.unknown.as_deref()
    }

    fn local(&self, t: Timestamp) -> Option<DateTime<Tz>> {
        // Years that a clock on board can show; beyond them local arithmetic could leave the calendar.
        t.to_utc().filter(|t| (1900..=2200).contains(&t.year())).map(|t| t.with_timezone(&self.zone))
    }

    /// `12 Sep 2025 14:40`.
    pub fn moment(&self, t: Timestamp) -> String {
        self.local(t).map_or_else(|| words::NO_CALENDAR.to_owned(), |t| t.format("%-d %b %Y %H:%M").to_string())
    }

    /// `14:40`, for a moment on a day that is known.
    pub fn time(&self, t: Timestamp) -> String {
        self.local(t).map_or_else(|| words::NO_CALENDAR.to_owned(), |t| t.format("%H:%M").to_string())
    }

    /// `12 Sep 2025 14:40 to 18:20`, with the second day where it is another; one moment where both read the same.
    pub fn span(&self, start: Timestamp, end: Timestamp) -> String {
        if self.moment(start) == self.moment(end) {
            return self.moment(start);
        }
        let same_day = match (self.local(start), self.local(end)) {
            (Some(a), Some(b)) => a.date_naive() == b.date_naive(),
            _ => false,
        };
        let end = if same_day { self.time(end) } else { self.moment(end) };
        words::from_to(&self.moment(start), &end)
    }

    /// `Europe/Lisbon, UTC+01:00`; both offsets where the clocks change within the period; `UTC` alone for UTC.
    pub fn zone(&self, period: Period) -> String {
        let offset = |t| self.local(t).map(|t| t.offset().fix());
        let (a, b) = (offset(period.start), offset(period.end));
        let text = match (a, b) {
            _ if self.zone == Tz::UTC => return "UTC".to_owned(),
            (Some(a), Some(b)) if a != b => words::offsets_change(&offset_text(a), &offset_text(b)),
            (Some(a), _) | (None, Some(a)) => offset_text(a),
            (None, None) => words::NO_CALENDAR.to_owned(),
        };
        format!("{}, {text}", self.zone.name())
    }

    /// The same moments in UTC, as provenance states them.
    pub fn utc(t: Timestamp) -> String {
        t.to_utc().map_or_else(|| words::NO_CALENDAR.to_owned(), |t| t.format("%Y-%m-%d %H:%M:%S").to_string())
    }

    /// At most about `wanted` ticks for a time axis, as (ms since the epoch, label), on round local times.
    pub fn ticks(&self, period: Period, wanted: usize) -> Vec<(i64, String)> {
        let (Some(start), Some(end)) = (self.local(period.start), self.local(period.end)) else {
            return Vec::new();
        };
        let seconds = (end.timestamp() - start.timestamp()).max(1);
        let step = Step::choose(seconds, wanted.max(2));
        let mut at = step.floor(start.naive_local());
        let mut ticks: Vec<(i64, String)> = Vec::new();
        // The bound is for safety only: `choose` keeps the count near `wanted`.
        for _ in 0..wanted * 8 + 8 {
            // A local time that the clocks skip has no moment; one that they repeat is taken once.
            if let Some(t) = self.zone.from_local_datetime(&at).earliest().map(|t| t.with_timezone(&Utc)) {
                if t > end {
                    break;
                }
                let ms = t.timestamp_millis();
                if t >= start && ticks.last().is_none_or(|last| last.0 < ms) {
                    ticks.push((ms, step.label(at)));
                }
            }
            let Some(next) = step.after(at) else { break };
            at = next;
        }
        ticks
    }
}

fn offset_text(offset: FixedOffset) -> String {
    format!("UTC{offset}")
}

/// The distance between two ticks.
#[derive(Debug, Clone, Copy)]
enum Step {
    Seconds(i64),
    Days(u64),
    Months(u32),
}

impl Step {
    fn choose(span_s: i64, wanted: usize) -> Self {
        const MINUTES: [i64; 12] = [1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720];
        const DAYS: [u64; 4] = [1, 2, 7, 14];
        const MONTHS: [u32; 6] = [1, 2, 3, 6, 12, 120];
        let fits = |step_s: i64| span_s / step_s <= wanted as i64;
        if let Some(m) = MINUTES.into_iter().find(|m| fits(m * 60)) {
            return Self::Seconds(m * 60);
        }
        if let Some(d) = DAYS.into_iter().find(|d| fits(*d as i64 * 86_400)) {
            return Self::Days(d);
        }
        Self::Months(MONTHS.into_iter().find(|m| fits(i64::from(*m) * 2_629_746)).unwrap_or(600))
    }

    fn floor(self, t: NaiveDateTime) -> NaiveDateTime {
        let midnight = t.date().and_time(NaiveTime::MIN);
        match self {
            Self::Seconds(step) => {
                let s = i64::from(t.num_seconds_from_midnight());
                midnight + TimeDelta::seconds(s - s % step)
            }
            // Weeks and fortnights count from a fixed day, so that panels of one vessel agree.
            Self::Days(days) => {
                let back = (t.date().num_days_from_ce().unsigned_abs() as u64) % days;
                midnight.checked_sub_days(Days::new(back)).unwrap_or(midnight)
            }
            Self::Months(months) => {
                let back = (t.date().year().unsigned_abs() * 12 + t.date().month0()) % months;
                let first = t.date().with_day(1).unwrap_or(t.date()).and_time(NaiveTime::MIN);
                first.checked_sub_months(Months::new(back)).unwrap_or(first)
            }
        }
    }

    fn after(self, t: NaiveDateTime) -> Option<NaiveDateTime> {
        match self {
            Self::Seconds(step) => t.checked_add_signed(TimeDelta::seconds(step)),
            Self::Days(days) => t.checked_add_days(Days::new(days)),
            Self::Months(months) => t.checked_add_months(Months::new(months)),
        }
    }

    fn label(self, t: NaiveDateTime) -> String {
        let format = match self {
            Self::Seconds(_) if t.time() != NaiveTime::MIN => "%H:%M",
            Self::Seconds(_) | Self::Days(_) => "%-d %b",
            Self::Months(m) if m >= 12 => "%Y",
            Self::Months(_) => "%b %Y",
        };
        t.format(format).to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(text: &str) -> Timestamp {
        Timestamp::parse_rfc3339(text).unwrap()
    }

    #[test]
    fn times_are_the_vessels() {
        let clock = Clock::new(Some("Europe/Lisbon"));
        let (a, b) = (at("2025-09-12T12:40:00Z"), at("2025-09-12T23:30:00Z"));
        assert_eq!(clock.moment(a), "12 Sep 2025 13:40");
        assert_eq!(clock.span(a, b), "12 Sep 2025 13:40 to 13 Sep 2025 00:30");
        assert_eq!(clock.zone(Period { start: a, end: b }), "Europe/Lisbon, UTC+01:00");
    }

    #[test]
    fn an_unknown_zone_is_utc_and_says_so() {
        let clock = Clock::new(Some("Atlantis/Harbour"));
        assert_eq!(clock.unknown_zone(), Some("Atlantis/Harbour"));
        assert_eq!(clock.moment(at("2025-01-02T03:04:05Z")), "2 Jan 2025 03:04");
    }

    #[test]
    fn ticks_stand_on_round_local_hours_and_name_the_new_day() {
        // A zone with a half hour: round local times are not round in UTC.
        let clock = Clock::new(Some("Asia/Kolkata"));
        let period = Period { start: at("2025-09-12T10:00:00Z"), end: at("2025-09-13T00:00:00Z") };
        let labels: Vec<String> = clock.ticks(period, 7).into_iter().map(|t| t.1).collect();
        assert_eq!(labels, ["16:00", "18:00", "20:00", "22:00", "13 Sep", "02:00", "04:00"]);
    }

    #[test]
    fn a_change_of_the_clocks_shows_both_offsets_and_no_tick_twice() {
        // The European change of 26 October 2025, 01:00 UTC (Directive 2000/84/EC).
        let clock = Clock::new(Some("Europe/Lisbon"));
        let period = Period { start: at("2025-10-25T20:00:00Z"), end: at("2025-10-26T08:00:00Z") };
        assert_eq!(clock.zone(period), "Europe/Lisbon, UTC+01:00, then UTC+00:00");
        let ticks = clock.ticks(period, 14);
        assert!(ticks.windows(2).all(|w| w[0].0 < w[1].0));
        assert!(ticks.len() >= 12);
    }

    proptest! {
        #[test]
        fn any_period_gives_few_ticks_in_order(a in any::<i64>(), span in 0..4_000_000_000_000_000i64, wanted in 0usize..20) {
            for start in [a, a % 4_000_000_000_000_000] {
                let period = Period { start: Timestamp::from_micros(start), end: Timestamp::from_micros(start.saturating_add(span)) };
                let clock = Clock::new(Some("America/St_Johns"));
                let ticks = clock.ticks(period, wanted);
                prop_assert!(ticks.len() <= wanted.max(2) + 2, "{} of {}", ticks.len(), wanted);
                prop_assert!(ticks.windows(2).all(|w| w[0].0 < w[1].0));
                prop_assert!(!clock.span(period.start, period.end).is_empty());
                prop_assert!(!clock.zone(period).is_empty());
            }
        }
    }
}
