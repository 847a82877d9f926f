//! RV-C against published layouts and vectors (`vectors/README.md` says whose), and from a recording to channels.

use ampwake_schemas::message::Protocol;
use ampwake_schemas::sample::Reading;
use ampwake_tests::imported::Imported;
use ampwake_tests::layout::{hold_rows, hold_vectors, read};

const LAYOUT: &str = include_str!("../vectors/rvc_layout.dbc");

#[test]
fn every_row_is_the_layout_s() {
    // What the sources do not agree on, bit by bit.
    let left_out = [
        ("CHARGER_AC_STATUS_1", "f_ground_current"),
        ("CHARGER_AC_STATUS_1", "f_open_ground"),
        ("CHARGER_AC_STATUS_1", "f_open_neutral"),
        ("CHARGER_AC_STATUS_1", "f_rev_polarity"),
        ("CHARGER_AC_STATUS_3", "phase_status"),
        ("CHARGER_AC_STATUS_3", "waveform"),
    ];
    assert_eq!(hold_rows(Protocol::Rvc, &read(LAYOUT), &left_out), 22);
}

#[test]
fn every_vector_decodes_and_encodes() {
    let vectors = serde_json::from_str(include_str!("../vectors/rvc.json")).expect("JSON");
    assert_eq!(hold_vectors(Protocol::Rvc, &read(LAYOUT), &vectors), 49);
}

fn frames(list: &[(f64, &str)]) -> Vec<(f64, String)> {
    list.iter().map(|(t, frame)| (*t, (*frame).to_owned())).collect()
}

#[test]
fn a_recording_becomes_channels_under_the_names_of_the_contract() {
    let i = Imported::from_frames(
        &[Protocol::Rvc],
        &frames(&[
            (0.0, "19FFFD80#01780A0120013577"),
            (0.1, "19FFFC80#01784025AE5802FC"),
            (0.2, "19FFC744#0120018480B40205"),
            (0.3, "19FFCA44#01F811827D001900"),
            (0.4, "19FFCA44#11F811827D001900"), // line 2
            (0.5, "19FFCA44#41F811827D001900"), // the output of a charger
            (0.6, "19FFD744#41F811827D001900"), // the output of an inverter
            (0.7, "19FFFD80#01780A01FFFFFFFF"),
        ]),
    );
    assert_eq!(i.values("can0/rvc/1fffd/1/dc_voltage"), [13.3, 13.3]);
    assert_eq!(i.readings("can0/rvc/1fffd/1/dc_current"), [Reading::Value(-37.6), Reading::NotAvailable]);
    assert_eq!(i.values("can0/rvc/1fffc/1/source_temperature"), [25.0]);
    assert_eq!(i.values("can0/rvc/1fffc/1/state_of_charge"), [0.87]);
    for (field, value) in [("charge_voltage", 14.4), ("charge_current", 45.0), ("operating_state", 2.0)] {
        assert_eq!(i.values(&format!("can0/rvc/1ffc7/1/{field}")), [value], "{field}");
    }
    for (field, value) in [("rms_voltage", 230.0), ("rms_current", 6.5), ("frequency", 50.0)] {
        for name in [field.to_owned(), format!("{field}_2"), format!("{field}_of_output")] {
            assert_eq!(i.values(&format!("can0/rvc/1ffca/1/{name}")), [value], "{name}");
        }
        assert_eq!(i.values(&format!("can0/rvc/1ffd7/1/{field}")), [value], "inverter {field}");
    }
    assert_eq!(i.report.problems, [].into());
    assert_eq!(i.devices(), [0x44, 0x80]);
}

#[test]
fn a_bank_is_told_by_the_highest_priority_that_is_heard() {
    // A charger (80) at 44 and a battery monitor (120) at 80 speak of DC source 1; the monitor falls silent at 4 s.
    let mut list = Vec::new();
    for n in 0..20 {
        let t = f64::from(n);
        list.push((t, "19FFFD44#0150200112083777".to_owned()));
        if n < 5 {
            list.push((t + 0.5, "19FFFD80#01780A0120013577".to_owned()));
        }
    }
    let i = Imported::from_frames(&[Protocol::Rvc], &list);
    let monitor = [13.3; 5];
    let charger = [14.4; 9];
    let expected = [&[14.4][..], &monitor, &charger].concat();
    assert_eq!(i.values("can0/rvc/1fffd/1/dc_voltage"), expected, "the charger, the monitor, the charger from 11 s on");
    assert_eq!(i.report.problems, [("lower_priority_sender".to_owned(), 10)].into());
    assert!(i.addresses().iter().all(|a| !a.contains('@')), "{:?}", i.addresses());
    assert_eq!(i.values("can0/rvc/1fffd/1/device_priority")[..2], [80.0, 120.0], "who it was is a channel too");
}

#[test]
fn two_of_one_priority_are_kept_apart_and_reported() {
    let mut list = Vec::new();
    for n in 0..5 {
        list.push((f64::from(n), "19FFFD44#01780A0120013577".to_owned()));
        list.push((f64::from(n) + 0.5, "19FFFD80#0178200112083777".to_owned()));
    }
    let i = Imported::from_frames(&[Protocol::Rvc], &list);
    assert_eq!(i.values("can0/rvc/1fffd@68/1/dc_voltage"), [13.3; 5]);
    assert_eq!(i.values("can0/rvc/1fffd@128/1/dc_voltage"), [14.4; 5]);
    let event = i.events().into_iter().find(|e| e.kind == "duplicate_instance").expect("an event");
    assert!(event.text.contains("send 1fffd (DC_SOURCE_STATUS_1) with instance 1"), "{}", event.text);
    assert_eq!(event.channel.expect("a channel").to_string(), "can0/rvc/1fffd/1/device_priority");
}

#[test]
fn numbers_of_another_protocol_are_not_read() {
    // 127508 is no data group of RV-C that is known here, whatever it looks like.
    let i = Imported::from_frames(&[Protocol::Rvc], &frames(&[(0.0, "19F21423#00FB04ADFF777401")]));
    assert_eq!(i.addresses(), [] as [&str; 0]);
    assert_eq!(i.report.problems, [("unknown_message".to_owned(), 1)].into());
}
