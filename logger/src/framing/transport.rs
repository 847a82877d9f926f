//! Reassembly of the transport protocol of SAE J1939-21 (frame layout: `ampwake_schemas::message::transport`), to
//! everybody (BAM) and between two devices (RTS/CTS), listened to only.
//!
//! Owes its reader: never a payload that was not sent. Data frames carry no message number, so that a sender has one
//! transfer to a receiver at a time; a new announcement ends the one before. A listener that misses a frame cannot ask
//! for it: the transfer is dropped and counted, unless the receiver itself has the frame repeated.

use ampwake_schemas::message::CanId;
use ampwake_schemas::message::transport::{CONNECTION, DATA, MAX_PAYLOAD, MIN_PAYLOAD, control};
use ampwake_schemas::time::Timestamp;

/// Silence after which a transfer to everybody is given up, in microseconds (T1 of SAE J1939-21, from memory).
const BROADCAST_US: u64 = 750_000;
/// The same between two devices (T2 and T3).
const CONNECTION_US: u64 = 1_250_000;

/// Transfers in the making, over all senders. A healthy bus has a handful; 64 are at most some 120 kB.
const MAX_TRANSFERS: usize = 64;
/// Of one sender: one to everybody and a few to single receivers.
const MAX_PER_SENDER: usize = 4;

/// What a frame led to.
#[derive(Debug, PartialEq, Eq)]
pub enum TransportOutcome<'a> {
    /// A whole message.
    Complete {
        /// Its number.
        pgn: u32,
        /// 9 to 1785 bytes.
        payload: &'a [u8],
    },
    /// More frames are needed, or the frame only steers a transfer.
    Incomplete,
    /// The frame is of no use, nor is what came before it of this transfer.
    Dropped(TransportDrop),
}

/// Why a frame was dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TransportDrop {
    /// Its transfer was not announced, or was given up already.
    NoStart,
    /// Frames before it are missing.
    Gap,
    /// It was there already.
    Repeated,
    /// Its transfer had been silent for too long.
    Late,
    /// One of the two gave up.
    Aborted,
    /// A length or a number that no transfer has.
    Malformed,
}

/// What happened so far. `complete` counts messages, all others problems.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct TransportCounters {
    /// Messages put together.
    pub complete: u64,
    /// Frames that are missing as far as their numbers show.
    pub lost_frames: u64,
    /// Frames that came twice.
    pub repeated: u64,
    /// Frames whose transfer was not announced, or was given up.
    pub without_start: u64,
    /// Frames that belong to no transfer that could be.
    pub malformed: u64,
    /// Transfers given up: silent for too long, aborted, replaced by a new one, or to make room.
    pub given_up: u64,
}

struct Transfer {
    source: u8,
    destination: u8,
    pgn: u32,
    total: usize,
    packets: u8,
    /// The next sequence number, from 1; beyond 255 there is none.
    next: u16,
    heard: Timestamp,
    /// Grows with what was received, so that announcements alone take no memory.
    data: Vec<u8>,
}

impl Transfer {
    fn is_late(&self, time: Timestamp) -> bool {
        let most = if self.destination == CanId::GLOBAL { BROADCAST_US } else { CONNECTION_US };
        // A clock that jumps, either way, is silence too.
        time.micros().abs_diff(self.heard.micros()) > most
    }
}

/// The transfers of one bus.
#[derive(Default)]
pub struct Transports {
    transfers: Vec<Transfer>,
    done: Vec<u8>,
    counters: TransportCounters,
}

impl Transports {
    /// True for the numbers that [`Transports::push`] takes.
    pub const fn takes(pgn: u32) -> bool {
        matches!(pgn, CONNECTION | DATA)
    }

    /// What happened so far.
    pub fn counters(&self) -> TransportCounters {
        self.counters
    }

