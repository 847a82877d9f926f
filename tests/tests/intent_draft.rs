//! A first intent file from recordings of boats that the program has never seen: what it asks for is filled in, and
//! the analysis runs.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::commands::{Cli, Streams, run};
use ampwake_tests::file;
use clap::Parser;
use std::path::Path;

/// Runs the program; its exit status and what it wrote to standard output and error.
fn ampwake(arguments: &[&str]) -> (u8, String, String) {
    let cli = Cli::try_parse_from(std::iter::once("ampwake").chain(arguments.iter().copied())).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false });
    (status, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Drafts, checks, fills in what is asked for as a user would, checks again, analyses.
fn five_minutes(recording: &str, answers: &[(&str, &str)], sources: usize) -> String {
    let dir = tempfile::tempdir().unwrap();
    let (db, intent) = (dir.path().join("voyage.db"), dir.path().join("vessel.toml"));
    let log = file(&format!("golden/recordings/{recording}/log.candump.gz"));
    assert_eq!(ampwake(&["import", text(&log), "--db", text(&db)]).0, 0);
    let (status, _, err) = ampwake(&["intent", "draft", text(&db), "--out", text(&intent)]);
    assert_eq!((status, err.contains("intent check")), (0, true), "{err}");
    // What somebody wrote is not written over.
    assert_eq!(ampwake(&["intent", "draft", text(&db), "--out", text(&intent)]).0, 2);

    let draft = std::fs::read_to_string(&intent).unwrap();
    assert_eq!(draft.matches("\n[[source]]\n").count(), sources, "{draft}");
    let (status, _, err) = ampwake(&["intent", "check", text(&intent)]);
    assert_eq!(status, 2);
    assert!(err.contains("`rated_a` is missing") && err.contains("`capacity_ah` is missing"), "{err}");
    assert!(!err.contains("unknown") && !err.contains("did you mean"), "{err}");

    let mut filled = draft;
    for (question, answer) in answers {
        filled = filled
            .lines()
            .map(|l| if l.starts_with(&format!("# {question} = ?")) { *answer } else { l })
            .collect::<Vec<_>>()
            .join("\n");
    }
    std::fs::write(&intent, filled).unwrap();
    let (status, out, err) = ampwake(&["intent", "check", text(&intent), text(&db)]);
    assert_eq!(status, 0, "{err}");
    assert!(out.contains("every signal was heard"), "{out}");
    let (status, out, err) = ampwake(&["analyze", text(&db), "--intent", text(&intent)]);
    assert_eq!(status, 0, "{err}");
    out
}

#[test]
fn channels_are_listed_for_people() {
    let dir = tempfile::tempdir().unwrap();
    let db = dir.path().join("voyage.db");
    let log = file("golden/recordings/harbour-evening/log.candump.gz");
    assert_eq!(ampwake(&["import", text(&log), "--db", text(&db)]).0, 0);
    let (status, out, _) = ampwake(&["channels", text(&db)]);
    assert_eq!(status, 0);
    let place = |what: &str| out.find(what).unwrap_or_else(|| panic!("{what}: {out}"));
    assert!(place("127507/6/operating_state") < place("127507/11/operating_state"), "6 comes before 11");
    let line = out.lines().find(|l| l.contains("127507/6/operating_state")).unwrap();
    assert!(line.ends_with("last: Not charging"), "{line}");
    assert!(!out.contains("never a value\n") && out.contains("channels that never had a value (--all shows them)"));
    let (_, some, _) = ampwake(&["channels", text(&db), "127751", "--all"]);
    assert!(some.lines().skip(1).all(|l| l.contains("127751")) && some.lines().count() > 8, "{some}");
    let (_, none, _) = ampwake(&["channels", text(&db), "furlong"]);
    assert!(none.starts_with("none of the "), "{none}");
}

#[test]
fn harbour_evening_in_five_minutes() {
    let out = five_minutes(
        "harbour-evening",
        &[
            ("chemistry", "chemistry = \"flooded\""),
            ("nominal_v", "nominal_v = 24"),
            ("cells_in_series", "cells_in_series = 12"),
            ("capacity_ah", "capacity_ah = 600"),
            ("kind", "kind = \"other\""),
            ("rated_a", "rated_a = 80"),
        ],
        3,
    );
    assert!(out.contains("charger 6"), "{out}");
}

#[test]
fn two_on_one_bus_in_five_minutes() {
    let out = five_minutes(
        "two-on-one-bus",
        &[
            ("chemistry", "chemistry = \"nmc\""),
            ("nominal_v", "nominal_v = 48"),
            ("cells_in_series", "cells_in_series = 13"),
            ("capacity_ah", "capacity_ah = 400"),
            ("kind", "kind = \"other\""),
            ("rated_a", "rated_a = 40"),
        ],
        3,
    );
    assert!(out.contains("charger 17"), "{out}");
}
