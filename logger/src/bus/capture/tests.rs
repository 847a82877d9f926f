//! Captures of both forms in both byte orders, whole and damaged. What another writer makes of them is tested with
//! the whole program (`tests/tests/captures.rs`).

use super::*;
use proptest::prelude::*;

fn all(bytes: &[u8]) -> Vec<Next> {
    let mut capture = Capture::open(bytes).unwrap();
    let mut out = Vec::new();
    loop {
        match capture.advance().unwrap() {
            Next::End => return out,
            next => out.push(next),
        }
    }
}

/// One packet of link type 227.
fn can(id: u32, fd: u8, data: &[u8]) -> Vec<u8> {
    let mut out = id.to_be_bytes().to_vec();
    out.extend([data.len() as u8, fd, 0, 0]);
    out.extend(data);
    out
}

fn word(big: bool, n: u32) -> [u8; 4] {
    if big { n.to_be_bytes() } else { n.to_le_bytes() }
}

fn plain_form(big: bool, magic: u32, link: u32, packets: &[(u32, u32, Vec<u8>)]) -> Vec<u8> {
    let mut out = word(big, magic).to_vec();
    out.extend(if big { [0, 2, 0, 4] } else { [2, 0, 4, 0] });
    out.extend([0; 8]);
    out.extend(word(big, 65535));
    out.extend(word(big, link));
    for (seconds, part, packet) in packets {
        for n in [*seconds, *part, packet.len() as u32, packet.len() as u32] {
            out.extend(word(big, n));
        }
        out.extend(packet);
    }
    out
}

fn block(big: bool, kind: u32, body: &[u8]) -> Vec<u8> {
    let padded = body.len().next_multiple_of(4);
    let length = padded as u32 + 12;
    let mut out = [word(big, kind), word(big, length)].concat();
    out.extend(body);
    out.resize(8 + padded, 0);
    out.extend(word(big, length));
    out
}

fn blocks_form(big: bool, link: u16, packets: &[(u64, Vec<u8>)]) -> Vec<u8> {
    let half = |n: u16| if big { n.to_be_bytes() } else { n.to_le_bytes() };
    let head = [word(big, 0x1A2B_3C4D).to_vec(), half(1).to_vec(), half(0).to_vec(), vec![0xFF; 8]].concat();
    let mut out = block(big, 0x0A0D_0D0A, &head);
    let option = |code: u16, value: &[u8]| {
        let mut o = [half(code), half(value.len() as u16)].concat();
        o.extend(value);
        o.resize(o.len().next_multiple_of(4), 0);
        o
    };
    let mut interface = [half(link).to_vec(), vec![0; 6]].concat();
    interface.extend([option(2, b"Aft CAN"), option(9, &[9]), option(0, &[])].concat());
    out.extend(block(big, 1, &interface));
    // A kind that nobody knows is passed over.
    out.extend(block(big, 0x0BAD, &[1, 2, 3]));
    for (nanos, packet) in packets {
        let length = packet.len() as u32;
        let mut body = Vec::new();
        for n in [0, (nanos >> 32) as u32, *nanos as u32, length, length] {
            body.extend(word(big, n));
        }
        body.extend(packet);
        out.extend(block(big, 6, &body));
    }
    out
}

fn status() -> Vec<u8> {
    can(0x99F2_1423, 0, &[0, 0xFB, 4, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF])
}

#[test]
fn every_form_and_order_gives_the_same_frame() {
    let nanos = 1_757_680_800_110_000_000_u64;
    let expected = {
        let flags = Flags { extended: true, ..Flags::default() };
        let data = [0, 0xFB, 4, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF];
        Frame::new(Timestamp::from_micros(1_757_680_800_110_000), 0x19F2_1423, flags, &data).unwrap()
    };
    for big in [false, true] {
        for (magic, part) in [(0xA1B2_C3D4, 110_000), (0xA1B2_3C4D, 110_000_000)] {
            let bytes = plain_form(big, magic, 227, &[(1_757_680_800, part, status())]);
            assert!(is_capture(&bytes));
            assert_eq!(all(&bytes), [Next::Frame(0, expected)]);
        }
        let bytes = blocks_form(big, 227, &[(nanos, status())]);
        assert!(is_capture(&bytes));
        assert_eq!(all(&bytes), [Next::Frame(0, expected)]);
        let mut capture = Capture::open(&bytes[..]).unwrap();
        capture.advance().unwrap();
        assert_eq!(capture.name(0), b"Aft CAN");
        // Two captures in a row are two sections, and two interfaces.
        let twice = [bytes.clone(), bytes].concat();
        assert_eq!(all(&twice), [Next::Frame(0, expected), Next::Frame(1, expected)]);
    }
    assert!(!is_capture(b"(1757680800.110000) can0 19F21423#00") && !is_capture(b"") && !is_capture(b"\n\r\r"));
}

