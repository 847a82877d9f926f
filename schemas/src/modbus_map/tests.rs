use super::sunspec::{ModelHead, Step, models, place, step};
use super::*;
use crate::sample::Reading;
use proptest::prelude::*;

const SHUNT: &str = r#"schema = "ampwake-modbus-map/1"
name = "battery shunt"
word_order = "low_first"

[[register]]
field = "charge_current"
address = 256
type = "i16"
scale = 0.1
unit = "A"
not_available = [32767]

[[register]]
field = "energy"
function = 4
address = 10
type = "u32"
unit = "Wh"
every_s = 60
"#;

fn shunt() -> ModbusMap {
    read("shunt.toml", SHUNT).unwrap()
}

fn register(kind: Kind) -> Register {
    let plain = shunt().registers[0].clone();
    let words = kind.words().unwrap_or(4);
    Register { kind, words, scale: 1.0, not_available: vec![], low_word_first: false, ..plain }
}

fn value(r: &Register, words: &[u16], factor: Option<u16>) -> Option<f64> {
    match decode(r, words, factor)? {
        RegisterValue::Reading(reading) => reading.value(),
        RegisterValue::Text(_) => None,
    }
}

#[test]
fn a_map_reads() {
    let map = shunt();
    let current = &map.registers[0];
    assert_eq!((current.function, current.address, current.words), (Function::HoldingRegisters, 256, 1));
    assert_eq!((current.unit, current.scale, current.low_word_first), (Unit::Ampere, 0.1, true));
    assert_eq!((map.registers[1].function, map.registers[1].every_s), (Function::InputRegisters, Some(60.0)));
}

#[test]
fn slips_have_their_place_and_fix() {
    for (right, wrong, line, problem, fix) in [
        ("ampwake-modbus-map/1", "ampwake-intent/1", 1, "this should be a register map", "ampwake-modbus-map/1"),
        ("\"i16\"", "\"int16\"", 8, "is none of the words", "write `type = \"i16\"`"),
        ("\"A\"", "\"kW\"", 10, "is none of the words", "write `unit = \"W\"`"),
        ("address = 256\n", "", 5, "`address` is missing", "add `address = 256` to [[register]]"),
        ("address = 256", "address = 70000", 7, "should be from 0 to 65535", "address = 256"),
        ("type = \"u32\"", "type = \"u32\"\nlength = 4", 18, "the type says how long it is", "take `length` out"),
        ("type = \"u32\"", "type = \"string\"", 13, "`length` is missing", "add `length = 16`"),
        ("function = 4", "function = 2", 17, "functions 1 and 2 read bits", "take `type` out"),
        ("function = 4", "function = 6", 15, "should be from 1 to 4", "function = 3"),
        (
            "field = \"energy\"",
            "field = \"charge_current\"",
            13,
            "already the name of the register in line 5",
            "`instance`",
        ),
        ("\"charge_current\"", "\"Charge Current\"", 6, "lower-case letters", "write `field = \"charge_current\"`"),
        ("address = 10", "address = 65535", 13, "reaches beyond the last address", "correct `address`"),
        ("scale = 0.1", "scale = \"0.1\"", 9, "without quotation marks", "write `scale = 0.1`"),
        (
            "type = \"u32\"",
            "type = \"u32\"\nbit = 3",
            13,
            "`bit` belongs to a register of type `u16`",
            "write `type = \"u16\"`",
        ),
        ("\"low_first\"", "\"little\"", 3, "is none of the words", "\"high_first\", \"low_first\""),
    ] {
        let m = read("f", &SHUNT.replacen(right, wrong, 1)).unwrap_err();
        let first = &m.list[0];
        assert_eq!((m.list.len(), first.line), (1, line), "{wrong}: {m}");
        assert!(first.problem.contains(problem) && first.fix.contains(fix), "{m}");
    }
    let m = read("f", "schema = \"ampwake-modbus-map/1\"\n").unwrap_err();
    assert_eq!(m.list.len(), 2, "{m}");
}

