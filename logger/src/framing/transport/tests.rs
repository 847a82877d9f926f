use super::*;
use ampwake_schemas::message::transport::broadcast;
use proptest::prelude::*;

const DM1: u32 = 65226;

fn at(ms: i64) -> Timestamp {
    Timestamp::from_millis(ms)
}

fn id(pgn: u32, source: u8, destination: u8) -> CanId {
    CanId { priority: 7, pgn, source, destination }
}

/// Pushes one frame; number and payload if it is complete.
fn push(t: &mut Transports, ms: i64, id: CanId, frame: &[u8]) -> Result<Option<(u32, Vec<u8>)>, TransportDrop> {
    match t.push(at(ms), id, frame) {
        TransportOutcome::Complete { pgn, payload } => Ok(Some((pgn, payload.to_vec()))),
        TransportOutcome::Incomplete => Ok(None),
        TransportOutcome::Dropped(reason) => Err(reason),
    }
}

/// The same of a frame that is taken.
fn take(t: &mut Transports, ms: i64, id: CanId, frame: &[u8]) -> Option<(u32, Vec<u8>)> {
    push(t, ms, id, frame).unwrap()
}

/// The announcement and the data frames of a message to everybody.
fn announced(pgn: u32, payload: &[u8]) -> Vec<(u32, [u8; 8])> {
    broadcast(pgn, payload).unwrap()
}

/// The announcement of a message to one receiver, and its data frames.
fn addressed(pgn: u32, payload: &[u8]) -> Vec<(u32, [u8; 8])> {
    let mut frames = announced(pgn, payload);
    frames[0].1[0] = control::RTS;
    frames
}

fn clear_to_send(count: u8, next: u8, pgn: u32) -> [u8; 8] {
    let [p0, p1, p2, _] = pgn.to_le_bytes();
    [control::CTS, count, next, 0xFF, 0xFF, p0, p1, p2]
}

#[test]
fn a_message_to_everybody() {
    let mut t = Transports::default();
    let payload: Vec<u8> = (0..20).collect();
    let frames = announced(DM1, &payload);
    for (i, (pgn, frame)) in frames.iter().enumerate() {
        let expected = (i == frames.len() - 1).then(|| (DM1, payload.clone()));
        assert_eq!(push(&mut t, 100 * i as i64, id(*pgn, 0, 255), frame), Ok(expected));
    }
    assert_eq!(t.counters(), TransportCounters { complete: 1, ..TransportCounters::default() });
    assert!(t.transfers.is_empty());
}

#[test]
fn a_receiver_has_a_frame_repeated_that_it_missed() {
    let mut t = Transports::default();
    let payload: Vec<u8> = (0..30).collect();
    let frames = addressed(65240, &payload);
    let (to, back) = (|pgn| id(pgn, 5, 9), id(CONNECTION, 9, 5));
    take(&mut t, 0, to(CONNECTION), &frames[0].1);
    take(&mut t, 10, back, &clear_to_send(2, 1, 65240));
    take(&mut t, 20, to(DATA), &frames[1].1);
    take(&mut t, 30, to(DATA), &frames[2].1);
    take(&mut t, 40, back, &clear_to_send(4, 2, 65240));
    // It holds the sender for longer than data may be late.
    take(&mut t, 1200, back, &clear_to_send(0, 2, 65240));
    for (n, frame) in frames.iter().enumerate().skip(2) {
        let whole = take(&mut t, 2300 + n as i64, to(DATA), &frame.1);
        assert_eq!(whole.map(|(_, p)| p), (n == 5).then(|| payload.clone()), "{n}");
    }
    let end = [control::END_OF_MESSAGE, 30, 0, 5, 0xFF, 0xD8, 0xFE, 0];
    assert_eq!(push(&mut t, 2400, back, &end), Ok(None));
    assert_eq!(t.counters(), TransportCounters { complete: 1, ..TransportCounters::default() });
}

