//! Reassembly of fast packets and transfers, held against a model that looks back through all frames.
//!
//! Input: a first byte (even: fast packets, odd: transfers), then steps. A step is a byte that says what it is and how
//! much time has passed, then its fields; see `Steps`. Whole messages with frames taken out or repeated are steps of
//! their own: a mutated byte would hardly ever come to thirty frames in order.

use super::feed::Feed;
use ampwake_logger::framing::{FastPackets, Outcome, TransportOutcome, Transports};
use ampwake_schemas::message::CanId;
use ampwake_schemas::message::fast_packet::{self, fragment};
use ampwake_schemas::message::transport::{self, CONNECTION, DATA, broadcast, control};
use ampwake_schemas::time::Timestamp;

/// More frames than this show nothing new.
const MOST_FRAMES: usize = 3000;
/// Silence after which a fast packet is given up, us.
const SILENCE_US: u64 = 750_000;

/// A frame that was shown to the reassembly.
struct Shown {
    time: Timestamp,
    id: CanId,
    data: Vec<u8>,
}

/// Takes frames from the input and shows them.
struct Steps<'a> {
    feed: Feed<'a>,
    time: i64,
    history: Vec<Shown>,
}

impl<'a> Steps<'a> {
    fn new(feed: Feed<'a>) -> Self {
        Self { feed, time: 1_780_315_200_000_000, history: Vec::new() }
    }

    /// The next step, with the time that has passed; `None` at the end.
    fn step(&mut self) -> Option<u8> {
        if self.feed.is_empty() || self.history.len() >= MOST_FRAMES {
            return None;
        }
        let step = self.feed.byte();
        self.time += match step >> 4 {
            n @ 0..=12 => i64::from(n) * i64::from(n) * 5_000,
            13 => 800_000,
            14 => 1_300_000,
            _ => -3_000_000,
        };
        Some(step & 0x0F)
    }

    fn now(&self) -> Timestamp {
        Timestamp::from_micros(self.time)
    }

    fn note(&mut self, id: CanId, data: &[u8]) -> Timestamp {
        self.history.push(Shown { time: self.now(), id, data: data.to_vec() });
        self.now()
    }

    /// The latest frame before `end` that fits.
    fn before(&self, end: usize, fits: impl Fn(&Shown) -> bool) -> Option<usize> {
        self.history.get(..end)?.iter().rposition(fits)
    }

    /// The bytes of a message, from the input; `length` of them.
    fn payload(&mut self, length: usize) -> Vec<u8> {
        let seed = self.feed.byte();
        (0..length).map(|i| (i as u8).wrapping_mul(31) ^ seed).collect()
    }
}

/// Shows frames to one of the two.
pub fn run(bytes: &[u8]) {
    let mut feed = Feed::new(bytes);
    if feed.byte().is_multiple_of(2) { fast_packets(Steps::new(feed)) } else { transports(Steps::new(feed)) }
}

fn fast_packets(mut steps: Steps<'_>) {
    let mut packets = FastPackets::default();
    let mut whole = 0;
    while let Some(step) = steps.step() {
        let who = steps.feed.byte();
        let pgn = if who & 4 == 0 { 127_489 } else { 126_208 };
        let id = CanId { priority: 6, pgn, source: who & 3, destination: if who & 8 == 0 { 255 } else { who >> 4 } };
        if step & 1 == 0 {
            let length = usize::from(steps.feed.byte() % 10);
            let data = steps.feed.take(length).to_vec();
            whole += u64::from(packet(&mut packets, &mut steps, id, &data).is_some());
            continue;
        }
        let length = usize::from(steps.feed.byte()).clamp(1, fast_packet::MAX_PAYLOAD);
        let payload = steps.payload(length);
        let (lost, twice) = (steps.feed.byte(), steps.feed.byte());
        let frames = fragment(who >> 5, &payload).unwrap_or_default();
        let mut last = None;
        for (i, frame) in frames.iter().enumerate().filter(|(i, _)| *i != usize::from(lost)) {
            for _ in 0..1 + usize::from(i == usize::from(twice)) {
                last = packet(&mut packets, &mut steps, id, frame);
                whole += u64::from(last.is_some());
            }
        }
        let untouched = usize::from(lost) >= frames.len() && usize::from(twice) >= frames.len();
        assert!(!untouched || last.as_ref() == Some(&payload), "a message that was sent whole did not come");
    }
    assert_eq!(packets.counters().complete, whole);
    let c = packets.counters();
    let frames = steps.history.len() as u64;
    assert!(c.complete + c.repeated + c.without_start + c.malformed <= frames, "{c:?} of {frames}");
    assert!(c.timeouts + c.restarted + c.evicted <= frames && c.lost_frames <= 31 * frames, "{c:?} of {frames}");
}

