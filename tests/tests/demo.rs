//! `ampwake demo` from its command line to the files that it leaves, held against the truth of what it sailed.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::commands::{Cli, Streams, run};
use ampwake_analyzer::demo::{SEED, Trace, Voyage, sail};
use ampwake_schemas::findings::{Cause, Finding, Findings, Kind, Severity, VerdictWord};
use ampwake_schemas::time::Timestamp;
use clap::Parser;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// What one run left and said.
struct Demo {
    folder: tempfile::TempDir,
    said: String,
    findings: Findings,
    voyage: Voyage,
}

impl Demo {
    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join("out").join(name)
    }

    fn about(&self, source: &str) -> Vec<&Finding> {
        self.findings.findings.iter().filter(|f| f.source.as_deref() == Some(source)).collect()
    }
}

fn command(arguments: &[&str]) -> (u8, String, String) {
    let cli = Cli::try_parse_from(arguments).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false });
    (status, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

/// What it leaves.
const FILES: [&str; 5] = ["findings.json", "recording.log", "report.html", "vessel.toml", "voyage.db"];

/// The files of a folder by name, without those that SQLite keeps beside a database that was read.
fn left(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let names = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = names.filter(|name| !["voyage.db-wal", "voyage.db-shm"].contains(&&**name)).collect();
    names.sort();
    names
}

fn demonstrate(folder: &Path) -> String {
    let out = folder.join("out");
    let (status, said, err) = command(&["ampwake", "demo", "--out", out.to_str().unwrap()]);
    assert_eq!((status, err.as_str()), (0, ""), "silent in a pipe");
    said
}

/// One run for all tests: it sails five and a half hours.
fn demo() -> &'static Demo {
    static DEMO: OnceLock<Demo> = OnceLock::new();
    DEMO.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let said = demonstrate(folder.path());
        let json = std::fs::read_to_string(folder.path().join("out/findings.json")).unwrap();
        Demo { folder, said, findings: serde_json::from_str(&json).unwrap(), voyage: sail(SEED) }
    })
}

fn second(trace: &Trace, t: Timestamp) -> f64 {
    t.seconds_since(trace.start)
}

#[test]
fn it_says_six_lines_and_leaves_five_files() {
    let demo = demo();
    let lines: Vec<&str> = demo.said.lines().collect();
    assert_eq!(lines.len(), 6, "{}", demo.said);
    assert!(lines[0].contains("nothing here sailed"), "{}", lines[0]);
    // The two things to know, then what became of the promises, then where to look.
    let told = |name: &str| lines[1..3].iter().any(|l| l.to_lowercase().contains(name));
    assert!(told("stbd shore charger") && told("engine alternator"), "{}", demo.said);
    assert_eq!(lines[3], "Requirements: 1 met, 1 not met, 0 undetermined, 0 not tested.");
    assert!(lines[4].contains("report.html"));
    assert_eq!(left(&demo.path("")), FILES);
}

#[test]
fn the_charger_that_never_joins_is_found_with_its_cause_and_cost() {
    let demo = demo();
    let truth = demo.voyage.truth.source("stbd shore charger").unwrap();
    let [held] = truth.held_off[..] else { panic!("{:?}", truth.held_off) };
    let all = demo.about("stbd shore charger");
    let [found] = all.iter().filter(|f| f.severity >= Severity::Caution).collect::<Vec<_>>()[..] else {
        panic!("{all:?}")
    };
    assert_eq!((found.kind, found.cause), (Kind::NonContributingSource, Some(Cause::HeldOffByBusVoltage)), "{found:?}");
    let lost = found.evidence["lost_ah"].as_f64().unwrap();
    assert!((lost / held.lost.0 - 1.0).abs() < 0.08, "{lost} Ah, truly {}", held.lost);
    let opportunity = found.evidence["opportunity_s"].as_f64().unwrap();
    assert!((opportunity / held.opportunity.0 - 1.0).abs() < 0.08, "{opportunity} s, truly {}", held.opportunity);
    // From when shore power came, which is a minute before it was ready to give.
    let start = second(&demo.voyage.trace, found.start);
    assert!((98.0 * 60.0 - 10.0..f64::from(held.from) + 60.0).contains(&start), "{start}, truly {}", held.from);
    assert!(found.confidence >= 0.8, "{}", found.confidence);
    assert!(!found.check_next.is_empty());
}

