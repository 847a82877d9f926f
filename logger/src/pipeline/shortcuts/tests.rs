use crate::bus::stamps::Meaning;
use crate::bus::{Flags, Frame};
use crate::pipeline::{Pipeline, pgn};
use ampwake_schemas::message::fast_packet::fragment;
use ampwake_schemas::message::{CanId, FieldValue, Protocol, Transport, encode, find};
use ampwake_schemas::time::Timestamp;
use ampwake_store::{Store, Writer};
use proptest::prelude::*;
use std::collections::BTreeMap;

const NAMES: [u64; 3] = [0xC046_AA00_FF84_BCDB, 0xC046_A000_FF84_BD75, 0xC032_8200_22C0_0001];

/// What happens on the bus.
#[derive(Debug, Clone)]
enum Happens {
    /// A device sends; the last byte lights a lamp, or says where a temperature is.
    Sends { source: u8, message: usize, instance: u32, level: u8 },
    /// A device takes an address.
    Claims { source: u8, name: usize },
    /// Time passes, s; backwards too.
    Passes(i32),
}

fn happens() -> impl Strategy<Value = Happens> {
    prop_oneof![
        30 => (0_u8..3, 0_usize..6, 0_u32..3, 0_u8..4).prop_map(|(source, message, instance, level)| Happens::Sends { source, message, instance, level }),
        2 => (0_u8..3, 0_usize..3).prop_map(|(source, name)| Happens::Claims { source, name }),
        1 => (-20_i32..100).prop_map(Happens::Passes),
    ]
}

/// Number and values of a message.
fn message(which: usize, level: u8) -> (u32, Vec<(&'static str, FieldValue)>) {
    let x = f64::from(level);
    match which {
        0 => (127_508, vec![("battery_voltage", (50.0 + x).into()), ("battery_current", (-3.0 * x).into())]),
        1 => (127_489, vec![("temperature", (300.0 + x).into()), ("discrete_status_1", f64::from(level & 2).into())]),
        2 => (130_316, vec![("source", (x % 2.0).into()), ("temperature", (290.0 + x).into())]),
        3 => (127_488, vec![("engine_speed", (1000.0 + x).into())]),
        // No row, and one whose second set comes and goes.
        4 => (127_250, vec![]),
        _ => (127_751, vec![("dc_voltage", (53.0 + x).into())]),
    }
}

/// Everything that a database holds, as text.
fn left(scenario: &[Happens], shortcuts: bool) -> String {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::create(dir.path().join("voyage.db")).unwrap();
    let mut pipeline = Pipeline::new(BTreeMap::new());
    pipeline.begin("test", Meaning::Absolute, &mut store);
    let bus = pipeline.bus("can0");
    pipeline.buses[bus].shortcuts.allowed &= shortcuts;
    let (mut us, mut sequence) = (1_757_680_800_000_000_i64, 0_u8);
    for happens in scenario {
        us += 40_000;
        let mut send = |id: u32, data: &[u8]| {
            let flags = Flags { extended: true, ..Flags::default() };
            let frame = Frame::new(Timestamp::from_micros(us), id, flags, data).unwrap();
            pipeline.frame(bus, frame, &mut store);
        };
        match happens {
            Happens::Passes(s) => us += i64::from(*s) * 1_000_000,
            Happens::Claims { source, name } => {
                send(CanId::broadcast(6, pgn::ADDRESS_CLAIM, *source).to_raw(), &NAMES[*name].to_le_bytes());
            }
            Happens::Sends { source, message: which, instance, level } => {
                let (number, values) = message(*which, *level);
                let id = CanId::broadcast(6, number, *source).to_raw();
                match find(Protocol::N2k, number) {
                    None => send(id, &[*level; 8]),
                    Some(def) => {
                        let payload = encode(def, Some(*instance), &values).unwrap();
                        sequence = (sequence + 1) % 8;
                        match def.transport {
                            Transport::Single => send(id, &payload),
                            Transport::Fast => fragment(sequence, &payload).unwrap().iter().for_each(|f| send(id, f)),
                        }
                    }
                }
            }
        }
    }
    pipeline.finish(&mut store);
    store.commit().unwrap();
    format!("{:?}\n{}", pipeline.totals(), dump(&store))
}

fn dump(store: &Writer) -> String {
    let mut out = format!("{:?}\n{:?}\n{:?}\n", store.events(), store.devices(), store.problems());
    for channel in store.channels().unwrap() {
        out.push_str(&format!("{channel:?}: {:?}\n", store.read_all(channel.id, None, None)));
    }
    out
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn the_short_way_and_the_long_one_leave_the_same(scenario in proptest::collection::vec(happens(), 1..400)) {
        let (short, long) = (left(&scenario, true), left(&scenario, false));
        prop_assert!(short == long, "{short}\n---\n{long}");
    }
}
