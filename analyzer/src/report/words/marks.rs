//! Words about what was done and read by hand.

use ampwake_schemas::findings::Agreement;

pub const MARKS: &str = "Done and read by hand";
pub const MARKS_NOTE: &str = "Marks that somebody wrote into the database, with the numbers that stand in the charts. A reading by hand is \
    held against what the recording has of that half minute; \u{b1} is the expanded uncertainty (coverage factor 2, about 95 %).";
pub const COLUMNS: [&str; 6] = ["No.", "When", "What", "Read by hand", "Recorded", "Result"];
pub const STRIP: &str = "Marks";
pub const KEY: &str = "done or read by hand, see the list below";
pub const INSTRUMENTS: &str = "Instruments";
pub const INSTRUMENT_COLUMNS: [&str; 4] = ["Instrument", "Calibrated", "Readings", "Remark"];
pub const UNNAMED: &str = "not named";
pub const NOT_STATED: &str = "not stated";
pub const OLD: &str = "more than a year before the reading";
pub const AFTER: &str = "dated after the reading";
pub const USUAL: &str = "its limits of error were not stated: usual ones (common practice, no source)";

/// What a reading came to.
pub const fn agreement(a: Agreement) -> &'static str {
    match a {
        Agreement::Agrees => "agrees",
        Agreement::Differs => "differs",
        Agreement::NotCompared => "not compared",
    }
}
/// One line about all marks.
pub fn summary(marks: usize, agree: usize, differ: usize, not_compared: usize) -> String {
    let mut readings = Vec::new();
    for (n, word) in [(agree, "agree"), (differ, "differ"), (not_compared, "not compared")] {
        if n > 0 {
            let s = if n == 1 && word != "not compared" { "s" } else { "" };
            readings.push(format!("{n} {word}{s}"));
        }
    }
    let lead = super::counted(marks, "mark");
    if readings.is_empty() { lead } else { format!("{lead}; readings by hand: {}", readings.join(", ")) }
}