#[test]
fn what_goes_wrong_is_dropped_and_counted() {
    let frames = announced(DM1, &[1; 40]);
    let (cm, dt) = (id(CONNECTION, 0, 255), id(DATA, 0, 255));
    let mut t = Transports::default();
    assert_eq!(push(&mut t, 0, dt, &frames[1].1), Err(TransportDrop::NoStart));
    take(&mut t, 0, cm, &frames[0].1);
    assert_eq!(push(&mut t, 0, dt, &frames[3].1), Err(TransportDrop::Gap));
    take(&mut t, 0, cm, &frames[0].1);
    take(&mut t, 0, dt, &frames[1].1);
    assert_eq!(push(&mut t, 0, dt, &frames[1].1), Err(TransportDrop::Repeated));
    take(&mut t, 0, cm, &frames[0].1);
    assert_eq!(push(&mut t, 751, dt, &frames[1].1), Err(TransportDrop::Late));
    take(&mut t, 800, cm, &frames[0].1);
    take(&mut t, 800, cm, &frames[0].1);
    let abort = [control::ABORT, 1, 255, 255, 255, 0xCA, 0xFE, 0];
    assert_eq!(push(&mut t, 800, id(CONNECTION, 0, 255), &abort), Err(TransportDrop::Aborted));
    assert_eq!(push(&mut t, 800, id(CONNECTION, 0, 255), &abort), Ok(None), "there is none any more");
    for bad in [
        &[][..],
        &[32, 9, 0, 2],
        &[32, 8, 0, 2, 255, 0xCA, 0xFE, 0],   // fits into one frame
        &[32, 9, 0, 3, 255, 0xCA, 0xFE, 0],   // three frames for nine bytes
        &[32, 250, 6, 0, 255, 0xCA, 0xFE, 0], // 1786 bytes
        &[16, 9, 0, 2, 255, 0xCA, 0xFE, 0],   // asks everybody
        &[32, 9, 0, 2, 255, 0xCA, 0xFE, 4],   // no such number
        &[32, 9, 0, 2, 255, 0x00, 0xEC, 0],   // itself
        &[99, 9, 0, 2, 255, 0xCA, 0xFE, 0],
    ] {
        assert_eq!(push(&mut t, 800, cm, bad), Err(TransportDrop::Malformed), "{bad:?}");
    }
    let expected = TransportCounters {
        lost_frames: 2,
        repeated: 1,
        without_start: 1,
        malformed: 9,
        given_up: 3,
        ..TransportCounters::default()
    };
    assert_eq!(t.counters(), expected);
}

#[test]
fn only_the_last_frame_may_be_short() {
    let frames = announced(DM1, &[7; 16]);
    let mut t = Transports::default();
    take(&mut t, 0, id(CONNECTION, 0, 255), &frames[0].1);
    take(&mut t, 0, id(DATA, 0, 255), &frames[1].1);
    take(&mut t, 0, id(DATA, 0, 255), &frames[2].1);
    assert_eq!(push(&mut t, 0, id(DATA, 0, 255), &frames[3].1[..3]), Ok(Some((DM1, vec![7; 16]))));
    take(&mut t, 0, id(CONNECTION, 0, 255), &frames[0].1);
    assert_eq!(push(&mut t, 0, id(DATA, 0, 255), &frames[1].1[..7]), Err(TransportDrop::Malformed));
}

