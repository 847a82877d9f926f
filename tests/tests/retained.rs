//! A report over a time of which only summaries remain says so, and does not call it a silence.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::{analyze, load};
use ampwake_schemas::intent::Chemistry;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Keep, Store};
use ampwake_tests::{BANK_CURRENT, BANK_VOLTAGE, bank, intent};

const DAY: i64 = 86_400_000;
/// 2025-01-01T00:00:00Z.
const START: i64 = 1_735_689_600_000;

#[test]
fn what_was_let_go_is_no_silence() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let mut w = Store::create(&path).unwrap();
    w.begin_segment("test");
    let volts = w.channel(&BANK_VOLTAGE.parse().unwrap(), Unit::Volt).unwrap();
    let amperes = w.channel(&BANK_CURRENT.parse().unwrap(), Unit::Ampere).unwrap();
    for day in 0..3 {
        for t in (START + day * DAY..START + (day + 1) * DAY).step_by(10_000) {
            w.append(volts, Timestamp::from_millis(t), Reading::Value(53.0));
            w.append(amperes, Timestamp::from_millis(t), Reading::Value(-4.0));
        }
        w.seal().unwrap();
    }
    let keep = Keep { full_days: 1, max_bytes: 1_000_000_000, beside: 0 };
    while w.retain(keep, Timestamp::from_millis(START + 30 * DAY)).unwrap().more {}
    drop(w);
    let store = Store::open(&path).unwrap();
    let intent = intent(bank(Chemistry::Lfp, 16, 400.0, 56.8, 20.0), Vec::new(), false, 1.0, 0.1);
    let recording = load::load(&store, &intent, None, None).unwrap();
    assert_eq!(recording.summaries_only, Some((START, START + DAY)));
    assert_eq!(recording.period.unwrap().start.millis(), START + DAY);
    assert_eq!(recording.silences, []);
    let analysis = analyze::analyze(&recording, &intent);
    let said: Vec<String> = analysis.findings.findings.iter().map(|f| f.summary.clone()).collect();
    assert!(said.iter().any(|s| s.starts_with("Only summaries remain of")), "{said:?}");
    assert!(!said.iter().any(|s| s.starts_with("Nothing was recorded")), "{said:?}");

    // Of a time before, nothing else is there.
    let to = Some(Timestamp::from_millis(START + DAY / 2));
    let early = load::load(&store, &intent, None, to).unwrap();
    assert_eq!((early.summaries_only, early.silences), (Some((START, START + DAY / 2)), Vec::new()));
}
