//! A whole CAN bus: what comes goes through the pipeline into a database, as it does live and in an import.
//!
//! Input: a byte that chooses what the two buses speak, then steps: a byte (two bits say what comes, one says on
//! which bus, five say how much time has passed), then the fields of what comes. Covers identifiers, reassembly,
//! identities, ranks, the clock, faults, error frames, health, DBC files, channels and the store.

use super::database::{Scratch, holds};
use super::feed::Feed;
use super::message::rows;
use ampwake_logger::bus::stamps::Meaning;
use ampwake_logger::bus::{Flags, Frame};
use ampwake_logger::dbc::Definitions;
use ampwake_logger::dialect::Dialect;
use ampwake_logger::pipeline::Pipeline;
use ampwake_schemas::message::fast_packet::fragment;
use ampwake_schemas::message::transport::broadcast;
use ampwake_schemas::message::{CanId, MessageDef, Protocol, Transport};
use ampwake_schemas::time::Timestamp;
use ampwake_store::Writer;
use std::path::Path;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

/// More frames than this show nothing new.
const MOST_FRAMES: usize = 2000;
/// What the importers let through: the years 0 to 9999.
const TIMES_US: std::ops::RangeInclusive<i64> = -62_167_219_200_000_000..=253_402_300_799_999_999;
/// Where the clock may be set to: 1970, 1980, 2000, 2026, 2099, 9999, and the year 0.
const JUMPS_S: [i64; 7] = [0, 315_532_800, 946_684_800, 1_780_315_200, 4_102_444_799, 253_402_300_799, -62_167_219_200];

const DESCRIBED: &str = "BO_ 291 PackStatus: 8 A\n SG_ Mode M : 0|2@1+ (1,0) [0|0] \"\" A\n \
    SG_ Current m1 : 8|16@1- (0.1,0) [0|0] \"A\" A\n SG_ Cell m2 : 8|16@0+ (0.001,0) [0|5] \"V\" A\n\
    BO_ 2566848512 Warm: 8 A\n SG_ Temperature : 0|32@1- (1,0) [0|0] \"degC\" A\nSIG_VALTYPE_ 2566848512 Temperature : 1;\n";

/// Plays a bus from the bytes.
pub fn run(bytes: &[u8]) {
    let mut feed = Feed::new(bytes);
    let choice = feed.byte();
    let buses = [dialects(choice & 7), dialects(choice >> 3 & 7)];
    let scratch = Scratch::new();
    let mut store = scratch.writer();
    let protocols = ["can0", "can1"].map(str::to_owned).into_iter().zip(buses.clone()).collect();
    let mut play = Play {
        pipeline: Pipeline::new(protocols),
        time: JUMPS_S[3] * 1_000_000,
        meaning: if choice & 0x40 == 0 { Meaning::Absolute } else { Meaning::SinceStart },
        frames: 0,
    };
    play.pipeline.begin("the bus", play.meaning, &mut store);
    let known = [play.pipeline.bus("can0"), play.pipeline.bus("can1")];
    while !feed.is_empty() && play.frames < MOST_FRAMES {
        let step = feed.byte();
        let bus = usize::from(step >> 2 & 1);
        play.pass(step >> 3, &mut feed);
        match step & 3 {
            0 => play.raw(known[bus], &mut feed, &mut store),
            1 => play.tabled(known[bus], &buses[bus], &mut feed, &mut store),
            2 => play.whole(known[bus], &buses[bus], &mut feed, &mut store),
            _ => play.other(known[bus], &mut feed, &mut store),
        }
    }
    play.pipeline.finish(&mut store);
    let (totals, period) = (play.pipeline.totals(), play.pipeline.period());
    assert!(
        totals.messages <= totals.frames && period.is_none_or(|(first, last)| first <= last),
        "{totals:?} {period:?}"
    );
    store.commit().expect("what the pipeline hands on can be stored");
    // Reading back takes longer than all that came before.
    if bytes.len().is_multiple_of(4) {
        holds(&scratch.reader(store), totals.samples);
    }
}

fn dialects(choice: u8) -> Vec<Dialect> {
    use Protocol::{Canopen, J1939, N2k, Rvc};
    static DEFINITIONS: OnceLock<Arc<Definitions>> = OnceLock::new();
    let described = DEFINITIONS.get_or_init(|| {
        Arc::new(Definitions::from_bytes(Path::new("pack.dbc"), DESCRIBED.as_bytes()).expect("a sound DBC file"))
    });
    let tables: &[Protocol] = match choice {
        0 => &[N2k],
        1 => &[Rvc],
        2 => &[J1939],
        3 => &[Canopen],
        4 => &[N2k, J1939, Canopen],
        5 => &[J1939, N2k],
        6 => &[Rvc, J1939],
        _ => &[Canopen, Rvc],
    };
    let files = (choice & 3 == 3).then(|| Dialect::Frames(described.clone()));
    files.into_iter().chain(tables.iter().copied().map(Dialect::from)).collect()
}

struct Play {
    pipeline: Pipeline,
    time: i64,
    meaning: Meaning,
    frames: usize,
}

