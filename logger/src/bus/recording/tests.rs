use super::*;
use crate::bus::stamps::Meaning;
use std::io::{Cursor, Read, Write};

const LINE: &str = "(1757680800.110000) can0 19F21423#00FB04FF7FFFFFFF\n";

fn open(bytes: impl Into<Vec<u8>>) -> Result<Recording, RecordingError> {
    Recording::from_reader(Input::File("trip.log".into()), Box::new(Cursor::new(bytes.into())))
}

fn opened(bytes: impl Into<Vec<u8>>) -> Recording {
    open(bytes).unwrap()
}

/// Why it is not opened.
fn refused(bytes: impl Into<Vec<u8>>) -> RecordingError {
    open(bytes).unwrap_err()
}

fn zst(bytes: &[u8]) -> Vec<u8> {
    zstd::encode_all(bytes, 1).unwrap()
}

fn read(bytes: impl Into<Vec<u8>>) -> (Vec<Received>, Damage) {
    read_on(opened(bytes))
}

fn read_on(mut recording: Recording) -> (Vec<Received>, Damage) {
    let mut frames = Vec::new();
    while let Some(frame) = recording.next_frame().unwrap() {
        frames.push(frame);
    }
    (frames, recording.damage)
}

fn gz(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

/// Lines that do not compress well, so that half of the compressed bytes hold about half of them.
fn lines(n: u64) -> String {
    (0..n)
        .map(|i| {
            format!("({}.{:06}) can0 19F21423#{:016X}\n", 1_757_680_800 + i, i, i.wrapping_mul(0x9E37_79B9_7F4A_7C15))
        })
        .collect()
}

#[test]
fn every_packing_is_read_by_its_first_bytes() {
    let text = lines(3000);
    let (plain, damage) = read(text.clone());
    assert_eq!((plain.len(), damage), (3000, Damage::default()));
    assert_eq!(plain[0].frame.time.micros(), 1_757_680_800_000_000);
    let (head, tail) = text.as_bytes().split_at(text.len() / 2);
    assert_eq!(read([gz(head), gz(tail)].concat()).0, plain);
    assert_eq!(read([zst(head), zst(tail)].concat()).0, plain);
    assert_eq!(read(text.replace('\n', "\r\n")).0, plain);
}

#[test]
fn a_cut_archive_keeps_what_was_good_and_says_so() {
    let text = lines(30_000);
    for packed in [gz(text.as_bytes()), zst(text.as_bytes())] {
        let (frames, damage) = read(&packed[..packed.len() * 2 / 3]);
        assert!(frames.len() > 5_000 && frames.len() < 30_000, "{}", frames.len());
        assert_eq!(damage.counts["truncated_recording"], 1);
        assert!(matches!(refused(&packed[..40]), RecordingError::Damaged { .. }));
        let mut rotten = packed.clone();
        let from = packed.len() / 2;
        rotten[from..from + 64].fill(0x55);
        let (frames, damage) = read(rotten);
        assert!(frames.len() < 30_000);
        // A .zst need not carry a checksum: then the rot shows in the lines alone.
        assert!(!damage.counts.is_empty());
    }
    let (frames, damage) = read([gz(text.as_bytes()), b"what is this".to_vec()].concat());
    assert_eq!((frames.len(), damage.counts["damaged_compression"]), (30_000, 1));
}

#[test]
fn a_short_archive_that_is_damaged_near_its_end_keeps_what_was_good() {
    // Of .gz; zstd unpacks whole blocks of up to 128 KiB or nothing.
    let mut packed = gz(lines(2000).as_bytes());
    let end = packed.len();
    packed[end - 60..end - 40].fill(0xFF);
    let (frames, damage) = read(packed);
    assert!(frames.len() > 1900, "{}", frames.len());
    assert_eq!(damage.counts["damaged_compression"], 1);
}

#[test]
fn damaged_lines_are_counted_and_the_first_are_shown() {
    let long = "x".repeat(100_000);
    let text = format!("{LINE}gar\x07bage\n\n\tdetails of an error frame\n{LINE}{long}\n{LINE}{}", "?\n".repeat(9));
    let (frames, damage) = read(text);
    assert_eq!(frames.len(), 3);
    assert_eq!(damage.counts, BTreeMap::from([("damaged_line", 10), ("line_too_long", 1)]));
    assert_eq!(damage.lines.len(), 5);
    assert_eq!(damage.lines[0], (2, "gar\\x07bage".to_owned()));
    assert_eq!(damage.lines[1].0, 6);
}

#[test]
fn a_last_line_that_was_cut_is_not_taken_for_a_short_message() {
    let half = "(1757680801.110000) can0 19F21423#00FB04";
    for (last, frames, cut) in [
        (half, 1, true),
        ("(1757680801.110000) can0 19F2", 1, true),
        ("(1757680801.110000) can0 19F21423#00FB04FF7FFFFFFF", 2, false),
        (" (1757680801.110000)  can0  19F21423   [2]  00 FB", 2, false),
        ("(1757680801.110000) can0 19F21423#00FB04 R", 2, false),
    ] {
        let (read, damage) = read(format!("{LINE}{last}"));
        assert_eq!((read.len(), damage.counts.contains_key("cut_last_line")), (frames, cut), "{last}");
    }
    assert_eq!(read(format!("{LINE}{half}\n")).0.len(), 2);
}

#[test]
fn what_is_no_recording_is_an_error_that_helps() {
    assert!(matches!(refused(""), RecordingError::Empty { .. }));
    assert!(matches!(refused(gz(b"")), RecordingError::Empty { .. }));
    for rubbish in [&b"\x7FELF\x02\x01\x01\0\0\0"[..], b"schema = \"ampwake-intent/1\"\n", b"\n\n", b"PK\x03\x04\0\0"] {
        let e = refused(rubbish);
        assert!(matches!(e, RecordingError::NoFrames { .. }), "{e}");
        assert!(e.to_string().contains("trip.log") && e.to_string().contains("candump -l"), "{e}");
    }
    let e = Recording::open(&Input::File("no/such/file.log".into())).unwrap_err();
    assert!(e.to_string().contains("no/such/file.log"), "{e}");
}

#[test]
fn a_binary_file_is_refused_without_reading_all_of_it() {
    struct Counted(std::sync::Arc<std::sync::atomic::AtomicUsize>);
    impl Read for Counted {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            self.0.fetch_add(buffer.len(), std::sync::atomic::Ordering::Relaxed);
            buffer.fill(0);
            Ok(buffer.len())
        }
    }
    let taken = std::sync::Arc::<std::sync::atomic::AtomicUsize>::default();
    let e = Recording::from_reader(Input::Standard, Box::new(Counted(taken.clone()))).unwrap_err();
    assert!(matches!(e, RecordingError::NoFrames { .. }), "{e}");
    assert!(taken.load(std::sync::atomic::Ordering::Relaxed) <= 2 * 64 * 1024);
}

