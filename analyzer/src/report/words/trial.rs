//! Words about the commissioning tests and how they stand.

use ampwake_schemas::trial::Coverage;

pub const TRIAL: &str = "Commissioning tests";
pub const NOTE: &str = "Which tests this vessel needs follows from its design; how each stands, from this recording. Steps, preconditions and \
    what counts as passed: `ampwake trial`.";
pub const PLAN: &str = "Trial plan";
pub const PLAN_NOTE: &str = "The tests follow from the design; how each stands, from what was recorded. Tests and times are common practice where \
    no source is named; the design's own figures and the makers' instructions come first.";
pub const COLUMNS: [&str; 4] = ["No.", "Test", "Stands", "What was seen"];
pub const STOP: &str = "Stop any test at once on";
pub const STOP_TOO: &str = "Stop also on";
pub const BEFORE: &str = "Before";
pub const STEPS: &str = "Do";
pub const ACCEPT: &str = "Covered when";
pub const CAUTION: &str = "Caution";
pub const SEEN: &str = "Seen";
pub const MISSING: &str = "Wanted";
pub const TESTS: &str = "The tests";
pub const OVERVIEW: &str = "How they stand";
pub const SET_POINTS: &str = "Set-point sheet";
pub const SET_POINTS_NOTE: &str = "What the design says every device is to be set to. Write beside it what the device itself shows. \
    * the design says nothing: the chemistry's usual figure (common practice, no source).";
pub const SET_POINT_COLUMNS: [&str; 4] = ["Of", "What", "Design", "As found"];
pub const OPEN: &str = "Open points";
pub const NOTHING_OPEN: &str = "Nothing is open.";
pub const NOTHING_RECORDED: &str = "nothing was recorded yet";
pub const NO_MARKS: &str = "Nothing was marked or read by hand (`ampwake mark`).";
pub const SIGN: &str = "Seen and agreed";
pub const SIGN_NOTE: &str = "Signing says that the tests were made as described. It makes this plan no certificate.";
pub const SIGN_ROWS: [&str; 3] = ["Commissioning engineer", "For the designer", "For the owner"];
pub const SIGN_COLUMNS: [&str; 4] = ["", "Name", "Place and date", "Signature"];

/// How a test stands.
pub const fn coverage(c: Coverage) -> &'static str {
    match c {
        Coverage::Covered => "covered",
        Coverage::Failed => "failed",
        Coverage::Begun => "begun",
        Coverage::ToSail => "still to sail",
        Coverage::OnPaper => "on paper",
    }
}
/// `Sandpiper: trial plan`.
pub fn page_title(vessel: &str) -> String {
    format!("{vessel}: {}", PLAN.to_lowercase())
}
/// The plan in one sentence.
pub fn headline(tests: usize, covered: usize, failed: usize) -> String {
    let lead = format!("{covered} of {} are covered", super::counted(tests, "test"));
    match failed {
        0 => format!("{lead}."),
        1 => format!("{lead}, one failed."),
        n => format!("{lead}, {n} failed."),
    }
}
