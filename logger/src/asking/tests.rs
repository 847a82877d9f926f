//! A bus that is listened to for minutes, and what would have been sent on it.

use super::*;
use crate::bus::Flags;
use ampwake_schemas::message::fast_packet::fragment;
use ampwake_schemas::time::Timestamp;
use proptest::prelude::*;

const EXTENDED: Flags = Flags { extended: true, error: false, remote: false, fd: false };

struct Bench {
    questions: Questions,
    now: Duration,
    /// When, to whom, for what.
    sent: Vec<(Duration, u8, u32)>,
}

impl Bench {
    fn on(protocols: &[Protocol]) -> Self {
        Self { questions: Questions::on(protocols).unwrap(), now: Duration::ZERO, sent: Vec::new() }
    }

    fn hear(&mut self, pgn: u32, source: u8, data: &[u8]) {
        self.frame(CanId { priority: 6, pgn, source, destination: 255 }.to_raw(), EXTENDED, data);
    }

    fn frame(&mut self, id: u32, flags: Flags, data: &[u8]) {
        let time = Timestamp::from_micros(self.now.as_micros() as i64);
        self.questions.heard(self.now, &Frame::new(time, id, flags, data).unwrap());
    }

    fn claim(&mut self, source: u8, name: u64) {
        self.hear(60928, source, &name.to_le_bytes());
    }

    fn product(&mut self, source: u8) {
        for frame in fragment(1, &[0x20; 134]).unwrap() {
            self.hear(126996, source, &frame);
        }
    }

    /// Lets seconds pass in which these send a battery's status.
    fn pass(&mut self, seconds: u64, sources: &[u8]) {
        for _ in 0..seconds * 10 {
            sources.iter().for_each(|s| self.hear(127508, *s, &[0; 8]));
            if let Some(request) = self.questions.next(self.now) {
                let number = request.data();
                let pgn = u32::from_le_bytes([number[0], number[1], number[2], 0]);
                self.sent.push((self.now, request.address, pgn));
            }
            self.now += Duration::from_millis(100);
        }
    }

    fn asked(&self, address: u8, pgn: u32) -> Vec<u64> {
        self.sent.iter().filter(|s| s.1 == address && s.2 == pgn).map(|s| s.0.as_secs()).collect()
    }
}

#[test]
fn a_request_on_the_wire() {
    // Identifier and data as PyPI can-j1939 2.0.12 sends them before it holds an address (`send_request`).
    let request = Request { address: 35, question: Question::AddressClaim, attempt: 1 };
    assert_eq!((request.id(), request.data()), (0x18EA_23FE, [0x00, 0xEE, 0x00]));
    let request = Request { address: 35, question: Question::ProductInformation, attempt: 2 };
    assert_eq!((request.id(), request.data()), (0x18EA_23FE, [0x14, 0xF0, 0x01]));
    let words = "the device at address 35 was asked for its product information (126996), request 2 of 3";
    assert_eq!(request.to_string(), words);
}

#[test]
fn a_silent_device_is_asked_three_times_with_growing_pauses() {
    let mut b = Bench::on(&[Protocol::N2k]);
    b.pass(600, &[35]);
    assert_eq!(b.asked(35, 60928), [2, 12, 72]);
    assert_eq!(b.asked(35, 126996), [3, 13, 73]);
    assert_eq!(b.sent.len(), 6);
}

#[test]
fn who_is_known_is_not_asked() {
    let mut b = Bench::on(&[Protocol::N2k]);
    b.claim(35, 1);
    b.product(35);
    b.pass(600, &[35]);
    assert_eq!(b.sent, []);
    // An answer that comes after the first request spares the others.
    b.hear(127508, 36, &[0; 8]);
    b.pass(3, &[35, 36]);
    b.claim(36, 2);
    b.pass(1, &[35, 36]);
    b.product(36);
    b.pass(600, &[35, 36]);
    assert_eq!((b.asked(36, 60928).len(), b.asked(36, 126996).len(), b.sent.len()), (1, 1, 2));
}

#[test]
fn one_request_at_a_time_however_many_devices_there_are() {
    let mut b = Bench::on(&[Protocol::N2k]);
    let all: Vec<u8> = (0..=255).collect();
    b.pass(2000, &all);
    assert_eq!(b.sent.len(), 254 * 2 * MOST_TRIES, "nobody is at 254 and 255");
    assert!(b.sent.windows(2).all(|w| w[1].0 - w[0].0 >= PACE));
}

