//! Times as people write them in a query, as bounds in milliseconds.
//!
//! Column `utc` is text, and SQLite compares it as text. A bound here may be wider than the text and never narrower:
//! SQLite looks at every row again.

use ampwake_schemas::time::Timestamp;

const PATTERN: &str = "0000-01-01T00:00:00.000Z";
/// Beginnings of a time that are times themselves, and how long each lasts at most, ms.
const BEGINNINGS: [(usize, i64); 7] =
    [(23, 1), (19, 1000), (16, 60_000), (13, 3_600_000), (10, 86_400_000), (7, 31 * 86_400_000), (4, 366 * 86_400_000)];

/// The time as column `utc` shows it; `None` where the calendar of four-digit years ends.
pub(super) fn text(utc_ms: i64) -> Option<String> {
    // Times of which microseconds cannot be counted are far beyond it.
    let us = utc_ms.checked_mul(1000)?;
    let text = Timestamp::from_micros(us).to_string();
    (text.len() == PATTERN.len() && text.starts_with(|c: char| c.is_ascii_digit())).then_some(text)
}

/// First and last millisecond of the times whose text begins as `text` does, as far as that is a time. Texts before
/// `text` are of times up to the last, texts after it of times from the first on.
pub(super) fn span(written: &str) -> Option<(i64, i64)> {
    BEGINNINGS.into_iter().find_map(|(length, lasts)| {
        let beginning = written.get(..length)?;
        let first = Timestamp::parse_rfc3339(&format!("{beginning}{}", &PATTERN[length..])).ok()?.millis();
        // What RFC 3339 allows beside our form (a small t, a 60th second) does not sort as our form does.
        text(first)?.starts_with(beginning).then_some((first, first.saturating_add(lasts - 1)))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_longest_beginning_that_is_a_time_counts() {
        let day = 1_777_593_600_000; // 2026-05-01
        for (written, first, lasts) in [
            ("2026-05-01", day, 86_400_000),
            ("2026-05-01 10:00", day, 86_400_000),
            ("2026-05-01T00:01", day + 60_000, 60_000),
            ("2026-05-01T00:00:01Z", day + 1000, 1000),
            ("2026-05-01T00:00:01.250Z", day + 1250, 1),
            ("2026-05-99", day, 31 * 86_400_000),
        ] {
            assert_eq!(span(written), Some((first, first + lasts - 1)), "{written}");
        }
        assert_eq!((span("yesterday"), span(""), span("20ü6-05-01")), (None, None, None));
    }

    proptest! {
        /// What the text leaves, the bounds leave.
        #[test]
        fn bounds_are_never_narrower_than_the_text(
            t in -100_000_000_000_i64..300_000_000_000_000, other in -100_000_000_000_i64..300_000_000_000_000,
            near in -5000_i64..5000, cut in 0_usize..=24, tail in "[ -~]{0,3}",
        ) {
            for other in [other, t + near] {
                let (Some(row), Some(bound)) = (text(t), text(other)) else { continue };
                let bound = format!("{}{tail}", &bound[..cut]);
                if let Some((first, last)) = span(&bound) {
                    prop_assert!(row < bound || t >= first, "{row} >= {bound}");
                    prop_assert!(row > bound || t <= last, "{row} <= {bound}");
                }
            }
        }
    }
}