/// Shows one frame; a message that comes of it is one that was sent.
fn packet(packets: &mut FastPackets, steps: &mut Steps<'_>, id: CanId, data: &[u8]) -> Option<Vec<u8>> {
    let time = steps.note(id, data);
    let Outcome::Complete(payload) = packets.push(time, id, data) else { return None };
    assert!((1..=fast_packet::MAX_PAYLOAD).contains(&payload.len()));
    // Longer frames are CAN FD's, and no part of any message.
    let same = |s: &Shown, head: u8| s.id == id && s.data.len() <= 8 && s.data.first() == Some(&head);
    let sequence = data[0] & 0xE0;
    let frames = 1 + payload.len().saturating_sub(6).div_ceil(7);
    let (mut end, mut sent, mut later) = (steps.history.len(), Vec::new(), time);
    for counter in (0..frames).rev() {
        let at = steps.before(end, |s| same(s, sequence | counter as u8));
        let Some(frame) = at.and_then(|at| steps.history.get(at)) else { panic!("frame {counter} was never sent") };
        let gap = later.micros().abs_diff(frame.time.micros());
        assert!(gap <= SILENCE_US, "over a pause of {gap} us");
        (end, later) = (at.unwrap_or(0), frame.time);
        sent.splice(..0, frame.data[if counter == 0 { 2 } else { 1 }..].iter().copied());
        if counter == 0 {
            assert_eq!(usize::from(frame.data[1]), payload.len(), "the length that was announced");
        }
    }
    assert!(sent.starts_with(payload), "{payload:02x?} was not sent: {sent:02x?}");
    Some(payload.to_vec())
}

fn transports(mut steps: Steps<'_>) {
    let mut all = Transports::default();
    let mut whole = 0;
    while let Some(step) = steps.step() {
        let who = steps.feed.byte();
        let (source, destination) = (who & 3, if who & 4 == 0 { 255 } else { who >> 3 & 3 });
        let number = if step & 2 == 0 { CONNECTION } else { DATA };
        let id = |pgn| CanId { priority: 7, pgn, source, destination };
        if step & 1 == 0 {
            let length = usize::from(steps.feed.byte() % 10);
            let data = steps.feed.take(length).to_vec();
            whole += u64::from(transfer(&mut all, &mut steps, id(number), &data).is_some());
            continue;
        }
        let length = usize::from(steps.feed.word()) % (transport::MAX_PAYLOAD + 1);
        let payload = steps.payload(length.max(transport::MIN_PAYLOAD));
        let (lost, again) = (usize::from(steps.feed.byte()), usize::from(steps.feed.byte()));
        let mut frames = broadcast(65_226, &payload).unwrap_or_default();
        let to_one = destination != CanId::GLOBAL;
        if let Some((_, announcement)) = frames.first_mut().filter(|_| to_one) {
            announcement[0] = control::RTS;
        }
        let mut last = None;
        for (i, (pgn, frame)) in frames.iter().enumerate().filter(|(i, _)| *i != lost) {
            if i == again && to_one && i > 1 {
                // The receiver has the frame before repeated.
                let clear = [control::CTS, 255, (i - 1) as u8, 0xFF, 0xFF, 0xCA, 0xFE, 0];
                let asked = CanId { source: destination, destination: source, ..id(CONNECTION) };
                transfer(&mut all, &mut steps, asked, &clear);
                last = transfer(&mut all, &mut steps, id(DATA), &frames[i - 1].1);
                whole += u64::from(last.is_some());
            }
            last = transfer(&mut all, &mut steps, id(*pgn), frame);
            whole += u64::from(last.is_some());
        }
        // One to itself would be asked by itself.
        let untouched = lost >= frames.len() && source != destination;
        assert!(!untouched || last.as_ref() == Some(&payload), "a message that was sent whole did not come");
    }
    let (c, frames) = (all.counters(), steps.history.len() as u64);
    assert_eq!(c.complete, whole);
    assert!(c.complete + c.repeated + c.without_start + c.malformed <= frames, "{c:?} of {frames}");
    assert!(c.given_up <= frames && c.lost_frames <= 255 * frames, "{c:?} of {frames}");
}

/// Shows one frame; a message that comes of it is one that was sent, and announced before.
fn transfer(all: &mut Transports, steps: &mut Steps<'_>, id: CanId, data: &[u8]) -> Option<Vec<u8>> {
    let time = steps.note(id, data);
    let TransportOutcome::Complete { pgn, payload } = all.push(time, id, data) else { return None };
    assert!((transport::MIN_PAYLOAD..=transport::MAX_PAYLOAD).contains(&payload.len()));
    let mut end = steps.history.len();
    let mut sent = Vec::new();
    for number in (1..=payload.len().div_ceil(7)).rev() {
        let at = steps.before(end, |s| s.id == id && s.data.len() <= 8 && s.data.first() == Some(&(number as u8)));
        let Some(frame) = at.and_then(|at| steps.history.get(at)) else { panic!("frame {number} was never sent") };
        end = at.unwrap_or(0);
        sent.splice(..0, frame.data[1..].iter().copied());
    }
    assert!(sent.starts_with(payload), "{payload:02x?} was not sent: {sent:02x?}");
    let [low, high, ..] = payload.len().to_le_bytes();
    let [p0, p1, p2, _] = pgn.to_le_bytes();
    let announced = steps.before(end, |s| {
        s.id == CanId { pgn: CONNECTION, ..id }
            && s.data.get(1..3) == Some(&[low, high])
            && s.data.get(5..) == Some(&[p0, p1, p2])
    });
    assert!(announced.is_some(), "{pgn} with {} bytes was never announced", payload.len());
    Some(payload.to_vec())
}