#[test]
fn a_new_claim_begins_anew_but_a_quarrel_does_not() {
    let mut b = Bench::on(&[Protocol::N2k]);
    b.claim(35, 1);
    b.pass(100, &[35]);
    assert_eq!(b.asked(35, 126996).len(), 3);
    // Another device at its address, and another, and another.
    for name in 2..1000 {
        b.claim(35, name % 2);
        b.pass(1, &[35]);
    }
    assert_eq!(b.asked(35, 126996), [2, 12, 72, 602]);
    b.pass(600, &[35]);
    assert_eq!(b.asked(35, 126996)[4..], [1202, 1212, 1272], "the one that stayed");
    b.claim(35, 7);
    b.pass(110, &[35]);
    b.product(35);
    b.pass(600, &[35]);
    assert_eq!(b.asked(35, 126996)[7..], [1802], "it answered the first request");
}

#[test]
fn an_answer_that_was_known_is_not_asked_for_again_after_the_same_claim() {
    let mut b = Bench::on(&[Protocol::N2k]);
    b.claim(35, 1);
    b.product(35);
    b.pass(700, &[35]);
    b.claim(35, 1);
    b.pass(700, &[35]);
    assert_eq!(b.sent, []);
}

#[test]
fn a_refusal_is_taken_for_an_answer_and_being_busy_is_not() {
    let mut b = Bench::on(&[Protocol::N2k]);
    b.claim(35, 1);
    b.claim(36, 2);
    b.hear(59392, 35, &[1, 0xFF, 0xFF, 0xFF, 254, 0x14, 0xF0, 0x01]);
    b.hear(59392, 36, &[3, 0xFF, 0xFF, 0xFF, 254, 0x14, 0xF0, 0x01]);
    b.hear(59392, 36, &[1, 0xFF, 0xFF, 0xFF, 254, 0x14]);
    b.pass(100, &[35, 36]);
    assert_eq!((b.asked(35, 126996).len(), b.asked(36, 126996).len()), (0, 3));
}

#[test]
fn errors_and_absence_make_it_quiet() {
    let mut b = Bench::on(&[Protocol::N2k]);
    b.pass(1, &[35]);
    b.frame(0x20, Flags { error: true, ..Flags::default() }, &[0; 8]);
    b.pass(60, &[35]);
    assert_eq!(b.sent, []);
    b.pass(3, &[35]);
    assert_eq!(b.sent.len(), 2);
    b.hear(127508, 36, &[0; 8]);
    b.questions.be_quiet(b.now + Duration::from_secs(100));
    b.pass(300, &[]);
    assert_eq!(b.sent.len(), 2, "neither is heard any more");
}

#[test]
fn others_are_asked_for_what_they_have() {
    assert!(Questions::on(&[Protocol::Canopen]).is_none());
    let mut b = Bench::on(&[Protocol::Rvc]);
    b.pass(100, &[35]);
    assert_eq!((b.asked(35, 60928).len(), b.sent.len()), (3, 3));
    // Beside NMEA 2000 an engine controller that says nothing of it has no product information.
    let mut b = Bench::on(&[Protocol::N2k, Protocol::J1939]);
    b.claim(0, 1);
    b.claim(35, 2);
    for _ in 0..100 {
        b.hear(61444, 0, &[0; 8]);
        b.pass(1, &[35]);
    }
    assert_eq!((b.asked(0, 126996).len(), b.asked(35, 126996).len()), (0, 3));
    // Other frames are nobody's.
    let mut b = Bench::on(&[Protocol::N2k]);
    b.frame(0x123, Flags::default(), &[0; 8]);
    b.frame(0x18EA_FF23, Flags { remote: true, ..EXTENDED }, &[]);
    b.pass(100, &[254]);
    assert_eq!(b.sent, []);
}

proptest! {
    #[test]
    fn nothing_makes_it_talk_much(
        frames in proptest::collection::vec(
            (
                proptest::sample::select(vec![60928_u32, 126996, 59392, 127508]),
                any::<u8>(),
                proptest::collection::vec(any::<u8>(), 0..=8),
                0_u64..3,
            ),
            0..600,
        )
    ) {
        let mut b = Bench::on(&[Protocol::N2k]);
        for (pgn, source, data, seconds) in frames {
            b.hear(pgn, source % 4, &data);
            b.pass(seconds, &[]);
        }
        prop_assert!(b.sent.windows(2).all(|w| w[1].0 - w[0].0 >= PACE));
        for address in 0..4 {
            prop_assert!(b.asked(address, 60928).len() <= MOST_TRIES);
            let products = b.asked(address, 126996);
            let rounds = 1 + b.now.as_secs() / REST.as_secs();
            prop_assert!(products.len() as u64 <= MOST_TRIES as u64 * rounds, "{:?}", products);
        }
    }
}
