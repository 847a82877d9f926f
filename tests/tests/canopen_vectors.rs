//! CANopen frames of an independent library (`vectors/README.md`), from a recording to channels.

use ampwake_schemas::message::Protocol;
use ampwake_tests::imported::Imported;

#[test]
fn states_and_errors_of_a_node_become_channels() {
    let vectors: serde_json::Value =
        serde_json::from_str(include_str!("../vectors/canopen.json")).expect("published frames");
    let texts = |list: &serde_json::Value| -> Vec<String> {
        let text = |v: &serde_json::Value| v.as_str().or_else(|| v["frame"].as_str()).expect("a frame").to_owned();
        list.as_array().expect("frames").iter().map(text).collect()
    };
    let all = [texts(&vectors["frames"]), texts(&vectors["hand"])].concat();
    assert_eq!(all.len(), 13);
    let list: Vec<(f64, String)> = all.into_iter().enumerate().map(|(n, frame)| (n as f64, frame)).collect();

    let i = Imported::from_frames(&[Protocol::Canopen], &list);
    assert_eq!(i.values("can0/canopen/10/nmt_state"), [5.0, 0.0]);
    assert_eq!(i.values("can0/canopen/10/emergency_error_code"), [f64::from(0x3100), 0.0]);
    assert_eq!(i.values("can0/canopen/10/error_register"), [5.0, 0.0]);
    assert_eq!(i.addresses().len(), 3, "{:?}", i.addresses());
    assert_eq!(i.devices(), [10]);
    // Questions and answers about single objects, and the network's own messages.
    assert_eq!(i.report.problems, [("unknown_message".to_owned(), 9)].into());
    let decoded = &vectors["emcy_decoded"];
    assert_eq!((&decoded["code"], &decoded["register"]), (&"0x3100".into(), &5.into()));
}

#[test]
fn a_node_beside_a_device_of_the_same_number() {
    let list = [(0.0, "70A#05"), (0.1, "18FEF70A#69551C0116011201"), (0.2, "70B#7F")];
    let list: Vec<(f64, String)> = list.iter().map(|(t, f)| (*t, (*f).to_owned())).collect();
    let i = Imported::from_frames(&[Protocol::J1939, Protocol::Canopen], &list);
    assert_eq!(i.values("can0/canopen/10/nmt_state"), [5.0]);
    assert_eq!(i.values("can0/canopen/11/nmt_state"), [127.0]);
    assert_eq!(i.values("can0/j1939/65271/alternator_current"), [85.0]);
    assert!(i.addresses().iter().all(|a| !a.contains('@')), "{:?}", i.addresses());

    // Where it is not configured, it is not read.
    let i = Imported::from_frames(&[Protocol::J1939], &list);
    assert_eq!(i.values("can0/canopen/10/nmt_state"), [] as [f64; 0]);
    assert_eq!(i.report.problems["frame_of_another_protocol"], 2);
}
