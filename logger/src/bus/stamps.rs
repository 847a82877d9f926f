//! What the times of a recording mean: candump writes them since 1970, as dates, since its start, or since the
//! line before, and says nowhere which.

use super::candump::Stamp;
use ampwake_schemas::time::Timestamp;

/// Frames to look at before deciding.
pub const ENOUGH: usize = 200;
/// Seconds below this (1973) are no date of a recording.
const RELATIVE_BELOW_US: i64 = 100_000_000 * 1_000_000;
/// A pause between two lines beyond this is a damaged line (30 days).
const LONGEST_PAUSE_US: i64 = 30 * 86_400 * 1_000_000;
/// Pauses do not add up to more than the year 9999 (thousands of the longest ones would).
const LAST_US: i64 = 253_402_300_799_999_999;

/// What kind of times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Meaning {
    /// Seconds since 1970.
    #[default]
    Absolute,
    /// Dates in the zone of the computer that recorded, which is not said.
    LocalDates,
    /// Seconds since the start of the recording.
    SinceStart,
    /// Seconds since the line before.
    SinceLine,
    /// The recording says none; they are what its own sentences tell.
    Told,
}

impl Meaning {
    /// False where the time of day must come from somewhere else.
    pub fn is_utc(self) -> bool {
        matches!(self, Self::Absolute | Self::Told)
    }
}

/// Turns stamps into times; those of relative recordings begin in 1970.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Stamps {
    meaning: Meaning,
    sum_us: i64,
}

impl Stamps {
    /// From the first stamps of a recording.
    pub fn of(first: impl Iterator<Item = Stamp>) -> Self {
        let mut seconds = Vec::new();
        let (mut dates, mut told) = (0, 0);
        for stamp in first {
            match stamp {
                Stamp::Seconds(us) => seconds.push(us),
                Stamp::Calendar(_) => dates += 1,
                Stamp::Told(_) => told += 1,
            }
        }
        let relative = seconds.iter().filter(|us| **us < RELATIVE_BELOW_US).count();
        let meaning = if told > dates + seconds.len() {
            Meaning::Told
        } else if dates > seconds.len() {
            Meaning::LocalDates
        } else if relative * 2 <= seconds.len() {
            Meaning::Absolute
        } else if is_since_line(&seconds) {
            Meaning::SinceLine
        } else {
            Meaning::SinceStart
        };
        Self { meaning, sum_us: 0 }
    }

    /// What kind of times.
    pub fn meaning(&self) -> Meaning {
        self.meaning
    }

    /// The time of the next line.
    ///
    /// # Errors
    /// It cannot be one: the name under which that is counted.
    pub fn time(&mut self, stamp: Stamp) -> Result<Timestamp, &'static str> {
        let us = match (stamp, self.meaning) {
            // Clocks do not mix.
            (Stamp::Told(us), Meaning::Told) => us,
            (Stamp::Told(_), _) => return Err("sentence_without_time"),
            (_, Meaning::Told) => return Err("time_of_another_clock"),
            (Stamp::Seconds(us) | Stamp::Calendar(us), _) => us,
        };
        if self.meaning == Meaning::SinceLine {
            // A date is no pause either.
            let pause = matches!(stamp, Stamp::Seconds(_)) && (0..=LONGEST_PAUSE_US).contains(&us);
            let sum = self.sum_us.checked_add(us).filter(|sum| pause && *sum <= LAST_US).ok_or("damaged_line")?;
            self.sum_us = sum;
            return Ok(Timestamp::from_micros(sum));
        }
        Ok(Timestamp::from_micros(us))
    }
}

/// Times since the start hardly ever decrease (two interfaces are a little out of order); pauses between lines
/// decrease nearly every other time. Equal ones are pauses too: no bus carries many frames in one microsecond.
fn is_since_line(seconds: &[i64]) -> bool {
    let decreasing = seconds.windows(2).filter(|w| w[1] < w[0]).count();
    let equal = seconds.windows(2).filter(|w| w[1] == w[0]).count();
    decreasing * 8 > seconds.len() || equal * 2 > seconds.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn meaning(micros: impl IntoIterator<Item = i64>) -> Meaning {
        Stamps::of(micros.into_iter().map(Stamp::Seconds)).meaning()
    }

    #[test]
    fn kinds_are_told_apart() {
        assert_eq!(meaning((0..200).map(|i| 1_757_680_800_000_000 + i)), Meaning::Absolute);
        assert_eq!(meaning((0..200).map(|i| i * 12_345)), Meaning::SinceStart);
        assert_eq!(meaning((0..200).map(|i| i * 7919 % 10_007)), Meaning::SinceLine);
        assert_eq!(meaning([100_000; 50]), Meaning::SinceLine);
        assert_eq!(meaning([0]), Meaning::SinceStart);
        // Two interfaces, each written in a burst: a little disorder now and then.
        assert_eq!(meaning((0..200).map(|i| i * 10_000 - if i % 20 == 0 { 15_000 } else { 0 })), Meaning::SinceStart);
        assert_eq!(Stamps::of([Stamp::Calendar(5)].into_iter()).meaning(), Meaning::LocalDates);
    }

    #[test]
    fn clocks_do_not_mix() {
        let mut told = Stamps::of([Stamp::Told(5), Stamp::Told(5), Stamp::Seconds(7)].into_iter());
        assert_eq!((told.meaning(), told.meaning().is_utc()), (Meaning::Told, true));
        assert_eq!(told.time(Stamp::Told(5)), Ok(Timestamp::from_micros(5)));
        assert_eq!(told.time(Stamp::Seconds(7)), Err("time_of_another_clock"));
        let mut received = Stamps::of([Stamp::Told(5), Stamp::Seconds(2_000_000_000_000_000)].into_iter());
        assert_eq!(received.meaning(), Meaning::Absolute);
        assert_eq!(received.time(Stamp::Told(5)), Err("sentence_without_time"));
    }

    #[test]
    fn pauses_add_up_and_an_absurd_one_is_damage() {
        let mut stamps = Stamps::of([0, 30, 10, 20, 5].map(Stamp::Seconds).into_iter());
        let times: Vec<_> = [0, 30, 10].map(|us| stamps.time(Stamp::Seconds(us)).unwrap().micros()).to_vec();
        assert_eq!(times, [0, 30, 40]);
        assert_eq!(stamps.time(Stamp::Seconds(1_757_680_800_000_000)), Err("damaged_line"));
        assert_eq!(stamps.time(Stamp::Calendar(5)), Err("damaged_line"), "a date is no pause");
        assert_eq!(stamps.time(Stamp::Seconds(5)).unwrap().micros(), 45);
    }
}
