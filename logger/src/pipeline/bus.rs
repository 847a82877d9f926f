//! One bus: what it speaks, what is being put together on it, and who is on it.

use super::{errors, ranks, shortcuts};
use crate::bus::Frame;
use crate::dialect::Dialect;
use crate::framing::{Counters, FastPackets, TransportCounters, Transports};
use crate::health::Health;
use crate::identity::{ChannelSenders, Identities};
use ampwake_schemas::message::{CanId, MessageDef, Protocol, find};
use ampwake_schemas::sample::Reading;
use ampwake_store::Writer;

/// What is kept about one bus.
pub(super) struct Bus {
    pub(super) name: String,
    pub(super) dialects: Vec<Dialect>,
    pub(super) packets: FastPackets,
    pub(super) packets_reported: Counters,
    pub(super) transports: Transports,
    pub(super) transports_reported: TransportCounters,
    /// Who holds the addresses of 29-bit identifiers.
    pub(super) identities: Identities,
    /// The nodes of CANopen, whose numbers are no such addresses.
    pub(super) nodes: Identities,
    pub(super) senders: ChannelSenders,
    pub(super) ranks: ranks::Ranks,
    pub(super) errors: errors::BusErrors,
    pub(super) health: Health,
    /// What was found out about identifiers, where the tables alone decide.
    pub(super) shortcuts: shortcuts::Shortcuts,
}

/// What a bus's dialects make of a frame.
pub(super) enum Known {
    /// It is (part of) a message of the tables.
    Row(&'static MessageDef),
    /// It is part of a transfer, whatever message that carries.
    Transfer,
    /// A decoder of the dialects had it.
    Described(usize),
    /// It may be one of theirs, which is not known here.
    Unknown,
    /// It is none of theirs.
    Foreign,
}

impl Bus {
    pub(super) fn new(name: String, dialects: Vec<Dialect>) -> Self {
        let tables_only = dialects.iter().all(|d| matches!(d, Dialect::Table(_)));
        Self {
            name,
            dialects,
            shortcuts: shortcuts::Shortcuts::new(tables_only),
            packets: FastPackets::default(),
            packets_reported: Counters::default(),
            transports: Transports::default(),
            transports_reported: TransportCounters::default(),
            identities: Identities::new(),
            nodes: Identities::new(),
            senders: ChannelSenders::new(),
            ranks: ranks::Ranks::default(),
            errors: errors::BusErrors::default(),
            health: Health::default(),
        }
    }

    /// Speaks something else from now on.
    pub(super) fn speak(&mut self, dialects: Vec<Dialect>) {
        let tables_only = dialects.iter().all(|d| matches!(d, Dialect::Table(_)));
        (self.dialects, self.shortcuts) = (dialects, shortcuts::Shortcuts::new(tables_only));
    }

    /// True where a protocol of the tables may have sent this frame.
    pub(super) fn is_tabled(&self, frame: &Frame) -> bool {
        self.dialects.iter().any(|d| matches!(d, Dialect::Table(p) if fits(*p, frame)))
    }

    /// The first dialect that knows the frame has it.
    pub(super) fn know(&self, frame: &Frame, id: CanId, values: &mut Vec<(usize, Reading)>) -> Known {
        let mut known = Known::Foreign;
        for (i, dialect) in self.dialects.iter().enumerate() {
            match dialect {
                Dialect::Frames(decoder) if decoder.decode(frame, values) => return Known::Described(i),
                Dialect::Table(protocol) if !fits(*protocol, frame) => continue,
                Dialect::Table(_) if frame.flags.extended && Transports::takes(id.pgn) => return Known::Transfer,
                Dialect::Table(protocol) => {
                    if let Some(def) = find(*protocol, id.pgn) {
                        return Known::Row(def);
                    }
                }
                Dialect::Frames(_) => {}
            }
            known = Known::Unknown;
        }
        known
    }

    /// Counts what reassembly had to give up since the last time.
    pub(super) fn report_packets(&mut self, store: &mut Writer) {
        let (now, before) =
            (self.packets.counters(), std::mem::replace(&mut self.packets_reported, self.packets.counters()));
        store.problem("fast_packet_frame_lost", now.lost_frames - before.lost_frames);
        store.problem("fast_packet_frame_repeated", now.repeated - before.repeated);
        store.problem("fast_packet_without_start", now.without_start - before.without_start);
        store.problem("fast_packet_malformed", now.malformed - before.malformed);
        let given_up = |c: &Counters| c.timeouts + c.restarted + c.evicted;
        store.problem("fast_packet_given_up", given_up(&now) - given_up(&before));
        let now = self.transports.counters();
        let before = std::mem::replace(&mut self.transports_reported, now);
        store.problem("transport_frame_lost", now.lost_frames - before.lost_frames);
        store.problem("transport_frame_repeated", now.repeated - before.repeated);
        store.problem("transport_without_start", now.without_start - before.without_start);
        store.problem("transport_malformed", now.malformed - before.malformed);
        store.problem("transport_given_up", now.given_up - before.given_up);
    }
}

fn fits(protocol: Protocol, frame: &Frame) -> bool {
    protocol.is_extended() == frame.flags.extended && !frame.flags.fd
}

/// Who sends what. A CANopen identifier of 11 bits has the function in its upper four and the node in the others;
/// node 0 is nobody (those are messages of the network).
pub(super) fn identifier(frame: &Frame) -> CanId {
    match (frame.flags.extended, (frame.id & 0x7F) as u8) {
        (true, _) => CanId::from_raw(frame.id),
        (false, 0) => CanId::broadcast(0, u32::MAX, 254),
        (false, node) => CanId::broadcast(0, frame.id & 0x780, node),
    }
}

/// The message of this number in the first of the dialects that knows it.
pub(super) fn row(dialects: &[Dialect], pgn: u32) -> Option<&'static MessageDef> {
    dialects.iter().find_map(|d| match d {
        Dialect::Table(protocol) if protocol.is_extended() => find(*protocol, pgn),
        _ => None,
    })
}