#[test]
fn a_failing_disk_is_an_error() {
    struct Failing;
    impl Read for Failing {
        fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
            Err(std::io::Error::from_raw_os_error(5))
        }
    }
    let input = Box::new(Cursor::new(LINE.repeat(5000)).chain(Failing));
    let mut recording = Recording::from_reader(Input::Standard, input).unwrap();
    let e = loop {
        match recording.next_frame() {
            Ok(frame) => assert!(frame.is_some(), "the end was taken for a good one"),
            Err(e) => break e,
        }
    };
    assert!(matches!(e, RecordingError::Io { .. }), "{e}");
}

#[test]
fn interfaces_become_bus_names_and_are_bounded() {
    let text: String = (0..100).map(|i| format!("(1757680800.1) VCAN:{i} 123#00\n")).collect();
    let mut recording = opened(text);
    let mut n = 0;
    while recording.next_frame().unwrap().is_some() {
        n += 1;
    }
    assert_eq!((n, recording.buses().len()), (64, 64));
    assert_eq!(recording.buses()[7], "vcan_7");
    assert_eq!(recording.damage().counts["too_many_interfaces"], 36);
}

#[test]
fn relative_times_begin_in_1970() {
    let text: String =
        (0..300).map(|i| format!(" ({:03}.{:06})  can0  123   [1]  00\n", i / 10, i % 10 * 100_000)).collect();
    let recording = opened(text);
    assert_eq!(recording.stamps().meaning(), Meaning::SinceStart);
    let (frames, _) = read_on(recording);
    assert_eq!(frames[299].frame.time.micros(), 29_900_000);
    let text: String =
        (0..300).map(|i| format!(" (000.{:06})  can0  123   [1]  00\n", 100 + i * 7919 % 1000)).collect();
    let recording = opened(text);
    assert_eq!(recording.stamps().meaning(), Meaning::SinceLine);
    assert!(read_on(recording).0.windows(2).all(|w| w[0].frame.time < w[1].frame.time));
}

const XDR: &str = "$IIXDR,C,27.5,C,BATT1,U,13.42,V,BATT1,I,-8.3,A,BATT1*4B";

#[test]
fn sentences_take_the_name_that_they_are_given_unless_they_have_one() {
    let text = format!("1780315200 {XDR}\n(1780315201.000000) fore {XDR}\n1780315202 {XDR}");
    let mut recording = opened(text).with_line("Aft 1");
    let mut buses = Vec::new();
    while let Some((bus, carried)) = recording.advance().unwrap() {
        assert!(matches!(carried, Carried::Readings(_)));
        buses.push(recording.buses()[bus].clone());
    }
    // The last one has no line end, and a checksum that says that nothing is missing.
    assert_eq!(buses, ["aft_1", "fore", "aft_1"]);
    assert_eq!(recording.damage(), &Damage::default());
}

#[test]
fn noise_of_a_line_does_not_make_a_recording_of_sentences_unreadable() {
    let text = format!("\0\x01\u{fffd}\n1780315200 {XDR}\n\0\0{XDR}\n1780315201 {XDR}\n$IIXDR,C,2");
    let mut recording = opened(text);
    let times: Vec<i64> = std::iter::from_fn(|| recording.advance().unwrap())
        .map(|(_, carried)| match carried {
            Carried::Readings(readings) => readings.time.millis() / 1000,
            Carried::Frame(frame) => panic!("{frame:?}"),
        })
        .collect();
    assert_eq!(times, [1_780_315_200, 1_780_315_201]);
    let counts = [("cut_last_line", 1), ("damaged_line", 1), ("sentence_without_time", 1)];
    assert_eq!(recording.damage().counts, counts.into());
}
