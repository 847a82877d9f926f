//! Marks against tapes: what agrees, what does not, and what nobody can compare.

use super::*;
use crate::testing::{Tape, amps, vessel};

fn mark(at_s: i64, text: &str, channel: Option<&str>, details: &str) -> Event {
    Event {
        time: Timestamp::from_millis(at_s * 1000),
        kind: KIND.into(),
        bus: None,
        channel: channel.map(|c| c.parse().expect("an address")),
        text: text.into(),
        details: details.into(),
    }
}

/// The first charger gives `current`; these are the readings of it by hand, A, at 100 s, 200 s, ...
fn read(current: impl Fn(i64) -> f64, by_hand: &[f64], more: &str) -> (Vec<Mark>, Vec<Finding>) {
    let mut recording = Tape::new(1000).with(&amps(1), current).recording();
    recording.events = by_hand
        .iter()
        .enumerate()
        .map(|(n, v)| {
            let details = format!("{{\"reading\": {v}, \"unit\": \"A\"{more}}}");
            mark(100 * (n as i64 + 1), "clamp", Some(&amps(1)), &details)
        })
        .collect();
    let intent = vessel("");
    let marks = marks(&recording, &intent);
    let found = disagreements(&marks, &intent);
    (marks, found)
}

fn agreement(m: &Mark) -> Agreement {
    m.reading.as_ref().expect("a reading").agreement
}

#[test]
fn readings_agree_within_both_uncertainties() {
    // The sensor: 0.5 % of 80 A and 0.5 A, 0.640 A. The clamp's usual limits: 2 % and 0.5 A, 2.12 A / sqrt(3) = 1.224 A.
    // Twice their root sum of squares: 2.763 A.
    let (marks, found) = read(|_| 80.0, &[81.0, 82.7, 77.4], "");
    assert!(marks.iter().all(|m| agreement(m) == Agreement::Agrees), "{marks:#?}");
    assert_eq!(found, []);
    let (marks, found) = read(|_| 80.0, &[83.0], "");
    assert_eq!((agreement(&marks[0]), found.len()), (Agreement::Differs, 1));
    // A better instrument: 1 A. 2 x hypot(0.577, 0.640) = 1.724 A.
    let (marks, _) = read(|_| 80.0, &[81.7, 81.8], ", \"plus_minus\": 1.0");
    assert_eq!(marks.iter().map(agreement).collect::<Vec<_>>(), [Agreement::Agrees, Agreement::Differs]);
}

#[test]
fn the_same_difference_everywhere_is_an_offset_and_another_one_a_fault() {
    // 40 A until 150 s, then 80 A; both 5 A less than what flows.
    let step = |t: i64| if t < 150 { 40.0 } else { 80.0 };
    let (_, found) = read(step, &[45.0, 85.0], ", \"calibrated\": \"1969-06-01\"");
    assert_eq!((found.len(), found[0].kind, found[0].confidence), (1, Kind::SensorOffset, 0.85));
    assert_eq!(found[0].source.as_deref(), Some("first"));
    let (_, found) = read(step, &[44.0, 88.0], "");
    assert_eq!((found[0].kind, found[0].confidence), (Kind::SensorFault, 0.6));
    let (_, found) = read(|_| -60.0, &[60.0], "");
    assert!(found[0].summary.contains("wrong way round"), "{}", found[0].summary);
}

#[test]
fn the_calibration_is_spoken_of_where_it_has_to_be() {
    // Tapes begin on 1970-01-01.
    let said = |date: &str| {
        let (marks, _) = read(|_| 80.0, &[80.0], &format!(", \"calibrated\": \"{date}\""));
        marks[0].reading.as_ref().expect("a reading").reason.clone()
    };
    assert!(!said("1969-01-01").contains("calibration"), "{}", said("1969-01-01"));
    assert!(said("1968-12-31").contains("more than a year old"));
    assert!(said("1970-01-02").contains("after the reading"));
    assert!(said("last spring").contains("cannot be read"));
    let (marks, _) = read(|_| 80.0, &[80.0], "");
    assert!(marks[0].reading.as_ref().expect("a reading").reason.contains("not stated"));
}

#[test]
fn a_current_that_moves_is_compared_with_more_patience() {
    // 1 A a second: within the half minute about the reading it covers 30 A, and its middle four fifths 24 A.
    let (marks, _) = read(|t| t as f64, &[115.0], "");
    assert_eq!(agreement(&marks[0]), Agreement::Agrees);
}

#[test]
fn what_nobody_recorded_is_not_compared() {
    let (marks, found) = read(|_| f64::NAN, &[80.0], "");
    assert_eq!((agreement(&marks[0]), found.len()), (Agreement::NotCompared, 0));
    let mut recording = Tape::new(1000).with(&amps(1), |_| 80.0).recording();
    recording.events = vec![
        mark(100, "a letter", None, "not JSON"),
        mark(50, "no number", Some(&amps(1)), r#"{"reading": 1e999}"#),
        mark(70, "elsewhere", Some("can0/n2k/127751/77/dc_current"), r#"{"reading": 80, "unit": "A"}"#),
        mark(80, "nowhere", None, r#"{"reading": 1.265, "unit": "kg/L"}"#),
    ];
    let all = marks_of(&recording);
    assert_eq!(
        all.iter().map(|m| m.text.as_str()).collect::<Vec<_>>(),
        ["no number", "elsewhere", "nowhere", "a letter"]
    );
    assert!(all.iter().filter_map(|m| m.reading.as_ref()).all(|r| r.agreement == Agreement::NotCompared));
}

fn marks_of(recording: &Recording) -> Vec<Mark> {
    marks(recording, &vessel(""))
}

#[test]
fn a_mark_about_a_source_stands_beside_the_finding_about_it() {
    let mut recording = Tape::new(1000).recording();
    recording.events =
        vec![mark(100, "Second charger off for a test: SECOND", None, "{}"), mark(110, "tea", None, "{}")];
    let all = marks_of(&recording);
    let mut found =
        vec![finding(Kind::NonContributingSource, Severity::Caution, (300_000, 900_000), 0.8, "idle").about("second")];
    explain(&mut found, &all);
    assert!(found[0].check_next[0].contains("off for a test") && !found[0].check_next[0].contains("tea"));
    let mut other =
        vec![finding(Kind::NonContributingSource, Severity::Caution, (300_000, 900_000), 0.8, "idle").about("first")];
    explain(&mut other, &all);
    assert_eq!(other[0].check_next.len(), 0);
}
