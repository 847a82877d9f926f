use super::*;
use crate::bus::Flags;
use ampwake_store::Store;

const BUS: &str = "can0";

struct Bench {
    health: Health,
    store: Writer,
    _dir: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::create(dir.path().join("voyage.db")).unwrap();
        store.begin_segment("test");
        Self { health: Health::default(), store, _dir: dir }
    }

    fn hear(&mut self, ms: i64, error: bool) {
        let flags = Flags { extended: !error, error, ..Flags::default() };
        let frame = Frame::new(Timestamp::from_millis(ms), 0x09F2_1423, flags, &[0x55; 8]).unwrap();
        self.health.frame(&frame, BUS, &mut self.store);
    }

    fn values(&mut self, field: &str) -> Vec<(i64, f64)> {
        self.store.commit().unwrap();
        let Some(channel) = self.store.find(&address(BUS, field)).unwrap() else { return Vec::new() };
        let read = self.store.read_all(channel.id, None, None).unwrap();
        read.into_iter().map(|(t, r)| (t.millis(), r.value().unwrap())).collect()
    }

    fn events(&mut self) -> Vec<String> {
        self.store.commit().unwrap();
        self.store.events().unwrap().into_iter().map(|e| e.kind).collect()
    }
}

#[test]
fn every_minute_has_its_values() {
    let mut bench = Bench::new();
    for i in 0..1_200 {
        bench.hear(i * 100, false);
    }
    bench.hear(119_950, true);
    bench.health.lost(Timestamp::from_millis(119_960), 7);
    bench.hear(120_000, false);
    assert_eq!(bench.values("frame_rate"), [(60_000, 10.0), (120_000, 10.0)]);
    assert_eq!(bench.values("error_frames"), [(60_000, 0.0), (120_000, 1.0)]);
    assert_eq!(bench.values("lost_frames"), [(60_000, 0.0), (120_000, 7.0)]);
    let frame = Frame::new(Timestamp::default(), 0x09F2_1423, Flags { extended: true, ..Flags::default() }, &[0x55; 8]);
    let bits = f64::from(bits::on_the_bus(&frame.unwrap()));
    let load = bench.values("bus_load");
    assert!((load[0].1 - 10.0 * bits / 250_000.0).abs() < 1e-12, "{load:?}");
    assert_eq!(bench.events(), ["frames_lost"]);
}

#[test]
fn another_bit_rate_makes_another_load() {
    let mut bench = Bench::new();
    bench.health.set_bit_rate(500_000);
    for i in 0..=600 {
        bench.hear(i * 100, false);
    }
    let load = bench.values("bus_load")[0].1;
    assert!((0.0025..0.0030).contains(&load), "{load}");
}

#[test]
fn a_short_end_says_nothing_about_rates_but_losses_are_told() {
    let mut bench = Bench::new();
    bench.hear(0, false);
    bench.hear(5_000, false);
    bench.health.lost(Timestamp::from_millis(5_001), 2);
    bench.health.restart(BUS, &mut bench.store);
    assert!(bench.values("frame_rate").is_empty());
    assert_eq!(bench.events(), ["frames_lost"]);
    bench.hear(100_000, false);
    bench.hear(120_000, false);
    bench.health.restart(BUS, &mut bench.store);
    assert_eq!(bench.values("frame_rate"), [(120_000, 0.1)]);
}

#[test]
fn silence_is_told_once_and_so_is_its_end() {
    let mut bench = Bench::new();
    bench.hear(1_000, false);
    bench.health.pass(Duration::from_secs(10), BUS, &mut bench.store);
    for _ in 0..5 {
        bench.health.pass(Duration::from_secs(10), BUS, &mut bench.store);
    }
    assert!(bench.events().is_empty());
    for _ in 0..20 {
        bench.health.pass(Duration::from_secs(10), BUS, &mut bench.store);
    }
    bench.hear(300_000, true);
    assert_eq!(bench.events(), ["bus_silent"], "error frames are no sign of life");
    bench.hear(301_000, false);
    let events = bench.store.commit().and_then(|()| bench.store.events()).unwrap();
    assert_eq!(events.len(), 2);
    assert_eq!((events[0].time.millis(), events[1].kind.as_str()), (61_000, "bus_speaks"));
    assert!(events[1].text.ends_with("speaks again after 300 s"), "{}", events[1].text);
}

#[test]
fn a_bus_that_never_spoke_is_told_and_one_that_is_gone_is_not() {
    let mut bench = Bench::new();
    bench.health.set_gone(true, BUS, &mut bench.store);
    bench.health.pass(Duration::from_secs(600), BUS, &mut bench.store);
    assert!(bench.events().is_empty());
    bench.health.set_gone(false, BUS, &mut bench.store);
    bench.health.pass(Duration::from_secs(60), BUS, &mut bench.store);
    bench.hear(5_000_000, false);
    let events = bench.store.commit().and_then(|()| bench.store.events()).unwrap();
    let text = |kind: &str| events.iter().find(|e| e.kind == kind).unwrap().text.as_str();
    assert!(text("bus_silent").contains("nothing has been heard on can0 for 60 s"), "{}", text("bus_silent"));
    assert_eq!(text("bus_speaks"), "can0 speaks for the first time");
}

#[test]
fn in_a_recording_another_bus_shows_the_silence() {
    let mut bench = Bench::new();
    bench.health.another_was_heard(Timestamp::from_millis(500_000), BUS, &mut bench.store);
    assert!(bench.events().is_empty(), "it was never there");
    bench.hear(500_000, false);
    bench.health.another_was_heard(Timestamp::from_millis(559_999), BUS, &mut bench.store);
    assert!(bench.events().is_empty());
    bench.health.another_was_heard(Timestamp::from_millis(561_000), BUS, &mut bench.store);
    assert_eq!(bench.events(), ["bus_silent"]);
    // A pause after which this bus is the first to speak is nothing to be told here.
    bench.hear(562_000, false);
    bench.hear(962_000, false);
    assert_eq!(bench.events(), ["bus_silent", "bus_speaks"]);
}

#[test]
fn a_line_without_frames_is_alive_while_it_speaks_and_a_polled_one_is_never_silent() {
    let mut bench = Bench::new();
    let store = &mut bench.store;
    for minute in 0..5 {
        bench.health.message(Timestamp::from_millis(minute * 60_000), false, BUS, store);
        bench.health.pass(Duration::from_secs(50), BUS, store);
    }
    bench.health.pass(Duration::from_secs(60), BUS, store);
    bench.health.message(Timestamp::from_millis(400_000), true, BUS, store);
    bench.health.pass(Duration::from_secs(1), BUS, store);
    bench.health.pass(Duration::from_secs(600), BUS, store);
    assert_eq!(bench.events(), ["bus_silent", "bus_speaks"]);
    assert!(bench.values("frame_rate").is_empty(), "load and errors are not measured there");
}