#[test]
fn the_alternators_heat_is_found_when_it_was() {
    let demo = demo();
    let trace = &demo.voyage.trace;
    let truth = demo.voyage.truth.source("engine alternator").unwrap();
    let [hot] = truth.too_hot[..] else { panic!("{:?}", truth.too_hot) };
    let all = demo.about("engine alternator");
    let [found] = all.iter().filter(|f| f.severity >= Severity::Caution).collect::<Vec<_>>()[..] else {
        panic!("{all:?}")
    };
    assert_eq!(found.kind, Kind::TemperatureExcursion);
    let (start, end) = (second(trace, found.start), second(trace, found.end));
    assert!((start - f64::from(hot.from)).abs() <= 60.0, "{start}, truly {}", hot.from);
    assert!((end - f64::from(hot.to)).abs() <= 60.0, "{end}, truly {}", hot.to);
    let peak = found.evidence["temperature_max_c"].as_f64().unwrap();
    // The sensor is 0.3 K off and 2 s late, with noise of 0.15 K.
    assert!((peak - hot.peak.0).abs() < 1.3, "{peak}, truly {}", hot.peak);
}

#[test]
fn nobody_else_is_blamed() {
    let guilty = ["stbd shore charger", "engine alternator"];
    let others = demo().findings.findings.iter().filter(|f| {
        f.severity >= Severity::Caution && f.source.as_deref().is_none_or(|source| !guilty.contains(&source))
    });
    assert_eq!(others.collect::<Vec<_>>(), Vec::<&Finding>::new());
}

#[test]
fn one_promise_is_kept_and_one_is_not() {
    let demo = demo();
    let verdict = |id: &str| demo.findings.verdicts.iter().find(|v| v.id == id).unwrap();
    let (one, both) = (verdict("R1"), verdict("R2"));
    assert_eq!(one.verdict, VerdictWord::Met, "{one:?}");
    assert_eq!(both.verdict, VerdictWord::NotMet, "{both:?}");
    // Port gave its 110 A in bulk, starboard nothing.
    for v in [one, both] {
        let (measured, uncertainty) = (v.measured.unwrap(), v.uncertainty.unwrap());
        assert!((measured - 110.0).abs() <= uncertainty.max(0.5), "{measured} ± {uncertainty} A");
    }
    assert_eq!(demo.findings.verdicts.len(), 2);
}

#[test]
fn charges_are_those_of_the_voyage() {
    let demo = demo();
    let truth = &demo.voyage.truth;
    for s in &truth.sources {
        let mine = demo.findings.sessions.iter().flat_map(|x| &x.sources).filter(|x| x.source == s.name);
        let found: f64 = mine.map(|x| x.charge_ah).sum();
        assert!(
            (found - s.charge.0).abs() <= (0.02 * s.charge.0).max(1.0),
            "{}: {found} Ah, truly {}",
            s.name,
            s.charge
        );
    }
    let bank: f64 = demo.findings.sessions.iter().map(|x| x.charge_ah).sum();
    assert!((bank / truth.bank.charge.0 - 1.0).abs() < 0.015, "{bank} Ah, truly {}", truth.bank.charge);
}

#[test]
fn the_report_is_one_file_that_loads_nothing() {
    let page = std::fs::read_to_string(demo().path("report.html")).unwrap();
    assert!(page.len() < 1_500_000, "{} bytes", page.len());
    let page = page.to_lowercase();
    for outside in [
        "http://",
        "https://",
        "<script src",
        "<link",
        "<img",
        "<iframe",
        "<object",
        "<embed",
        "@import",
        "javascript:",
        "src=",
    ] {
        assert!(!page.contains(outside), "{outside}");
    }
    for reference in ["url(", "href=\""] {
        for (at, _) in page.match_indices(reference) {
            assert!(page[at + reference.len()..].starts_with('#'), "{}", &page[at..at + 60]);
        }
    }
    assert!(page.contains("marsh harrier"));
}

#[test]
fn a_second_run_replaces_the_first_with_the_same() {
    let folder = tempfile::tempdir().unwrap();
    demonstrate(folder.path());
    let read = |name: &str| std::fs::read(folder.path().join("out").join(name)).unwrap();
    let first = ["recording.log", "vessel.toml", "findings.json"].map(read);
    demonstrate(folder.path());
    assert!(first == ["recording.log", "vessel.toml", "findings.json"].map(read));
    assert_eq!(left(&folder.path().join("out")), FILES);
}

#[test]
fn a_folder_that_cannot_be_made_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    std::fs::write(&file, "").unwrap();
    let (status, out, err) = command(&["ampwake", "demo", "--out", file.join("demo").to_str().unwrap()]);
    assert_eq!((status, out.as_str()), (1, ""));
    assert!(err.starts_with("ampwake: ") && err.contains("file"), "{err}");
}
