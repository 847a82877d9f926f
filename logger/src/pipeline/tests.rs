use super::*;
use crate::bus::Flags;
use crate::dialect::Dialect;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::message::fast_packet::fragment;
use ampwake_schemas::message::{CanId, encode, find};
use ampwake_store::{ChannelInfo, Store};

/// 2025-09-12T12:40:00Z, s.
const T0: f64 = 1_757_680_800.0;
const EXTENDED: Flags = Flags { extended: true, error: false, remote: false, fd: false };
const PORT: u64 = 0xC046_AA00_FF84_BCDB;
const STARBOARD: u64 = 0xC046_A000_FF84_BD75;

/// What cannot fail in a test, or has failed it.
fn ok<T, E: std::fmt::Debug>(result: Result<T, E>) -> T {
    result.unwrap_or_else(|e| panic!("{e:?}"))
}

/// A pipeline with its store, fed with messages.
struct Bench {
    store: Writer,
    pipeline: Pipeline,
    sequence: u8,
    _dir: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        Self::speaking(&[Protocol::N2k])
    }

    fn speaking(protocols: &[Protocol]) -> Self {
        Self::with(protocols.iter().copied().map(Dialect::from).collect())
    }

    fn with(dialects: Vec<Dialect>) -> Self {
        let dir = ok(tempfile::tempdir());
        let mut store = ok(Store::create(dir.path().join("voyage.db")));
        let mut pipeline = Pipeline::new([("can0".to_owned(), dialects)].into());
        pipeline.begin("test", Meaning::Absolute, &mut store);
        Self { store, pipeline, sequence: 0, _dir: dir }
    }

    /// A new run on the same database.
    fn restart(mut self) -> Self {
        self.finish();
        let path = self.store.path().to_owned();
        drop(self.store);
        let mut store = ok(Store::create(path));
        let mut pipeline = Pipeline::new(BTreeMap::new());
        pipeline.begin("test", Meaning::Absolute, &mut store);
        Self { store, pipeline, ..self }
    }

    fn raw(&mut self, t: f64, id: u32, flags: Flags, data: &[u8]) {
        let bus = self.pipeline.bus("can0");
        let frame = Frame::new(Timestamp::from_micros(((T0 + t) * 1e6) as i64), id, flags, data).unwrap();
        self.pipeline.frame(bus, frame, &mut self.store);
    }

    fn send(&mut self, t: f64, source: u8, pgn: u32, instance: Option<u32>, values: &[(&str, FieldValue)]) {
        let def = find(Protocol::N2k, pgn).unwrap();
        let payload = ok(encode(def, instance, values));
        let id = CanId::broadcast(def.priority, pgn, source).to_raw();
        if def.transport == Transport::Single {
            return self.raw(t, id, EXTENDED, &payload);
        }
        self.sequence += 1;
        for frame in ok(fragment(self.sequence, &payload)) {
            self.raw(t, id, EXTENDED, &frame);
        }
    }

    fn battery(&mut self, t: f64, source: u8, volts: f64) {
        self.send(t, source, 127508, Some(1), &[("battery_voltage", volts.into())]);
    }

    fn claim(&mut self, t: f64, source: u8, name: u64) {
        self.raw(t, CanId::broadcast(6, pgn::ADDRESS_CLAIM, source).to_raw(), EXTENDED, &name.to_le_bytes());
    }

    fn temperature(&mut self, t: f64, source: u8, place: f64, degrees: f64) {
        self.send(t, source, 130316, Some(0), &[("source", place.into()), ("temperature", degrees.into())]);
    }

    fn finish(&mut self) {
        self.pipeline.finish(&mut self.store);
        ok(self.store.commit());
    }

    fn channel(&self, address: &str) -> Option<ChannelInfo> {
        let address: ChannelAddress = ok(address.parse());
        ok(self.store.find(&address))
    }

    fn read(&self, address: &str) -> Vec<(Timestamp, Reading)> {
        self.channel(address).map_or(Vec::new(), |c| ok(self.store.read_all(c.id, None, None)))
    }

    /// Values of a channel, rounded to hundredths.
    fn values(&self, address: &str) -> Vec<i64> {
        self.read(address).iter().filter_map(|r| r.1.value()).map(|v| (v * 100.0).round() as i64).collect()
    }

    fn events(&self) -> Vec<Event> {
        ok(self.store.events())
    }

    fn kinds(&self) -> Vec<String> {
        self.events().into_iter().map(|e| e.kind).collect()
    }

    fn problems(&self) -> BTreeMap<String, u64> {
        ok(self.store.problems())
    }

    fn channels(&self) -> Vec<ChannelInfo> {
        ok(self.store.channels())
    }

    fn devices(&self) -> Vec<ampwake_store::Device> {
        ok(self.store.devices())
    }
}

