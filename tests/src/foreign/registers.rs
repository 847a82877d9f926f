//! Modbus without a line: register maps as text, what is asked because of them, and what any answer means.
//!
//! Input: a byte that says what follows. Even: the text of a map, a zero, words. Odd: heads of SunSpec models (number
//! of a built-in one, or any; length; address), a zero, words.

use super::feed::Feed;
use super::must_be_an_address;
use ampwake_logger::bus::modbus::link::Failure;
use ampwake_logger::bus::modbus::unit::Unit;
use ampwake_logger::framing::modbus::{Heard, heard};
use ampwake_schemas::modbus_map::sunspec::{ModelHead, Step, models, place, step};
use ampwake_schemas::modbus_map::{MOST_BITS, MOST_WORDS, ModbusMap, Register, RegisterValue, decode, plan, read};
use ampwake_schemas::sample::Reading;
use std::sync::OnceLock;

/// Questions and answers in a row.
const TURNS: usize = 40;

/// Reads a map or a walk, then asks and answers.
pub fn run(bytes: &[u8]) {
    let mut feed = Feed::new(bytes);
    let kind = feed.byte();
    let (registers, gaps) = if kind & 1 == 0 {
        let text = feed.until(0);
        let Ok(text) = std::str::from_utf8(text) else { return };
        let map = match read("map.toml", text) {
            Ok(map) => map,
            Err(mistakes) => return super::files::are_sound(&mistakes, text),
        };
        (map.registers, map.read_gaps)
    } else {
        (place(&walk(&mut feed), built_in()), true)
    };
    assert!(registers.len() <= 64 * 64 * 60, "{} registers", registers.len());
    registers.iter().for_each(is_sound);
    asked(&registers, gaps, kind, feed);
}

fn built_in() -> &'static [ModbusMap] {
    static MODELS: OnceLock<Vec<ModbusMap>> = OnceLock::new();
    MODELS.get_or_init(models)
}

/// Heads as a device would show them one after the other.
fn walk(feed: &mut Feed<'_>) -> Vec<ModelHead> {
    let mut address = 40_002;
    let mut heads = Vec::new();
    while heads.len() < 64 {
        let (choice, length) = (feed.byte(), feed.word());
        let known = built_in().get(usize::from(choice) % 16).and_then(|m| m.sunspec_model);
        let model = if choice == 0 { 0 } else { known.unwrap_or_else(|| feed.word()) };
        match step(address, [model, length]) {
            Step::End => break,
            Step::Model(head, next) => {
                assert_eq!((head.address, head.model, head.length), (address, model, length));
                heads.push(head);
                let Some(next) = next else { break };
                assert!(next > address, "a walk that goes back");
                address = next;
            }
        }
    }
    heads
}

fn is_sound(r: &Register) {
    assert!(u32::from(r.address) + u32::from(r.words) <= 0x1_0000 && r.words > 0, "{r:?}");
    assert!(r.scale.is_finite() && r.offset.is_finite() && r.every_s.is_none_or(|s| s > 0.0), "{r:?}");
    let instance = r.instance.as_ref().map_or_else(String::new, |i| format!("{i}/"));
    must_be_an_address(&format!("rs485/modbus/7/{instance}{}", r.field));
}

/// Asks for all registers in turn; the answers and failures come from the input.
fn asked(registers: &[Register], gaps: bool, kind: u8, mut feed: Feed<'_>) {
    for request in plan(registers, gaps, 1.0) {
        let most = if request.function.reads_bits() { MOST_BITS } else { MOST_WORDS };
        assert!((1..=most).contains(&request.count), "{request:?}");
        assert!(u32::from(request.address) + u32::from(request.count) <= 0x1_0000, "{request:?}");
    }
    for r in registers {
        let found = |address, words| {
            plan(std::slice::from_ref(r), gaps, 1.0).iter().any(|q| q.range(r.function, address, words).is_some())
        };
        assert!(found(r.address, r.words) && r.scale_factor.is_none_or(|at| found(at, 1)), "{r:?} is never read");
        let words: Vec<u16> = (0..r.words.min(8)).map(|_| feed.word()).collect();
        means_something(decode(r, &words, Some(feed.word())), r);
        means_something(decode(r, &words[..words.len() / 2], None), r);
        if feed.is_empty() {
            break;
        }
    }
    let mut unit = Unit::new(7, registers.to_vec(), gaps, 1.0, 0.0);
    let mut now = 0.0;
    for _ in 0..TURNS {
        let Some((turn, due)) = unit.next() else { break };
        assert!(due.is_finite() && due < now + 90_000.0, "asked again only at {due}");
        now = due.max(now);
        let Some(request) = unit.request(turn).cloned() else { panic!("a turn without a question") };
        match feed.byte() {
            code @ 1..=12 => {
                unit.failed(turn, now, &Failure::Exception(code));
            }
            13 => {
                let bytes = feed.take(usize::from(kind));
                let payload = u8::try_from(request.count * 2).unwrap_or(u8::MAX);
                let what = heard(bytes, 7, request.function.code(), payload);
                assert_eq!(what == Heard::Silence, bytes.is_empty());
                unit.failed(turn, now, &Failure::Heard(what));
            }
            first => {
                let words: Vec<u16> =
                    (0..request.count).map(|i| if i == 0 { first.into() } else { feed.word() }).collect();
                let (values, device, _) = unit.answered(turn, now, &words);
                assert!(values.len() + device.len() <= registers.len());
                for value in values {
                    assert!(!matches!(value.reading, Reading::Value(v) if !v.is_finite()), "{value:?}");
                }
            }
        }
    }
}

fn means_something(value: Option<RegisterValue>, r: &Register) {
    match value {
        Some(RegisterValue::Reading(Reading::Value(v))) => assert!(v.is_finite(), "{r:?}"),
        Some(RegisterValue::Text(text)) => assert!(!text.contains(char::is_control), "{text:?}"),
        _ => {}
    }
}
