//! `ampwake mark` as it is called: into a database that is being written, out again in every output.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::commands::{Cli, Streams, run};
use ampwake_schemas::findings::{Agreement, Findings, Kind};
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Store, Writer};
use ampwake_tests::{BANK_CURRENT, BANK_VOLTAGE, small_bank};
use clap::Parser;

const CHARGER: &str = "can0/n2k/127751/1/dc_current";

struct Case {
    folder: tempfile::TempDir,
}

impl Case {
    fn at(&self, name: &str) -> String {
        self.folder.path().join(name).to_str().unwrap().to_owned()
    }

    /// A recorder in the midst of its work: an hour from 2026-05-01T10:00:00Z in which the charger gives 80 A.
    fn recording() -> (Self, Writer) {
        let case = Self { folder: tempfile::tempdir().unwrap() };
        let source = format!(
            "[[source]]\nname = \"port charger\"\nkind = \"shore_charger\"\nrated_a = 80\nsignals = {{ current = \"{CHARGER}\" }}\n"
        );
        std::fs::write(case.at("vessel.toml"), small_bank(BANK_VOLTAGE, BANK_CURRENT, &source)).unwrap();
        let mut writer = Store::create(case.at("trip.db")).unwrap();
        let start = Timestamp::parse_rfc3339("2026-05-01T10:00:00Z").unwrap().millis();
        for (address, unit, value) in
            [(BANK_VOLTAGE, Unit::Volt, 53.5), (BANK_CURRENT, Unit::Ampere, 78.0), (CHARGER, Unit::Ampere, 80.0)]
        {
            let channel = writer.channel(&address.parse().unwrap(), unit).unwrap();
            (0..3600)
                .for_each(|t| writer.append(channel, Timestamp::from_millis(start + 1000 * t), Reading::Value(value)));
        }
        writer.commit().unwrap();
        (case, writer)
    }

    fn mark(&self, text: &str, more: &[&str]) -> (u8, String, String) {
        command(&[&["mark", &self.at("trip.db"), text], more].concat())
    }

    fn findings(&self) -> Findings {
        let (status, json, err) = self.analyze(&["--json", "-"]);
        assert_eq!(status, 0, "{err}");
        serde_json::from_str(&json).unwrap()
    }

    fn analyze(&self, more: &[&str]) -> (u8, String, String) {
        command(&[&["analyze", &self.at("trip.db"), "--intent", &self.at("vessel.toml")], more].concat())
    }
}

fn command(arguments: &[&str]) -> (u8, String, String) {
    let cli = Cli::try_parse_from([&["ampwake"], arguments].concat()).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let status = run(cli, &mut Streams { out: &mut out, err: &mut err, terminal: false });
    (status, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

const CLAMP: [&str; 6] = ["--channel", CHARGER, "--unit", "A", "--instrument", "clamp 7"];

#[test]
fn marks_and_readings_go_in_beside_the_recorder_and_come_out_in_the_report() {
    let (case, mut writer) = Case::recording();
    let (status, out, err) = case.mark("port charger's fan cleaned", &["--at", "2026-05-01T10:20:00Z"]);
    assert_eq!((status, err.as_str()), (0, ""));
    assert_eq!(out, "marked 2026-05-01T10:20:00.000Z: port charger's fan cleaned\n");
    let at = |time: &'static str, amps: &'static str| {
        [&["--at", time, "--reading", amps, "--calibrated", "2026-01-31"], &CLAMP[..]].concat()
    };
    let (status, out, _) = case.mark("clamp on the positive lead", &at("2026-05-01T10:30:00Z", "81"));
    assert!(
        status == 0 && out.contains("read by hand: 81 A, clamp 7\nthe channel's latest: 80.0 A at 2026-05-01T10:59:59"),
        "{out}"
    );
    // The recorder goes on as if nothing had happened.
    writer.commit().unwrap();
    let found = case.findings();
    assert_eq!(
        found.marks.iter().map(|m| m.text.as_str()).collect::<Vec<_>>(),
        ["port charger's fan cleaned", "clamp on the positive lead"]
    );
    let reading = found.marks[1].reading.as_ref().unwrap();
    assert_eq!(
        (reading.agreement, reading.recorded, reading.uncertainty_given),
        (Agreement::Agrees, Some(80.0), false)
    );
    assert!(found.findings.iter().all(|f| f.kind != Kind::SensorFault), "{:#?}", found.findings);
    // One that differs is a finding, and an old calibration is said.
    case.mark(
        "clamp again",
        &[&["--at", "2026-05-01T10:40:00Z", "--reading", "92", "--calibrated", "2024-12-31"], &CLAMP[..]].concat(),
    );
    let html = case.at("report.html");
    let (status, text, _) = case.analyze(&["--html", &html]);
    assert!(status == 0 && text.contains("3 marks; readings by hand: 1 agrees, 1 differs"), "{text}");
    let page = std::fs::read_to_string(html).unwrap();
    assert!(
        page.contains("id=\"marks\"")
            && page.contains("class=\"mrk\"")
            && page.contains("ore than a year before the reading")
    );
    let found = case.findings();
    let fault = found.findings.iter().find(|f| f.kind == Kind::SensorFault).unwrap();
    assert!(
        fault.source.as_deref() == Some("port charger") && fault.summary.contains("more than a year old"),
        "{fault:#?}"
    );
}

#[test]
fn a_mark_without_a_time_is_now() {
    let (case, writer) = Case::recording();
    drop(writer);
    let before = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_millis() as i64;
    let (status, json, _) = case.mark("now", &["--json"]);
    let said: serde_json::Value = serde_json::from_str(&json).unwrap();
    let time = Timestamp::parse_rfc3339(said["time"].as_str().unwrap()).unwrap();
    assert!(status == 0 && time.millis() >= before && said["channel"].is_null() && said["text"] == "now", "{said}");
}

#[test]
fn what_cannot_be_meant_is_refused() {
    let (case, writer) = Case::recording();
    drop(writer);
    let refused = |text: &str, more: &[&str], word: &str| {
        let (status, _, err) = case.mark(text, more);
        assert!(status == 2 && err.contains(word), "{status} {err}");
    };
    refused(" \u{202e}\u{7} ", &[], "the text is empty");
    refused(&"x".repeat(2001), &[], "longer than 2000");
    refused("v", &["--reading", "53", "--unit", "V", "--channel", CHARGER], "is recorded in `A`");
    refused("v", &["--reading", "nan", "--unit", "A"], "--reading has to be a number");
    refused("v", &["--reading", "1", "--unit", "A", "--plus-minus", "0"], "--plus-minus");
    for wrong in [
        &["--reading", "1"][..],
        &["--unit", "A"],
        &["--at", "noon"],
        &["--reading", "1", "--unit", "A", "--calibrated", "May"],
    ] {
        assert!(Cli::try_parse_from([&["ampwake", "mark", "a.db", "x"], wrong].concat()).is_err(), "{wrong:?}");
    }
    let (status, _, err) = command(&["mark", &case.at("none.db"), "x"]);
    assert!(status == 2 && err.contains("no such database") && !case.folder.path().join("none.db").exists(), "{err}");
    // A channel that nobody has sent yet is no mistake: it may be why somebody measures.
    let (status, _, err) =
        case.mark("v", &["--reading", "5", "--unit", "A", "--channel", "can0/n2k/127751/9/dc_current"]);
    assert!(status == 0 && err.contains("never heard"), "{err}");
    assert_eq!(case.findings().marks.len(), 1);
}