fn json_of(text: &str) -> serde_json::Value {
    ok(serde_json::from_str(text))
}

#[test]
fn one_message_becomes_samples_of_its_channels() {
    let mut b = Bench::new();
    b.battery(0.0, 35, 13.12);
    b.battery(1.0, 35, 13.14);
    b.finish();
    assert_eq!(b.values("can0/n2k/127508/1/battery_voltage"), [1312, 1314]);
    let current = b.channel("can0/n2k/127508/1/battery_current").unwrap();
    assert_eq!((current.samples, current.missing), (2, 2), "not available is recorded as such");
    assert_eq!(b.pipeline.totals(), Totals { frames: 2, messages: 2, samples: 6, clock_steps: 0 });
    assert_eq!(b.kinds(), Vec::<String>::new());
}

#[test]
fn two_senders_of_one_instance_are_kept_apart_and_reported_once() {
    let mut b = Bench::new();
    b.claim(0.0, 35, PORT);
    b.claim(0.1, 36, STARBOARD);
    for i in 0..5 {
        b.battery(f64::from(i), 35, 13.0);
    }
    for i in 5..10 {
        b.battery(f64::from(i), 36, 26.0);
        b.battery(f64::from(i) + 0.5, 35, 13.0);
    }
    b.finish();
    assert_eq!(b.values("can0/n2k/127508/1/battery_voltage"), [] as [i64; 0]);
    assert_eq!(b.values("can0/n2k/127508@35/1/battery_voltage"), [1300; 10], "from the very first one");
    assert_eq!(b.values("can0/n2k/127508@36/1/battery_voltage"), [2600; 5]);
    let events = b.events();
    assert_eq!(b.kinds(), ["duplicate_instance"]);
    let details: serde_json::Value = json_of(&events[0].details);
    assert_eq!(
        details,
        serde_json::json!({
            "message": "127508", "instance": 1, "sources": [35, 36],
            "names": ["c046aa00ff84bcdb", "c046a000ff84bd75"]
        })
    );
    assert_eq!(events[0].channel.as_ref().unwrap().to_string(), "can0/n2k/127508/1/battery_voltage");

    // The next run finds them under the same addresses although it hears one alone at first.
    let mut b = b.restart();
    b.battery(100.0, 35, 13.5);
    b.battery(200.0, 35, 13.5);
    b.finish();
    assert_eq!(b.values("can0/n2k/127508/1/battery_voltage"), [] as [i64; 0]);
    assert_eq!(b.values("can0/n2k/127508@35/1/battery_voltage")[10..], [1350, 1350]);
}

#[test]
fn a_device_that_replaces_another_goes_on_in_its_channel() {
    let mut b = Bench::new();
    b.battery(0.0, 35, 13.0);
    for i in 1..100 {
        b.battery(f64::from(i), 36, 14.0);
    }
    b.finish();
    assert_eq!(b.kinds(), Vec::<String>::new());
    let plain = b.values("can0/n2k/127508/1/battery_voltage");
    assert!(plain.len() > 30 && plain[0] == 1300 && plain[1..].iter().all(|v| *v == 1400), "{plain:?}");
}

#[test]
fn two_receivers_of_position_are_no_mistake() {
    let mut b = Bench::new();
    for i in 0..5 {
        b.send(f64::from(i), 1, 128259, None, &[("speed_water_referenced", 3.0.into())]);
        b.send(f64::from(i), 2, 128259, None, &[("speed_water_referenced", 4.0.into())]);
    }
    b.finish();
    assert_eq!(b.kinds(), Vec::<String>::new());
    assert_eq!(b.values("can0/n2k/128259@2/speed_water_referenced"), [400; 5]);
}

