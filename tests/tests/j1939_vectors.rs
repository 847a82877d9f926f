//! SAE J1939 against published layouts and vectors (`vectors/README.md` says whose), and from a recording to channels.

use ampwake_schemas::message::transport::broadcast;
use ampwake_schemas::message::{CanId, Protocol};
use ampwake_tests::imported::Imported;
use ampwake_tests::layout::{hold_rows, hold_vectors, read};

const LAYOUT: &str = include_str!("../vectors/j1939_layout.dbc");

#[test]
fn every_row_is_the_layout_s() {
    assert_eq!(hold_rows(Protocol::J1939, &read(LAYOUT), &[]), 6);
}

#[test]
fn every_vector_decodes_and_encodes() {
    let vectors = serde_json::from_str(include_str!("../vectors/j1939.json")).expect("JSON");
    assert_eq!(hold_vectors(Protocol::J1939, &read(LAYOUT), &vectors), 18);
}

fn frame(pgn: u32, source: u8, destination: u8, data: &[u8]) -> String {
    let id = CanId { priority: 6, pgn, source, destination }.to_raw();
    let data: String = data.iter().map(|b| format!("{b:02X}")).collect();
    format!("{id:08X}#{data}")
}

#[test]
fn an_engine_becomes_channels_and_a_second_one_is_told_by_its_address() {
    let one = vec![(0.0, "18FEF700#69551C0116011201".to_owned()), (0.1, "0CF00400#FFFF9B901AFFFFFF".to_owned())];
    let i = Imported::from_frames(&[Protocol::J1939], &one);
    assert_eq!(i.values("can0/j1939/65271/alternator_current"), [85.0]);
    assert_eq!(i.values("can0/j1939/65271/net_battery_current"), [-20.0]);
    assert_eq!(i.values("can0/j1939/61444/engine_speed"), [850.0]);

    let mut two = Vec::new();
    for n in 0..4 {
        two.push((f64::from(n), "18FEF700#69551C0116011201".to_owned()));
        two.push((f64::from(n) + 0.5, "18FEF701#69001C0116011201".to_owned()));
    }
    let i = Imported::from_frames(&[Protocol::J1939], &two);
    assert_eq!(i.values("can0/j1939/65271@0/alternator_current"), [85.0; 4]);
    assert_eq!(i.values("can0/j1939/65271@1/alternator_current"), [0.0; 4]);
    assert!(i.events().iter().all(|e| e.kind != "duplicate_instance"), "two engines are no mistake");
}

#[test]
fn a_signal_that_names_its_sender_is_found_when_only_that_one_was_heard() {
    let engine = |source: u8| {
        let frame = format!("18FEF7{source:02X}#69551C0116011201");
        (0..5).map(|n| (f64::from(n) + 0.1 * f64::from(source), frame.clone())).collect::<Vec<_>>()
    };
    let heard = |sources: &[u8], wanted: &[u8]| -> Vec<usize> {
        let frames: Vec<_> = sources.iter().flat_map(|s| engine(*s)).collect();
        let mut frames = frames;
        frames.sort_by(|a, b| a.0.total_cmp(&b.0));
        let i = Imported::from_frames(&[Protocol::J1939], &frames);
        let address = |s: &u8| format!("can0/j1939/65271@{s}/alternator_current");
        let sources = wanted.iter().map(|s| {
            let mut alternator = ampwake_tests::charger(&format!("alternator {s}"), 1, 100.0);
            alternator.signals.current = Some(ampwake_tests::signal(&address(s)));
            alternator
        });
        let bank = ampwake_tests::bank(ampwake_schemas::intent::Chemistry::Lfp, 4, 100.0, 14.2, 5.0);
        let intent = ampwake_tests::intent(bank, sources.collect(), false, 0.5, 0.05);
        let recording = ampwake_analyzer::load::load(i.store(), &intent, None, None).expect("a recording");
        let count = |s: &u8| recording.series.get(&address(s).parse().expect("an address")).map_or(0, |r| r.count());
        wanted.iter().map(count).collect()
    };
    assert_eq!(heard(&[0, 1], &[0, 1]), [5, 5]);
    assert_eq!(heard(&[0], &[0, 1]), [5, 0], "the other engine stayed off");
    assert_eq!(heard(&[1], &[0]), [0], "it was another engine");
}

/// Trouble codes by SAE J1939-73 (from memory): 19 bits of parameter around five of failure mode.
fn trouble(spn: u32, fmi: u8, count: u8) -> [u8; 4] {
    let [a, b, c, _] = spn.to_le_bytes();
    [a, b, c << 5 | fmi, count]
}

#[test]
fn trouble_codes_come_in_one_frame_or_in_many() {
    let single = [&[0x04, 0xFF][..], &trouble(0x4_0064, 3, 5), &[0xFF, 0xFF]].concat();
    let many = [&[0x10, 0xFF][..], &trouble(110, 0, 1), &trouble(167, 1, 2), &trouble(520_192, 31, 126)].concat();
    let mut list = vec![(0.0, frame(65226, 0, 255, &single))];
    for (n, (pgn, data)) in broadcast(65226, &many).expect("a transfer").into_iter().enumerate() {
        list.push((1.0 + 0.1 * n as f64, frame(pgn, 0, 255, &data)));
    }
    let i = Imported::from_frames(&[Protocol::J1939], &list);
    let of = |field: &str| i.values(&format!("can0/j1939/65226/{field}"));
    assert_eq!(of("suspect_parameter_number"), [262_244.0, 110.0]);
    assert_eq!(of("suspect_parameter_number_3"), [520_192.0]);
    assert_eq!((of("failure_mode_identifier"), of("failure_mode_identifier_2")), (vec![3.0, 0.0], vec![1.0]));
    assert_eq!(of("occurrence_count"), [5.0, 1.0]);
    assert_eq!((of("amber_warning_lamp"), of("red_stop_lamp")), (vec![1.0, 0.0], vec![0.0, 1.0]));
    assert_eq!(i.report.problems, [].into());
    assert_eq!(i.report.messages, 2);
}

#[test]
fn an_engine_beside_nmea_2000_on_one_bus() {
    let list = vec![
        (0.0, "18FEF700#69551C0116011201".to_owned()),
        (0.1, "19F21423#00FB04ADFF777401".to_owned()),
        (0.2, frame(60928, 0, 255, &[1, 2, 3, 4, 5, 6, 7, 0x80])),
    ];
    let i = Imported::from_frames(&[Protocol::N2k, Protocol::J1939], &list);
    assert_eq!(i.values("can0/j1939/65271/alternator_current"), [85.0]);
    assert_eq!(i.values("can0/n2k/127508/0/battery_voltage"), [12.75]);
    assert_eq!(i.devices(), [0, 0x23], "one address space");
    assert_eq!(i.report.problems, [].into());
}

#[test]
fn a_transfer_that_lost_a_frame_is_no_message() {
    let many = [&[0x10, 0xFF][..], &trouble(110, 0, 1), &trouble(167, 1, 2), &trouble(100, 1, 2)].concat();
    let frames = broadcast(65226, &many).expect("a transfer");
    let list: Vec<_> = frames.iter().take(2).map(|(pgn, data)| (0.0, frame(*pgn, 0, 255, data))).collect();
    let lost: Vec<_> = list.iter().cloned().chain([(1.0, frame(0xEB00, 0, 255, &frames[2].1))]).collect();
    let i = Imported::from_frames(&[Protocol::J1939], &lost);
    assert_eq!(i.report.problems, [("transport_given_up".to_owned(), 1)].into());
    assert_eq!((i.report.messages, i.addresses().len()), (0, 0));
}