#[test]
fn kinds_and_orders_of_words() {
    let f64_words = [0x4059, 0x0000, 0x0000, 0x0000];
    for (kind, words, expected) in [
        (Kind::U16, &[65_535][..], 65_535.0),
        (Kind::I16, &[0xFFFE], -2.0),
        (Kind::U32, &[0x0001, 0x0002], 65_538.0),
        (Kind::I32, &[0xFFFF, 0xFFFE], -2.0),
        (Kind::U64, &[0, 1, 0, 0], 4_294_967_296.0),
        (Kind::I64, &[0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE], -2.0),
        (Kind::F32, &[0x41C8, 0x0000], 25.0),
        (Kind::F64, &f64_words, 100.0),
        (Kind::Bit, &[1], 1.0),
        (Kind::BitOf(3), &[0b1000], 1.0),
        (Kind::BitOf(2), &[0b1000], 0.0),
    ] {
        let r = register(kind);
        assert_eq!(value(&r, words, None), Some(expected), "{kind:?}");
        let turned: Vec<u16> = words.iter().rev().copied().collect();
        assert_eq!(value(&Register { low_word_first: true, ..r.clone() }, &turned, None), Some(expected));
        assert_eq!(decode(&r, &words[1..], None), None, "too few registers");
    }
    let text = Register { kind: Kind::Text, words: 4, ..register(Kind::U16) };
    let said = decode(&text, &[0x4142, 0x2020, 0x0000, 0x4343], None);
    assert_eq!(said, Some(RegisterValue::Text("AB".into())));
}

#[test]
fn scaling_and_what_is_not_there() {
    let r = &shunt().registers[0];
    assert_eq!(value(r, &[0xFFAD], None), Some(-8.3));
    assert_eq!(decode(r, &[32767], None), Some(RegisterValue::Reading(Reading::NotAvailable)));
    let celsius = Register { offset: -40.0, scale: 0.5, ..register(Kind::U16) };
    assert_eq!(value(&celsius, &[100], None), Some(10.0));
    let nan = register(Kind::F32);
    assert_eq!(decode(&nan, &[0x7FC0, 0], None), Some(RegisterValue::Reading(Reading::NotAvailable)));
    let scaled = Register { scale_factor: Some(255), ..register(Kind::I16) };
    assert_eq!(value(&scaled, &[1342], Some(0xFFFE)), Some(13.42));
    assert_eq!(value(&scaled, &[4], Some(2)), Some(400.0));
    assert_eq!(decode(&scaled, &[4], None), None, "its factor is not known yet");
    for (factor, reading) in [(0x8000, Reading::NotAvailable), (11, Reading::OutOfRange)] {
        assert_eq!(decode(&scaled, &[4], Some(factor)), Some(RegisterValue::Reading(reading)));
    }
}

#[test]
fn neighbours_are_read_together() {
    let at = |address, words, every_s| Register { address, words, every_s, ..register(Kind::U16) };
    let ranges = |registers: &[Register], gaps| {
        plan(registers, gaps, 1.0).iter().map(|r| (r.address, r.count, r.every_s)).collect::<Vec<_>>()
    };
    let some = [at(10, 2, None), at(8, 2, None), at(14, 1, None), at(20, 1, Some(60.0)), at(9, 1, None)];
    assert_eq!(ranges(&some, false), [(8, 4, 1.0), (14, 1, 1.0), (20, 1, 60.0)]);
    assert_eq!(ranges(&some, true), [(8, 7, 1.0), (20, 1, 60.0)]);
    let many: Vec<Register> = (0..300).map(|i| at(i, 1, None)).collect();
    assert_eq!(ranges(&many, false), [(0, 125, 1.0), (125, 125, 1.0), (250, 50, 1.0)]);
    let scaled = Register { scale_factor: Some(13), ..at(10, 1, Some(5.0)) };
    assert_eq!(ranges(&[scaled], false), [(10, 1, 5.0), (13, 1, 5.0)]);
}

#[test]
fn a_block_of_a_second_library_decodes() {
    let file: serde_json::Value = serde_json::from_str(include_str!("../../../tests/vectors/sunspec.json")).unwrap();
    let vector = &file["vectors"][0];
    let hex = vector["registers_hex"].as_str().unwrap();
    let words: Vec<u16> = (0..hex.len()).step_by(4).map(|i| u16::from_str_radix(&hex[i..i + 4], 16).unwrap()).collect();
    assert_eq!(words.len(), 64);
    let Step::Model(head, next) = step(40_002, [words[0], words[1]]) else { panic!("a model") };
    assert_eq!((head.model, next), (802, Some(40_066)));
    let registers = place(&[head], &models());
    let get = |field: &str| {
        let r = registers.iter().find(|r| r.field == field).unwrap();
        assert_eq!(r.instance.as_deref(), Some("802"));
        let word = |at: u16| words[usize::from(at - 40_002)];
        let own: Vec<u16> = (0..r.words).map(|i| word(r.address + i)).collect();
        value(r, &own, r.scale_factor.map(word))
    };
    for (field, point) in [
        ("nameplate_charge_capacity", "AHRtg"),
        ("charge_status", "ChaSt"),
        ("external_battery_voltage", "V"),
        ("total_dc_current", "A"),
        ("total_power", "W"),
    ] {
        assert_eq!(get(field), vector["decoded"][point].as_f64(), "{field}");
    }
    assert_eq!(get("state_of_charge"), Some(0.875), "87.5 %");
    for field in ["state_of_health", "depth_of_discharge", "cycle_count"] {
        assert_eq!(get(field), None, "{field}");
    }
}