#[test]
fn kinds_of_frames() {
    let packets = [
        can(0x123, 0, &[1, 2]),
        can(0x4000_0123, 0, &[]),
        can(0x2000_0040, 0, &[0; 8]),
        can(0x8000_0001, 0x04, &[7; 64]),
        can(0x8000_0001, 0x00, &[7; 12]),
    ];
    let bytes = plain_form(false, 0xA1B2_C3D4, 227, &packets.map(|p| (1, 0, p)));
    let read: Vec<(u32, Flags, usize)> = all(&bytes)
        .into_iter()
        .map(|n| match n {
            Next::Frame(_, f) => (f.id, f.flags, f.data().len()),
            other => panic!("{other:?}"),
        })
        .collect();
    let flags = |extended, error, remote, fd| Flags { extended, error, remote, fd };
    assert_eq!(
        read,
        [
            (0x123, flags(false, false, false, false), 2),
            (0x123, flags(false, false, true, false), 0),
            (0x40, flags(false, true, false, false), 8),
            (1, flags(true, false, false, true), 64),
            (1, flags(true, false, false, true), 12),
        ]
    );
}

#[test]
fn damage_is_counted_and_what_was_good_is_kept() {
    let good = plain_form(false, 0xA1B2_C3D4, 227, &[(1, 0, status()), (2, 0, status())]);
    let read = all(&good[..good.len() - 3]);
    assert!(matches!(read[..], [Next::Frame(..), Next::Problem("truncated_recording")]), "{read:?}");
    // Cut within the head of a packet, and right behind one: the second is no damage.
    assert!(matches!(all(&good[..24 + 32 + 7])[..], [Next::Frame(..), Next::Problem("truncated_recording")]));
    assert!(matches!(all(&good[..24 + 32])[..], [Next::Frame(..)]));
    let mut long = good.clone();
    long[24 + 8..24 + 12].copy_from_slice(&[0xFF; 4]);
    assert_eq!(all(&long), [Next::Problem("damaged_capture")]);
    // A packet that says more bytes than it has, one that was cut by the writer, one of another network.
    let mut lying = good.clone();
    lying[24 + 16 + 4] = 60;
    assert!(matches!(all(&lying)[..], [Next::Problem("damaged_packet"), Next::Frame(..)]));
    let mut cut = good.clone();
    cut[24 + 12] = 99;
    assert!(matches!(all(&cut)[..], [Next::Problem("shortened_packet"), Next::Frame(..)]));
    assert_eq!(
        all(&plain_form(false, 0xA1B2_C3D4, 1, &[(1, 0, status())])),
        [Next::Problem("packet_of_another_network")]
    );
}

proptest! {
    #[test]
    fn any_bytes_come_to_an_end(
        form in 0_u8..3,
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..12),
        cut in any::<prop::sample::Index>(),
    ) {
        let packets = vec![(5_u64 << 40, status()), (6 << 40, can(1, 0, &[])), (7 << 40, status())];
        let mut bytes = match form {
            0 => blocks_form(false, 227, &packets),
            1 => blocks_form(true, 227, &packets),
            _ => plain_form(true, 0xA1B2_3C4D, 227, &[(1, 5, status()), (9, 0, status())]),
        };
        for (place, byte) in changes {
            let i = place.index(bytes.len());
            bytes[i] = byte;
        }
        bytes.truncate(cut.index(bytes.len() + 1));
        let n = bytes.len();
        prop_assert!(all(&bytes).len() <= n / 12 + 2);
    }
}
