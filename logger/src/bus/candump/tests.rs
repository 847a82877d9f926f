use super::*;
use proptest::prelude::*;

fn frame(id: u32, flags: Flags, data: &[u8]) -> Frame {
    Frame::new(Timestamp::default(), id, flags, data).unwrap()
}

const EXTENDED: Flags = Flags { extended: true, error: false, remote: false, fd: false };

#[test]
fn the_forms_of_the_log() {
    // As written by python-can 4.6.1 and, without direction, by can-utils.
    let data = [0x01, 0xA0, 0x05, 0xB8, 0x03, 0x18, 0x79, 0xFC];
    let cases: [(&[u8], Frame, bool); 9] = [
        (b"(1700000000.123456) can0 19F21423#01A005B8031879FC R", frame(0x19F2_1423, EXTENDED, &data), true),
        (b"(1700000000.123456) can0 19F21423#01A005B8031879FC", frame(0x19F2_1423, EXTENDED, &data), true),
        (b"(1700000000.123456) can0 19f21423#01a005b8031879fc", frame(0x19F2_1423, EXTENDED, &data), true),
        (b"(1700000000.123456) can0 123#0102 T", frame(0x123, Flags::default(), &[1, 2]), true),
        (b"(1700000000.123456) can0 123#0102", frame(0x123, Flags::default(), &[1, 2]), false),
        (b"(1700000000.123456) can0 123#", frame(0x123, Flags::default(), &[]), false),
        (b"(1700000000.123456) can0 123#R4", frame(0x123, Flags { remote: true, ..Flags::default() }, &[]), false),
        (
            b"(1700000000.123456) can0 19F21423##1000102030405060708090A0B R",
            frame(0x19F2_1423, Flags { fd: true, ..EXTENDED }, &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]),
            true,
        ),
        (
            b"(1700000000.123456) can0 20000040#0000000000000000",
            frame(0x40, Flags { error: true, ..Flags::default() }, &[0; 8]),
            true,
        ),
    ];
    for (text, frame, complete) in cases {
        let line = parse(text).unwrap();
        assert_eq!((line.frame, line.complete), (frame, complete), "{}", text.escape_ascii());
        assert_eq!(line.stamp, Stamp::Seconds(1_700_000_000_123_456));
        assert_eq!(line.interface, b"can0");
    }
}

#[test]
fn the_forms_of_the_screen() {
    let data = [0x00, 0xFB, 0x04, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF];
    for text in [
        " (1757680800.110000)  can0  19F21423   [8]  00 FB 04 FF 7F FF FF FF",
        " (1757680800.110000)  can0  19F21423   [8]  00 FB 04 FF 7F FF FF FF   '........'",
        " (1757680800.110000)  can0  RX - -  19F21423   [8]  00 FB 04 FF 7F FF FF FF",
        " (1757680800.11)\tcan0  19f21423\t[8]  00 fb 04 ff 7f ff ff ff  ",
        " (2025-09-12 12:40:00.110000)  can0  19F21423   [8]  00 FB 04 FF 7F FF FF FF",
    ] {
        let line = parse(text.as_bytes()).unwrap();
        assert_eq!((line.frame, line.complete), (frame(0x19F2_1423, EXTENDED, &data), true), "{text}");
        let (Stamp::Seconds(us) | Stamp::Calendar(us) | Stamp::Told(us)) = line.stamp;
        assert_eq!(us, 1_757_680_800_110_000, "{text}");
    }
    let error = parse(b" (000.000000)  can0  20000004   [8]  00 10 00 00 00 00 00 00   ERRORFRAME").unwrap();
    assert!(error.frame.flags.error && error.frame.id == 4 && error.stamp == Stamp::Seconds(0));
    let remote = parse(b" (000.000000)  can0  123   [4]  remote request").unwrap();
    assert!(remote.frame.flags.remote);
    assert!(parse(b" (0.0)  can0  123  [12]  00 01 02 03 04 05 06 07 08 09 0A 0B").unwrap().frame.flags.fd);
}