    /// Takes one frame of connection management or data.
    pub fn push(&mut self, time: Timestamp, id: CanId, data: &[u8]) -> TransportOutcome<'_> {
        match (id.pgn, data) {
            (DATA, [sequence, data @ ..]) if data.len() <= 7 => self.data(time, id, *sequence, data),
            (CONNECTION, [kind, a, b, c, _, p0, p1, p2]) => {
                let pgn = u32::from_le_bytes([*p0, *p1, *p2, 0]);
                match *kind {
                    control::BAM | control::RTS => {
                        self.start(time, id, *kind, u16::from_le_bytes([*a, *b]).into(), *c, pgn)
                    }
                    control::CTS => self.clear(time, id, *b),
                    // The message is whole by then, or was dropped.
                    control::END_OF_MESSAGE => TransportOutcome::Incomplete,
                    control::ABORT => self.abort(id, pgn),
                    _ => self.malformed(),
                }
            }
            _ => self.malformed(),
        }
    }

    fn start(
        &mut self,
        time: Timestamp,
        id: CanId,
        kind: u8,
        total: usize,
        packets: u8,
        pgn: u32,
    ) -> TransportOutcome<'_> {
        let before = self.transfers.len();
        // The earlier one of these two, and whatever has been silent for too long.
        self.transfers.retain(|t| (t.source, t.destination) != (id.source, id.destination) && !t.is_late(time));
        self.counters.given_up += (before - self.transfers.len()) as u64;
        let to_all = id.destination == CanId::GLOBAL;
        let fits = (MIN_PAYLOAD..=MAX_PAYLOAD).contains(&total) && usize::from(packets) == total.div_ceil(7);
        if !fits || to_all != (kind == control::BAM) || pgn >= 1 << 18 || Self::takes(pgn) {
            return self.malformed();
        }
        self.make_room(id.source);
        self.transfers.push(Transfer {
            source: id.source,
            destination: id.destination,
            pgn,
            total,
            packets,
            next: 1,
            heard: time,
            data: Vec::new(),
        });
        TransportOutcome::Incomplete
    }

    fn data(&mut self, time: Timestamp, id: CanId, sequence: u8, data: &[u8]) -> TransportOutcome<'_> {
        let Some(i) = self.transfers.iter().position(|t| (t.source, t.destination) == (id.source, id.destination))
        else {
            self.counters.without_start += 1;
            return TransportOutcome::Dropped(TransportDrop::NoStart);
        };
        let transfer = &mut self.transfers[i];
        let wanted = (transfer.total - transfer.data.len()).min(7);
        let number = u16::from(sequence);
        let wrong = if transfer.is_late(time) {
            self.counters.given_up += 1;
            TransportDrop::Late
        } else if number > transfer.next {
            self.counters.lost_frames += u64::from(number - transfer.next);
            TransportDrop::Gap
        } else if number < transfer.next {
            self.counters.repeated += 1;
            TransportDrop::Repeated
        } else if data.len() < wanted {
            self.counters.malformed += 1;
            TransportDrop::Malformed
        } else {
            transfer.data.extend_from_slice(&data[..wanted]);
            transfer.next += 1;
            transfer.heard = time;
            if transfer.data.len() < transfer.total {
                return TransportOutcome::Incomplete;
            }
            self.counters.complete += 1;
            let whole = self.transfers.swap_remove(i);
            self.done = whole.data;
            return TransportOutcome::Complete { pgn: whole.pgn, payload: &self.done };
        };
        self.transfers.swap_remove(i);
        TransportOutcome::Dropped(wrong)
    }

    /// The receiver asks for frames from `next` on: some again, if it missed them. Without a number of frames it only
    /// keeps the connection open.
    fn clear(&mut self, time: Timestamp, id: CanId, next: u8) -> TransportOutcome<'_> {
        // From the receiver to the sender.
        let found = self.transfers.iter_mut().find(|t| (t.source, t.destination) == (id.destination, id.source));
        if let Some(transfer) = found
            && id.destination != CanId::GLOBAL
            && !transfer.is_late(time)
        {
            transfer.heard = time;
            let again = u16::from(next);
            if next >= 1 && next <= transfer.packets && again < transfer.next {
                transfer.next = again;
                transfer.data.truncate(usize::from(next - 1) * 7);
            }
        }
        TransportOutcome::Incomplete
    }

    /// Either side may give up.
    fn abort(&mut self, id: CanId, pgn: u32) -> TransportOutcome<'_> {
        let pair = [(id.source, id.destination), (id.destination, id.source)];
        let before = self.transfers.len();
        self.transfers.retain(|t| t.pgn != pgn || !pair.contains(&(t.source, t.destination)));
        if before == self.transfers.len() {
            return TransportOutcome::Incomplete;
        }
        self.counters.given_up += 1;
        TransportOutcome::Dropped(TransportDrop::Aborted)
    }

    fn malformed(&mut self) -> TransportOutcome<'_> {
        self.counters.malformed += 1;
        TransportOutcome::Dropped(TransportDrop::Malformed)
    }

    /// Gives up the transfer silent for longest, of this sender where it has too many, else of all.
    fn make_room(&mut self, source: u8) {
        let crowded = self.transfers.iter().filter(|t| t.source == source).count() >= MAX_PER_SENDER;
        if !crowded && self.transfers.len() < MAX_TRANSFERS {
            return;
        }
        let among = self.transfers.iter().enumerate().filter(|(_, t)| !crowded || t.source == source);
        if let Some((oldest, _)) = among.min_by_key(|(_, t)| t.heard) {
            self.transfers.swap_remove(oldest);
            self.counters.given_up += 1;
        }
    }
}

#[cfg(test)]
mod tests;