#[test]
fn a_device_that_moves_keeps_its_channels() {
    let mut b = Bench::new();
    b.claim(0.0, 35, PORT);
    b.battery(1.0, 35, 13.0);
    b.claim(2.0, 40, PORT);
    b.battery(3.0, 40, 13.0);
    b.finish();
    assert_eq!(b.values("can0/n2k/127508/1/battery_voltage"), [1300, 1300]);
    assert_eq!(b.kinds(), ["address_moved"]);
    let devices = b.devices();
    assert_eq!(devices.iter().map(|d| (d.address, d.name)).collect::<Vec<_>>(), [(40, Some(PORT))]);
    assert_eq!(devices[0].last.seconds_since(devices[0].first), 3.0);
}

#[test]
fn product_information_stands_with_its_device() {
    let mut b = Bench::new();
    b.claim(0.0, 35, PORT);
    b.send(0.5, 35, 126996, None, &[("product_code", 1234.0.into()), ("model_id", "test charger".into())]);
    b.battery(1.0, 35, 13.0);
    b.finish();
    let product: serde_json::Value = json_of(&b.devices()[0].product);
    assert_eq!((&product["model_id"], &product["product_code"]), (&"test charger".into(), &1234.into()));
}

#[test]
fn places_of_temperature_are_sensors_of_their_own() {
    let mut b = Bench::new();
    for i in 0..3 {
        // One device with two places, another device with a third: three sensors, no duplicate.
        b.temperature(f64::from(i), 12, 3.0, 40.0);
        b.temperature(f64::from(i) + 0.1, 12, 0.0, 15.0);
        b.temperature(f64::from(i) + 0.2, 13, 14.0, 300.0);
    }
    b.finish();
    assert_eq!(b.values("can0/n2k/130316/0/temperature"), [4000; 3]);
    assert_eq!(b.values("can0/n2k/130316/0/temperature_of_0"), [1500; 3]);
    assert_eq!(b.values("can0/n2k/130316/0/temperature_of_14"), [30_000; 3]);
    assert_eq!(b.kinds(), Vec::<String>::new());

    // After a restart the other one is heard first, and is not taken for the first.
    let mut b = b.restart();
    b.temperature(100.0, 12, 0.0, 16.0);
    b.temperature(101.0, 12, 3.0, 41.0);
    b.finish();
    assert_eq!(b.values("can0/n2k/130316/0/temperature"), [4000, 4000, 4000, 4100]);
    assert_eq!(b.values("can0/n2k/130316/0/temperature_of_0")[3..], [1600]);
}

#[test]
fn lines_of_an_ac_message_in_any_order_stay_in_their_channels() {
    let mut b = Bench::new();
    for (i, line) in ["voltage", "voltage_2"].into_iter().enumerate() {
        b.send(i as f64, 50, 127503, Some(0), &[(line, (230.0 + i as f64).into())]);
    }
    b.send(3.0, 50, 127503, Some(0), &[("voltage", 232.0.into()), ("voltage_2", 233.0.into())]);
    b.finish();
    assert_eq!(b.values("can0/n2k/127503/0/voltage"), [23_000, 23_200]);
    assert_eq!(b.values("can0/n2k/127503/0/voltage_2"), [23_100, 23_300]);
}

#[test]
fn what_cannot_be_used_is_counted() {
    let mut b = Bench::new();
    b.battery(0.0, 35, 13.0);
    b.raw(0.1, 0x123, Flags::default(), &[1, 2]);
    b.raw(0.2, CanId::broadcast(7, 130_820, 35).to_raw(), EXTENDED, &[0; 8]);
    b.raw(0.3, CanId::broadcast(2, 127_489, 35).to_raw(), EXTENDED, &[0x21; 8]);
    b.battery(0.4, 254, 13.0);
    b.battery(900.0, 35, 99.0);
    b.battery(0.5, 35, 13.0);
    b.finish();
    let problems = b.problems();
    let expected = [
        ("fast_packet_without_start", 1),
        ("frame_of_another_protocol", 1),
        ("odd_time", 1),
        ("sender_without_address", 1),
        ("unknown_message", 1),
    ];
    assert_eq!(problems, expected.map(|(name, n)| (name.to_owned(), n)).into());
    assert_eq!(b.values("can0/n2k/127508/1/battery_voltage"), [1300, 1300]);
}