#[test]
fn built_in_models_are_those_of_the_source() {
    let models = models();
    // Registers of the head part, number and length included (PyPI pysunspec2 1.3.7).
    let lengths = [(1, 68), (160, 10), (203, 107), (401, 16), (403, 18), (404, 27), (713, 9), (714, 20), (802, 64)];
    let blocks = [(160, 10, 20), (401, 16, 8), (403, 18, 8), (404, 27, 14), (714, 20, 25)];
    assert_eq!(models.iter().map(|m| m.sunspec_model.unwrap()).collect::<Vec<_>>(), lengths.map(|l| l.0));
    for (map, (_, length)) in models.iter().zip(lengths) {
        assert!(map.registers.iter().all(|r| r.address >= 2 && r.address + r.words <= length), "{}", map.name);
    }
    let repeats: Vec<(u16, u16, u16)> = models
        .iter()
        .filter_map(|m| m.repeat.as_ref().map(|r| (m.sunspec_model.unwrap(), r.first, r.length)))
        .collect();
    assert_eq!(repeats, blocks);
}

#[test]
fn strings_and_second_models_are_instances() {
    let heads = [
        ModelHead { model: 160, address: 100, length: 48 },
        ModelHead { model: 160, address: 200, length: 28 },
        ModelHead { model: 713, address: 300, length: 3 },
        ModelHead { model: 64_001, address: 400, length: 3 },
    ];
    let registers = place(&heads, &models());
    let of = |field: &str| {
        let of = registers.iter().filter(|r| r.field == field);
        of.map(|r| (r.instance.clone().unwrap(), r.address, r.scale_factor)).collect::<Vec<_>>()
    };
    let at = |i: &str, address, factor| (i.to_owned(), address, Some(factor));
    assert_eq!(of("dc_current"), [at("160-1", 119, 102), at("160-2", 139, 102), at("160_2-1", 219, 202)]);
    assert!(of("state_of_charge").is_empty(), "this device does not hold so much of the model");
}

proptest! {
    #[test]
    fn any_map_text_is_read_or_refused(text in "\\PC{0,200}") {
        prop_assert!(!read("f", &text).unwrap_err().list.is_empty());
    }

    #[test]
    fn a_good_map_with_one_character_changed(at in any::<prop::sample::Index>(), c in any::<char>()) {
        let mut chars: Vec<char> = SHUNT.chars().collect();
        let at = at.index(chars.len());
        chars[at] = c;
        if let Err(m) = read("f", &chars.into_iter().collect::<String>()) {
            prop_assert!(!m.list.is_empty());
        }
    }

    #[test]
    fn any_registers_decode(words in prop::collection::vec(any::<u16>(), 0..9), factor: Option<u16>, kind in prop::sample::select(Kind::WORDS), low: bool) {
        let r = Register { kind, words: kind.words().unwrap_or(3), low_word_first: low, scale_factor: Some(1), ..register(Kind::U16) };
        if let Some(RegisterValue::Reading(Reading::Value(v))) = decode(&r, &words, factor) {
            prop_assert!(v.is_finite());
        }
    }

    #[test]
    fn any_device_can_be_walked(heads in prop::collection::vec((any::<u16>(), any::<u16>(), any::<u16>()), 0..64)) {
        let models = models();
        let heads: Vec<ModelHead> = heads
            .into_iter()
            .map(|(model, address, length)| ModelHead {
                model: models[usize::from(model) % models.len()].sunspec_model.unwrap(),
                address,
                length,
            })
            .collect();
        for head in &heads {
            if let Step::Model(_, Some(next)) = step(head.address, [head.model, head.length]) {
                prop_assert!(next > head.address);
            }
        }
        for request in plan(&place(&heads, &models), true, 1.0) {
            prop_assert!(request.count >= 1 && request.count <= MOST_WORDS);
            prop_assert!(u32::from(request.address) + u32::from(request.count) <= 0x1_0000);
        }
    }

    #[test]
    fn every_register_is_in_the_plan(
        spans in prop::collection::vec((0_u16..400, prop::sample::select(Kind::WORDS)), 1..60),
        gaps: bool,
    ) {
        let registers: Vec<Register> = spans
            .into_iter()
            .map(|(address, kind)| Register { address, kind, words: kind.words().unwrap_or(20), ..register(Kind::U16) })
            .collect();
        let requests = plan(&registers, gaps, 1.0);
        for r in &registers {
            prop_assert!(requests.iter().any(|q| q.range(r.function, r.address, r.words).is_some()));
        }
    }
}
