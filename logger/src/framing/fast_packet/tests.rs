use super::*;
use ampwake_schemas::message::fast_packet::fragment;
use proptest::prelude::*;

const CHARGER: CanId = CanId::broadcast(6, 127507, 0x23);
const AC_INPUT: CanId = CanId::broadcast(6, 127503, 0x23);

fn at(ms: i64) -> Timestamp {
    Timestamp::from_millis(ms)
}

/// Pushes one frame; the payload if it is complete.
fn push(packets: &mut FastPackets, time: Timestamp, id: CanId, frame: &[u8]) -> Result<Option<Vec<u8>>, DropReason> {
    match packets.push(time, id, frame) {
        Outcome::Complete(payload) => Ok(Some(payload.to_vec())),
        Outcome::Incomplete => Ok(None),
        Outcome::Dropped(reason) => Err(reason),
    }
}

/// The same of a frame that is taken.
fn take(packets: &mut FastPackets, time: Timestamp, id: CanId, frame: &[u8]) -> Option<Vec<u8>> {
    push(packets, time, id, frame).unwrap()
}

fn frames_of(sequence: u8, payload: &[u8]) -> Vec<[u8; 8]> {
    fragment(sequence, payload).unwrap()
}

#[test]
fn a_known_message_in_three_frames() {
    // 127503 as PyPI nmea2000 2026.10.3 fragments it.
    let mut packets = FastPackets::default();
    let frames = [
        [0x00, 0x14, 0x00, 0x01, 0xFC, 0xE2, 0x59, 0x41],
        [0x01, 0x00, 0x88, 0x13, 0xA0, 0x00, 0xD2, 0x05],
        [0x02, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x64],
    ];
    assert_eq!(push(&mut packets, at(0), AC_INPUT, &frames[0]), Ok(None));
    assert_eq!(push(&mut packets, at(1), AC_INPUT, &frames[1]), Ok(None));
    let payload = take(&mut packets, at(2), AC_INPUT, &frames[2]).unwrap();
    assert_eq!(payload, [&frames[0][2..], &frames[1][1..], &frames[2][1..]].concat());
    assert_eq!(packets.counters(), Counters { complete: 1, ..Counters::default() });
}

#[test]
fn a_message_of_six_bytes_needs_no_second_frame() {
    let mut packets = FastPackets::default();
    let frame = [0x20, 6, 1, 0, 0x12, 0xF5, 0x5A, 0];
    assert_eq!(push(&mut packets, at(0), CHARGER, &frame), Ok(Some(frame[2..].to_vec())));
}

#[test]
fn the_last_frame_may_be_short_and_no_other() {
    let frames = frames_of(0, &[7; 14]);
    let mut packets = FastPackets::default();
    take(&mut packets, at(0), CHARGER, &frames[0]);
    take(&mut packets, at(0), CHARGER, &frames[1]);
    assert_eq!(push(&mut packets, at(0), CHARGER, &frames[2][..2]), Ok(Some(vec![7; 14])));
    take(&mut packets, at(0), CHARGER, &frames[0]);
    assert_eq!(push(&mut packets, at(0), CHARGER, &frames[1][..7]), Err(DropReason::Malformed));
    assert_eq!(push(&mut packets, at(0), CHARGER, &frames[0][..7]), Err(DropReason::Malformed));
    assert_eq!(packets.counters().malformed, 2);
}

#[test]
fn what_goes_wrong_is_dropped_and_counted() {
    let frames = frames_of(3, &[1; 40]);
    let mut packets = FastPackets::default();
    assert_eq!(push(&mut packets, at(0), CHARGER, &frames[1]), Err(DropReason::NoStart));
    take(&mut packets, at(0), CHARGER, &frames[0]);
    assert_eq!(push(&mut packets, at(0), CHARGER, &frames[4]), Err(DropReason::Gap));
    assert_eq!(push(&mut packets, at(0), CHARGER, &frames[5]), Err(DropReason::NoStart));
    take(&mut packets, at(0), CHARGER, &frames[0]);
    take(&mut packets, at(0), CHARGER, &frames[1]);
    assert_eq!(push(&mut packets, at(0), CHARGER, &frames[1]), Err(DropReason::Repeated));
    take(&mut packets, at(0), CHARGER, &frames[0]);
    take(&mut packets, at(0), CHARGER, &frames[0]);
    assert_eq!(push(&mut packets, at(751), CHARGER, &frames[1]), Err(DropReason::Late));
    for bad in [&[][..], &[0x60], &[0x60, 0, 1], &[0x60, 224, 1, 2, 3, 4, 5, 6], &[0; 9]] {
        assert_eq!(push(&mut packets, at(800), CHARGER, bad), Err(DropReason::Malformed), "{bad:?}");
    }
    let expected = Counters {
        lost_frames: 3,
        repeated: 1,
        without_start: 2,
        malformed: 5,
        timeouts: 1,
        restarted: 1,
        ..Counters::default()
    };
    assert_eq!(packets.counters(), expected);
}