#[test]
fn a_storm_of_bus_errors_is_a_few_events() {
    let mut b = Bench::new();
    let error = Flags { error: true, ..Flags::default() };
    for i in 0..3000 {
        b.raw(f64::from(i) * 0.01, 0x20, error, &[0; 8]);
    }
    b.raw(30.0, 0x40, error, &[0; 8]);
    b.raw(30.1, 0x04, error, &[0, 0x10, 0, 0, 0, 0, 0, 0]);
    b.battery(90.0, 35, 13.0);
    b.battery(90.1, 35, 13.0);
    b.finish();
    let texts: Vec<String> = b.events().into_iter().map(|e| e.text).collect();
    assert_eq!(texts.len(), 4, "{texts:?}");
    assert_eq!(texts[0], "the CAN controller of can0 reports: nobody acknowledges");
    assert_eq!(texts[3], "2999 more error frames on can0 within a minute: nobody acknowledges");
    assert!(texts.iter().any(|t| t.ends_with("bus off")));
    assert!(texts.iter().any(|t| t.ends_with("controller problem, receive error passive")));
    assert_eq!(b.problems()["error_frame"], 3002);
}

/// Knows one identifier, whose first byte is a number of volts.
#[derive(Debug)]
struct Pack([crate::dialect::Signal; 1]);

impl crate::dialect::FrameDecoder for Pack {
    fn protocol(&self) -> &'static str {
        "dbc"
    }

    fn signals(&self) -> &[crate::dialect::Signal] {
        &self.0
    }

    fn decode(&self, frame: &Frame, values: &mut Vec<(usize, Reading)>) -> bool {
        let known = frame.id == 0x123;
        values.extend(frame.data().first().filter(|_| known).map(|v| (0, Reading::Value(f64::from(*v)))));
        known
    }
}

#[test]
fn the_first_dialect_that_knows_a_frame_has_it() {
    let unit = ampwake_schemas::quantity::Unit::Volt;
    let signal = crate::dialect::Signal { message: "pack_status".into(), field: "pack_voltage".into(), unit };
    let mut b = Bench::with(vec![Dialect::Frames(std::sync::Arc::new(Pack([signal]))), Protocol::N2k.into()]);
    b.raw(0.0, 0x123, Flags::default(), &[52]);
    b.raw(0.1, 0x123, Flags::default(), &[]);
    b.raw(0.2, 0x124, Flags::default(), &[52]);
    b.battery(0.3, 35, 13.0);
    b.finish();
    assert_eq!(b.values("can0/dbc/pack_status/pack_voltage"), [5200]);
    assert_eq!(b.values("can0/n2k/127508/1/battery_voltage"), [1300]);
    assert_eq!(b.pipeline.totals().messages, 3);
    assert_eq!(b.problems(), [("unknown_message".to_owned(), 1)].into());
}

#[test]
fn a_step_of_the_clock_is_an_event_and_an_offset() {
    let mut b = Bench::new();
    let time = |b: &mut Bench, clock: f64, real: f64| {
        let (days, seconds) = (((T0 + real) / 86_400.0).floor(), (T0 + real).rem_euclid(86_400.0));
        let values = [("source", 0.0.into()), ("date", days.into()), ("time", seconds.into())];
        b.send(clock, 1, 126992, None, &values);
        b.battery(clock, 35, 13.0);
    };
    for i in 0..20 {
        time(&mut b, f64::from(i) - 1000.0, f64::from(i));
    }
    for i in 20..40 {
        time(&mut b, f64::from(i), f64::from(i));
    }
    b.finish();
    let events = b.events();
    assert_eq!(b.kinds(), ["clock_step"]);
    let details: serde_json::Value = json_of(&events[0].details);
    assert!((details["step_s"].as_f64().unwrap() - 1000.0).abs() < 0.01, "{details}");
    assert_eq!(details["corrected"], true);
    assert_eq!(details["bus_time"], "2025-09-12T12:40:20.000Z");
    assert_eq!(events[0].time.to_string(), "2025-09-12T12:40:20.000Z");
    let segments = ok(b.store.segments());
    assert_eq!(segments.iter().map(|s| s.offset_ms).collect::<Vec<_>>(), [1_000_000, 0]);
    let read = b.read("can0/n2k/127508/1/battery_voltage");
    assert!(read.windows(2).all(|w| w[1].0.seconds_since(w[0].0) == 1.0), "one even series over the step");
    assert_eq!(b.pipeline.totals().clock_steps, 1);
}

