//! Packet captures written by another library give the frames of the text that they were made from
//! (`golden/captures/ABOUT.md`).

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_logger::bus::Frame;
use ampwake_logger::bus::recording::{Input, Recording, RecordingError};
use ampwake_logger::bus::stamps::Meaning;
use ampwake_tests::file;
use std::io::Cursor;

fn frames(recording: &mut Recording) -> Vec<Frame> {
    std::iter::from_fn(|| recording.next_frame().unwrap()).map(|received| received.frame).collect()
}

fn open(name: &str) -> Recording {
    Recording::open(&Input::File(file(&format!("golden/captures/{name}")))).unwrap()
}

#[test]
fn every_form_holds_the_same_frames() {
    let text = frames(&mut open("mixed.log"));
    assert_eq!(text.len(), 308);
    let fd: Vec<(bool, usize)> =
        text.iter().filter(|f| f.flags.fd).map(|f| (f.flags.extended, f.data().len())).collect();
    assert_eq!(fd, [(true, 32), (true, 64), (false, 12), (false, 0), (false, 48)]);
    for name in ["mixed.pcap", "mixed.pcapng"] {
        let mut capture = open(name);
        assert_eq!(capture.stamps().meaning(), Meaning::Absolute);
        let read = frames(&mut capture);
        assert_eq!(read.len(), text.len(), "{name}");
        for (a, b) in read.iter().zip(&text) {
            // The other library keeps times as floating-point seconds.
            assert!((a.time.micros() - b.time.micros()).abs() <= 1, "{name}: {a:?} {b:?}");
            assert_eq!((a.id, a.flags, a.data()), (b.id, b.flags, b.data()), "{name}");
        }
        assert!(capture.damage().counts.is_empty(), "{name}: {:?}", capture.damage());
    }
}

#[test]
fn packed_and_cut_captures() {
    let whole = std::fs::read(file("golden/captures/mixed.pcap")).unwrap();
    let packed = {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        std::io::Write::write_all(&mut encoder, &whole).unwrap();
        encoder.finish().unwrap()
    };
    let from = |bytes: Vec<u8>| Recording::from_reader(Input::Standard, Box::new(Cursor::new(bytes)));
    assert_eq!(frames(&mut from(packed).unwrap()).len(), 308);
    let mut cut = from(whole[..whole.len() / 2].to_vec()).unwrap();
    assert!((100..304).contains(&frames(&mut cut).len()));
    assert_eq!(cut.damage().counts["truncated_recording"], 1);
    // What measurement tools write is not read, and the way out is said.
    let mdf = from(b"MDF     4.10    and so on".to_vec()).unwrap_err();
    assert!(matches!(mdf, RecordingError::Mdf { .. }) && mdf.to_string().contains("can.logconvert"), "{mdf}");
    // Another network's capture: the link type of Ethernet.
    let mut ethernet = whole;
    ethernet[20] = 1;
    assert!(matches!(from(ethernet).unwrap_err(), RecordingError::NoCan { .. }));
}