#[test]
fn silence_is_measured_from_the_last_frame_and_both_ways() {
    let frames = frames_of(0, &[1; 20]);
    let mut packets = FastPackets::default();
    take(&mut packets, at(0), CHARGER, &frames[0]);
    take(&mut packets, at(700), CHARGER, &frames[1]);
    assert_eq!(push(&mut packets, at(1400), CHARGER, &frames[2]), Ok(Some(vec![1; 20])));
    take(&mut packets, at(1400), CHARGER, &frames[0]);
    packets.expire(at(-5000));
    assert_eq!(packets.counters().timeouts, 1, "a clock set back");
}

#[test]
fn memory_is_bounded_and_one_sender_cannot_push_out_the_others() {
    let frames = frames_of(0, &[1; 20]);
    let mut packets = FastPackets::default();
    take(&mut packets, at(0), CHARGER, &frames[0]);
    for destination in 0..255 {
        let flood = CanId { priority: 7, pgn: 126_208, source: 1, destination };
        take(&mut packets, at(1), flood, &frames[0]);
    }
    assert_eq!(packets.slots.len(), 1 + MAX_PER_STREAM);
    take(&mut packets, at(2), CHARGER, &frames[1]);
    assert_eq!(push(&mut packets, at(2), CHARGER, &frames[2]), Ok(Some(vec![1; 20])));
    for pgn in 126_976..126_976 + 20 {
        for source in 0..100 {
            take(&mut packets, at(3), CanId::broadcast(6, pgn, source), &frames[0]);
        }
    }
    assert_eq!(packets.slots.len(), MAX_SLOTS);
    assert!(packets.counters().evicted > 0);
}

/// A message of a stream: which sender, its payload, and which of its frames are lost or come twice.
type Sent = (u8, Vec<u8>, Vec<(bool, bool)>);

fn sent() -> impl Strategy<Value = Sent> {
    let payload = proptest::collection::vec(any::<u8>(), 1..=MAX_PAYLOAD);
    let fate = (proptest::bool::weighted(0.05), proptest::bool::weighted(0.02));
    (0u8..3, payload, proptest::collection::vec(fate, 32))
}

proptest! {
    /// Senders that interleave, count their sequences up and send a message every 100 ms, on a bus that loses and
    /// doubles frames: whatever comes out was sent, in order, and what lost nothing comes out.
    #[test]
    fn only_what_was_sent_comes_out(messages in proptest::collection::vec(sent(), 1..60), order: u64) {
        let mut packets = FastPackets::default();
        let mut expected: [Vec<Vec<u8>>; 3] = Default::default();
        let mut whole: [Vec<bool>; 3] = Default::default();
        let mut queues: [Vec<(i64, [u8; 8])>; 3] = Default::default();
        for (sender, payload, fates) in messages {
            let s = usize::from(sender);
            let start = expected[s].len() as i64 * 100;
            let frames = frames_of(expected[s].len() as u8, &payload);
            // A message of one frame that comes twice is two messages, as with any single frame.
            let one = frames.len() == 1;
            whole[s].push(fates[..frames.len()].iter().all(|(lost, twice)| !lost && (one || !twice)));
            for (i, (frame, (lost, twice))) in frames.into_iter().zip(fates).enumerate() {
                let copies = if lost { 0 } else { 1 + usize::from(twice && !one) };
                queues[s].extend(std::iter::repeat_n((start + i as i64 * 2, frame), copies));
            }
            expected[s].push(payload);
        }
        let mut all: Vec<(i64, u64, usize, usize, [u8; 8])> = Vec::new();
        for (s, queue) in queues.iter().enumerate() {
            for (n, (time, frame)) in queue.iter().enumerate() {
                // The order of senders within a millisecond is arbitrary but keeps each sender's own order.
                all.push((*time, order.rotate_left(s as u32 * 21) % 3, s, n, *frame));
            }
        }
        all.sort_unstable();
        let mut heard: [Vec<Vec<u8>>; 3] = Default::default();
        for (time, _, s, _, frame) in all {
            let id = CanId::broadcast(6, 127_503, s as u8);
            if let Ok(Some(payload)) = push(&mut packets, at(time), id, &frame) {
                heard[s].push(payload);
            }
        }
        for s in 0..3 {
            let mut left = expected[s].iter().zip(&whole[s]);
            for payload in &heard[s] {
                prop_assert!(left.any(|(sent, _)| sent == payload), "not sent, or out of order");
            }
            let complete = whole[s].iter().filter(|w| **w).count();
            prop_assert!(heard[s].len() >= complete, "{} of {complete}", heard[s].len());
        }
    }

    #[test]
    fn noise_neither_panics_nor_grows(
        frames in proptest::collection::vec((any::<i64>(), 0u32..1 << 29, proptest::collection::vec(any::<u8>(), 0..70)), 0..200)
    ) {
        let mut packets = FastPackets::default();
        for (time, raw, data) in &frames {
            let _ = packets.push(Timestamp::from_micros(*time), CanId::from_raw(*raw), data);
            prop_assert!(packets.slots.len() <= MAX_SLOTS);
        }
    }
}
