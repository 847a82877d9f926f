//! The words of the terminal that the live page has not got; the others stand in `live::words` and `report::words`.

pub const KEYS: &str = "q quits, arrows and Page Up/Down scroll";
pub const NEXT: &str = "Next: ";
pub const FINDINGS: &str = "Findings of these hours";
pub const NO_FINDINGS: &str = "Nothing was found in these hours.";
pub const TESTS: &str = "Commissioning tests";
pub const BUSES: &str = "Data buses";
pub const OF: &str = "of";
pub const READING: &str = "Reading the database.";

/// How old the data are.
pub fn age(text: &str) -> String {
    format!("data {text} old")
}
/// Since when a stage lasts, and how sure it is.
pub fn since(time: &str, sure: &str) -> String {
    format!("since {time} ({sure})")
}
/// One bus in a line.
pub fn bus(name: &str, heard: usize, of: usize, load: Option<&str>, last: &str) -> String {
    let load = load.map(|l| format!(", load {l}")).unwrap_or_default();
    format!("{name}: {heard} of {of} signals heard{load}, last at {last}")
}
