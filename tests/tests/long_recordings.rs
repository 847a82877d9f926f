//! A week in pieces says the same as its days do: written by a simulator with physics of its own, read through the whole
//! program.

use ampwake_analyzer::season;
use ampwake_schemas::findings::{Period, Severity};
use ampwake_schemas::intent::read;
use ampwake_schemas::time::Timestamp;
use ampwake_store::Store;
use ampwake_tests::seasons::{Ageing, INTENT, START_MS, Season};

#[test]
fn a_week_of_a_healthy_vessel() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("season.db");
    let truth = Season { seed: 3, days: 7, ageing: Ageing::default() }.sail(&path).expect("it is written");
    let intent = read("vessel.toml", INTENT).expect("a design");
    let store = Store::open(&path).expect("a database");
    let period = store.period().expect("it is read").expect("something was recorded");
    assert!(season::is_long(period));
    let mut told = Vec::new();
    let whole = season::analyse(&store, &intent, period, |done, of| told.push((done, of))).expect("it is read");
    let f = &whole.findings;
    assert_eq!(told.last().map(|t| t.0 == t.1), Some(true));

    // Nothing is wrong with this vessel.
    let cautions: Vec<_> = f.findings.iter().filter(|x| x.severity >= Severity::Caution).collect();
    assert!(cautions.is_empty(), "{cautions:#?}");
    assert!(f.data_quality.coverage > 0.999 && f.data_quality.gaps.is_empty(), "{:?}", f.data_quality.gaps);

    // Every ampere-hour is in one session: 1 % and what ten seconds of every session's edges and a sensor at zero may be.
    for (source, true_ah) in intent.sources.iter().zip(truth.source_ah) {
        let of = |s: &ampwake_schemas::findings::Session| {
            s.sources.iter().find(|x| x.source == source.name).map_or(0.0, |x| x.charge_ah)
        };
        let found: f64 = f.sessions.iter().map(of).sum();
        assert!((found - true_ah).abs() < 0.01 * true_ah + 4.0, "{}: {found} Ah, in truth {true_ah}", source.name);
    }
    for pair in f.sessions.windows(2) {
        assert!(pair[0].end <= pair[1].start && pair[1].id == pair[0].id + 1, "{pair:?}");
        // What follows at once was cut, and only what lasted longer than a day may be.
        if pair[1].start.seconds_since(pair[0].end) < 60.0 {
            let midnight = pair[1].start.millis().rem_euclid(86_400_000);
            assert!(!(2000..=86_398_000).contains(&midnight), "{pair:?}");
        }
    }
    // A day by itself says the same of its sessions.
    let day = Period { start: period.start, end: Timestamp::from_millis(START_MS + 86_399_999) };
    let alone = ampwake_analyzer::load::load(&store, &intent, Some(day.start), Some(day.end)).expect("it is read");
    let alone = ampwake_analyzer::analyze::analyze(&alone, &intent).findings;
    let ends: Vec<_> =
        alone.sessions.iter().map(|s| s.end).filter(|e| e.millis() < day.end.millis() - 700_000).collect();
    let same: Vec<_> = f.sessions.iter().take(ends.len()).map(|s| s.end).collect();
    assert_eq!(ends, same);
}