#[test]
fn damage_is_no_frame() {
    for text in [
        "",
        "garbage",
        "(1757680800.110000)",
        "(1757680800.110000) can0",
        "(1757680800.110000) can0 19F21423",
        "(1757680800.110000) can0 19F21423#0",
        "(1757680800.110000) can0 19F21423#000102030405060708",
        "(1757680800.110000) can0 19F2142#00",
        "(1757680800.110000) can0 99F21423#00",
        "(1757680800.110000) can0 FFF#00",
        "(1757680800.110000) can0 19F21423#0G",
        "(1757680800.110000) can0 19F21423#00 X",
        "(1757680800.110000) can0 19F21423#00(1757680800.2) can0 19F21423#00",
        "(1757680800) can0 19F21423#00",
        "(-1.5) can0 19F21423#00",
        "(1757680800.1100000000) can0 19F21423#00",
        "(999999999999999.1) can0 19F21423#00",
        "(2025-13-12 12:40:00.1) can0 19F21423#00",
        "1757680800.110000 can0 19F21423#00",
        " (1757680800.110000)  can0  19F21423   [8]  00 FB 04",
        " (1757680800.110000)  can0  19F21423   [9]  00 01 02 03 04 05 06 07 08",
        " (1757680800.110000)  can0  19F21423   [1]  00 FB",
        "  can0  19F21423   [1]  00",
    ] {
        assert_eq!(parse(text.as_bytes()), None, "{text}");
    }
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(line in prop::collection::vec(any::<u8>(), 0..120)) {
        let _ = parse(&line);
    }

    #[test]
    fn nearly_lines_do_not_make_it_panic(line in r"\(?[0-9.: -]{0,22}\)? ?[a-z0-9]{0,6} {0,2}[0-9A-F#R_]{0,30}[ \[\]0-9A-F'RT]{0,30}") {
        let _ = parse(line.as_bytes());
    }

    #[test]
    fn what_is_written_in_the_grammar_is_read_back(
        us in 0_i64..253_402_300_799_999_999,
        interface in "[!-~]{1,16}",
        id in 0_u32..0x2000_0000,
        data in prop::collection::vec(any::<u8>(), 0..=8),
        lower: bool,
    ) {
        let hex: String = data.iter().map(|b| if lower { format!("{b:02x}") } else { format!("{b:02X}") }).collect();
        let text = format!("({}.{:06}) {interface} {id:08X}#{hex}", us / 1_000_000, us % 1_000_000);
        let line = parse(text.as_bytes()).unwrap();
        prop_assert_eq!(line.stamp, Stamp::Seconds(us));
        prop_assert_eq!(line.interface, interface.as_bytes());
        prop_assert_eq!(line.frame, frame(id, EXTENDED, &data));
        let bytes: String = data.iter().map(|b| format!(" {b:02X}")).collect();
        let text = format!(" ({}.{:06})  {interface}  {id:08X}   [{}] {bytes}", us / 1_000_000, us % 1_000_000, data.len());
        prop_assert_eq!(parse(text.as_bytes()).unwrap().frame, frame(id, EXTENDED, &data));
    }
}

proptest! {
    /// The short way says what the long one says, or nothing.
    #[test]
    fn the_usual_form_is_read_alike(
        seconds in 0_u64..9_999_999_999, micros in 0_u32..1_000_000, interface in "[a-z0-9]{1,5}", id in 0_u32..0x4000_0000,
        data in proptest::collection::vec(any::<u8>(), 0..=8), mark in prop_oneof![Just(""), Just(" R"), Just(" T"), Just(" x")],
        at in any::<prop::sample::Index>(), other in any::<u8>(), damaged: bool
    ) {
        let hex: String = data.iter().map(|b| format!("{b:02X}")).collect();
        let mut line = format!("({seconds:010}.{micros:06}) {interface} {id:08X}#{hex}{mark}").into_bytes();
        if damaged {
            let at = at.index(line.len());
            line[at] = other;
        }
        let usual = usual(&line);
        prop_assert!(usual.is_none() || usual == of_any_form(&line), "{}", line.escape_ascii());
        prop_assert!(usual.is_some() || damaged || mark == " x" || id >= ERROR_BIT);
    }
}