impl Play {
    fn pass(&mut self, choice: u8, feed: &mut Feed<'_>) {
        let time = match choice {
            0..=15 => self.time.saturating_add(i64::from(choice) * i64::from(choice) * 4_000),
            16..=23 => self.time.saturating_add(i64::from(feed.byte()) * 500_000),
            24..=26 => self.time.saturating_add(i64::from(feed.word()) * 60_000_000),
            27 | 28 => self.time.saturating_sub(i64::from(feed.word()) * 100_000),
            _ => JUMPS_S[usize::from(feed.byte()) % JUMPS_S.len()] * 1_000_000,
        };
        self.time = time.clamp(*TIMES_US.start(), *TIMES_US.end());
    }

    fn show(&mut self, bus: usize, id: u32, flags: Flags, data: &[u8], store: &mut Writer) {
        self.frames += 1;
        if let Some(frame) = Frame::new(Timestamp::from_micros(self.time), id, flags, data) {
            self.pipeline.frame(bus, frame, store);
        }
    }

    /// Any frame.
    fn raw(&mut self, bus: usize, feed: &mut Feed<'_>, store: &mut Writer) {
        let (id, form) = (feed.long(), feed.byte());
        let flags =
            Flags { extended: form & 3 != 0, error: form & 0x1C == 4, remote: form & 0x1C == 8, fd: form & 0x1C == 12 };
        let data = feed.take(usize::from(form >> 5) * if flags.fd { 9 } else { 1 } + usize::from(form & 1));
        self.show(bus, if flags.extended || flags.error { id & 0x1FFF_FFFF } else { id & 0x7FF }, flags, data, store);
    }

    /// A single frame of a message that the bus knows.
    fn tabled(&mut self, bus: usize, dialects: &[Dialect], feed: &mut Feed<'_>, store: &mut Writer) {
        let Some((def, id)) = message(dialects, feed) else { return };
        let length = usize::from(feed.byte() % 9);
        self.show(bus, id, extended(def), feed.take(length), store);
    }

    /// All frames of a message that the bus knows.
    fn whole(&mut self, bus: usize, dialects: &[Dialect], feed: &mut Feed<'_>, store: &mut Writer) {
        let Some((def, id)) = message(dialects, feed) else { return };
        let length = usize::from(feed.byte());
        let payload = feed.take(length);
        if def.transport == Transport::Fast {
            for frame in fragment(id as u8, payload).unwrap_or_default() {
                self.show(bus, id, extended(def), &frame, store);
            }
        } else if payload.len() > 8 {
            for (pgn, frame) in broadcast(def.number, payload).unwrap_or_default() {
                let id = CanId { priority: 7, pgn, source: id as u8, destination: CanId::GLOBAL };
                self.show(bus, id.to_raw(), extended(def), &frame, store);
            }
        } else {
            self.show(bus, id, extended(def), payload, store);
        }
    }

    /// What is no frame.
    fn other(&mut self, bus: usize, feed: &mut Feed<'_>, store: &mut Writer) {
        let time = Timestamp::from_micros(self.time);
        match feed.byte() % 8 {
            0 => self.pipeline.lost(bus, time, feed.long()),
            1 => self.pipeline.set_bit_rate(bus, feed.long()),
            2 => self.pipeline.set_gone(bus, feed.byte() & 1 == 0, store),
            3 => self.pipeline.pass(Duration::from_secs(feed.byte().into()), store),
            4 => self.pipeline.system_stepped((i64::from(feed.long()) - (1 << 31)) * 1_000_000),
            5 => self.pipeline.begin("another recording", self.meaning, store),
            6 => self.time_of_day(bus, feed, store),
            _ => {
                self.pipeline.flush(store);
                store.commit().expect("what the pipeline hands on can be stored");
            }
        }
    }

    /// A receiver says what time it is: now, give or take what the input says.
    fn time_of_day(&mut self, bus: usize, feed: &mut Feed<'_>, store: &mut Writer) {
        let seconds = self.time.div_euclid(1_000_000) + i64::from(feed.word()) * 600 - 19_660_800;
        let (days, second) = (seconds.div_euclid(86_400) as u16, seconds.rem_euclid(86_400) as u32 * 10_000);
        let ([d0, d1], [s0, s1, s2, s3]) = (days.to_le_bytes(), second.to_le_bytes());
        let id = CanId::broadcast(3, 126_992, feed.byte() & 7);
        self.show(
            bus,
            id.to_raw(),
            Flags { extended: true, ..Flags::default() },
            &[0, 0xF0, d0, d1, s0, s1, s2, s3],
            store,
        );
    }
}

/// A message of the first tables that the bus speaks, by number, with its identifier.
fn message(dialects: &[Dialect], feed: &mut Feed<'_>) -> Option<(&'static MessageDef, u32)> {
    let spoken = |p: Protocol| dialects.iter().any(|d| matches!(d, Dialect::Table(q) if *q == p));
    let own: Vec<&MessageDef> = rows().filter(|def| spoken(def.protocol)).collect();
    let def = own.get(usize::from(feed.byte()) % own.len().max(1))?;
    let sender = feed.byte();
    let id = if def.protocol.is_extended() {
        CanId { priority: def.priority, pgn: def.number, source: sender, destination: CanId::GLOBAL }.to_raw()
    } else {
        def.number | u32::from(sender & 0x7F)
    };
    Some((def, id))
}

fn extended(def: &MessageDef) -> Flags {
    Flags { extended: def.protocol.is_extended(), ..Flags::default() }
}