#[test]
fn a_hostile_bus_does_not_fill_the_memory() {
    let mut b = Bench::new();
    for i in 0..60_000_u32 {
        // Every sender, every instance.
        let id = CanId::broadcast(6, 127_508, (i % 254) as u8).to_raw();
        b.raw(f64::from(i) * 0.001, id, EXTENDED, &[(i / 254) as u8, 1, 1, 1, 1, 1, 1, 1]);
    }
    b.finish();
    // Beside them the four of the bus' health.
    assert!(b.store.channel_count() <= 20_004, "{}", b.store.channel_count());
    assert!(b.problems()["channel_beyond_limit"] > 0);
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(24))]
    #[test]
    fn no_frames_of_other_dialects_make_it_fail(
        spoken in proptest::sample::subsequence(Protocol::ALL.to_vec(), 1..=4),
        frames in proptest::collection::vec(
            (
                // Transfers, trouble codes, ranks, lines, node messages, and numbers of no meaning.
                proptest::sample::select(vec![
                    0xEC00_u32, 0xEB00, 60928, 65226, 65271, 0x1FFFD, 0x1FFCA, 0x1FECA, 0x1FFC7, 127508, 0x70A, 0x08A, 0x18A, 0,
                ]),
                0_u8..4,
                proptest::collection::vec(
                    proptest::prop_oneof![proptest::num::u8::ANY, 0_u8..4, proptest::strategy::Just(32_u8)], 0..=8),
                0_u8..12,
            ),
            0..300,
        ),
    ) {
        let mut b = Bench::speaking(&spoken);
        let n = frames.len() as u64;
        for (i, (number, source, data, kind)) in frames.into_iter().enumerate() {
            let flags = Flags { error: kind == 0, remote: kind == 1, extended: number >= 0x800, fd: kind == 2 };
            let id = if number < 0x800 { number } else { CanId::broadcast(6, number, source).to_raw() };
            b.raw(i as f64 / 50.0, id, flags, &data);
        }
        b.finish();
        proptest::prop_assert_eq!(b.pipeline.totals().frames, n);
        let stored: u64 = b.channels().iter().map(|c| c.samples).sum();
        proptest::prop_assert_eq!(b.pipeline.totals().samples, stored);
    }

    #[test]
    fn no_frames_make_it_fail(
        frames in proptest::collection::vec(
            (
                // Numbers that we decode as often as any others; times in and out of order.
                proptest::sample::select(vec![60928_u32, 126992, 126996, 127489, 127503, 127508, 129029, 130316, 0, 131_071]),
                proptest::num::u8::ANY,
                -2000_i32..2000,
                proptest::collection::vec(proptest::num::u8::ANY, 0..=8),
                0_u8..12,
            ),
            0..300,
        ),
    ) {
        let mut b = Bench::new();
        let n = frames.len() as u64;
        for (pgn, source, t, data, kind) in frames {
            let flags = Flags { error: kind == 0, remote: kind == 1, extended: kind > 2, fd: kind == 3 };
            b.raw(f64::from(t) / 100.0, CanId::broadcast(6, pgn, source).to_raw(), flags, &data);
        }
        b.finish();
        proptest::prop_assert_eq!(b.pipeline.totals().frames, n);
        let channels = b.channels();
        let stored: u64 = channels.iter().filter(|c| c.address.message != "health").map(|c| c.samples).sum();
        proptest::prop_assert_eq!(b.pipeline.totals().samples, stored);
    }
}