#[test]
fn memory_is_bounded_and_one_sender_cannot_push_out_the_others() {
    let frames = addressed(65240, &[1; 20]);
    let mut t = Transports::default();
    take(&mut t, 0, id(CONNECTION, 7, 8), &frames[0].1);
    for destination in 0..255 {
        take(&mut t, 1, id(CONNECTION, 1, destination), &frames[0].1);
    }
    assert_eq!(t.transfers.len(), 1 + MAX_PER_SENDER);
    for (_, frame) in &frames[1..3] {
        take(&mut t, 2, id(DATA, 7, 8), frame);
    }
    assert_eq!(push(&mut t, 2, id(DATA, 7, 8), &frames[3].1), Ok(Some((65240, vec![1; 20]))));
    for source in 0..=255 {
        for destination in 0..5 {
            take(&mut t, 3, id(CONNECTION, source, destination), &frames[0].1);
        }
    }
    assert_eq!(t.transfers.len(), MAX_TRANSFERS);
}

/// A message of one of three senders: its payload, and which of its frames are lost or come twice.
type Sent = (u8, Vec<u8>, Vec<(bool, bool)>);

fn sent() -> impl Strategy<Value = Sent> {
    let payload = proptest::collection::vec(any::<u8>(), MIN_PAYLOAD..200);
    let fate = (proptest::bool::weighted(0.03), proptest::bool::weighted(0.02));
    (0u8..3, payload, proptest::collection::vec(fate, 30))
}

proptest! {
    /// Senders that interleave on a bus that loses and doubles frames: whatever comes out was sent, in order, and what
    /// lost nothing comes out.
    #[test]
    fn only_what_was_sent_comes_out(messages in proptest::collection::vec(sent(), 1..30), order: u64) {
        let mut t = Transports::default();
        let mut expected: [Vec<Vec<u8>>; 3] = Default::default();
        let mut whole: [usize; 3] = [0; 3];
        let mut all: Vec<(i64, u64, u8, CanId, [u8; 8])> = Vec::new();
        for (sender, payload, fates) in messages {
            let s = usize::from(sender);
            let start = expected[s].len() as i64 * 10_000;
            let frames = announced(DM1, &payload);
            whole[s] += usize::from(fates[..frames.len()].iter().all(|(lost, twice)| !lost && !twice));
            for (i, ((pgn, frame), (lost, twice))) in frames.into_iter().zip(fates).enumerate() {
                let copies = if lost { 0 } else { 1 + usize::from(twice) };
                let shuffle = order.rotate_left(u32::from(sender) * 21) % 3;
                let one = (start + i as i64 * 50, shuffle, sender, id(pgn, sender, 255), frame);
                all.extend(std::iter::repeat_n(one, copies));
            }
            expected[s].push(payload);
        }
        all.sort_by_key(|f| (f.0, f.1, f.2));
        let mut heard: [Vec<Vec<u8>>; 3] = Default::default();
        for (time, _, sender, id, frame) in all {
            if let Ok(Some((pgn, payload))) = push(&mut t, time, id, &frame) {
                prop_assert_eq!(pgn, DM1);
                heard[usize::from(sender)].push(payload);
            }
        }
        for s in 0..3 {
            let mut left = expected[s].iter();
            for payload in &heard[s] {
                prop_assert!(left.any(|sent| sent == payload), "not sent, or out of order");
            }
            prop_assert!(heard[s].len() >= whole[s], "{} of {}", heard[s].len(), whole[s]);
        }
    }

    #[test]
    fn noise_neither_panics_nor_grows(
        frames in proptest::collection::vec(
            (0i64..5000, any::<bool>(), 0u8..4, 0u8..4, proptest::collection::vec(
                prop_oneof![any::<u8>(), 0u8..8, Just(16), Just(17), Just(32), Just(255)], 0..10)),
            0..300,
        )
    ) {
        let mut t = Transports::default();
        for (time, manages, source, destination, data) in &frames {
            let destination = if *destination == 3 { 255 } else { *destination };
            let number = if *manages { CONNECTION } else { DATA };
            let _ = push(&mut t, *time, id(number, *source, destination), data);
            prop_assert!(t.transfers.len() <= MAX_TRANSFERS);
            prop_assert!(t.transfers.iter().all(|t| t.data.len() < t.total && t.total <= MAX_PAYLOAD));
        }
    }
}
