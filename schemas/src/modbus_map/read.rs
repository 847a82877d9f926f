//! Reading a map from TOML, with all its mistakes at once.

use super::{Function, Kind, MOST_WORDS, ModbusMap, Register, Repeat};
use crate::quantity::Unit;
use crate::toml_read::{self, Homes, Item, Key, Limits, Mistakes, Table, key};

/// The file's schema name.
pub const SCHEMA: &str = "ampwake-modbus-map/1";

const NAME: Key = key("name", "what the device is", "\"battery shunt\"");
const WORD_ORDER: Key = key("word_order", "which of several registers comes first", "\"high_first\"");
const GAPS: Key = key("read_gaps", "whether registers in between may be read too", "false");
const MODEL: Key = key("sunspec_model", "the number of the SunSpec model", "802");
const REGISTER: Key = key("register", "a value of the device", "[[register]]");
const REPEAT: Key = key("repeat", "what repeats to the end of a SunSpec model", "[repeat]");
const FIRST: Key = key("first", "where the first block starts", "10");
const BLOCK: Key = key("length", "the registers of one block", "20");
const FIELD: Key = key("field", "what it is called in channel addresses", "\"charge_current\"");
const INSTANCE: Key = key("instance", "which battery or string of the device", "\"2\"");
const FUNCTION: Key =
    key("function", "the function that reads it: 1 coils, 2 discrete inputs, 3 holding, 4 input registers", "3");
const ADDRESS: Key = key("address", "its address on the wire, counted from 0", "256");
const TYPE: Key = key("type", "what it holds", "\"i16\"");
const LENGTH: Key = key("length", "the registers that a text takes", "16");
const BIT: Key = key("bit", "the one bit of it that is meant, 0 the lowest", "3");
const SCALE: Key = key("scale", "what the number is multiplied with", "0.1");
const OFFSET: Key = key("offset", "what is added after that", "-40");
const UNIT: Key = key("unit", "the unit after scaling", "\"A\"");
const MISSING: Key = key("not_available", "the numbers that mean \"no value\", before scaling", "[32767]");
const FACTOR: Key = key("scale_factor", "the address of the register that holds its power of ten", "255");
const EVERY: Key = key("every_s", "the seconds between two reads", "10");

const HOMES: Homes = &[
    ("function", "[[register]]"),
    ("address", "[[register]]"),
    ("scale", "[[register]]"),
    ("unit", "[[register]]"),
    ("unit", "the logger's configuration, for the unit's address"),
    ("read_gaps", "the top of the file, before the first section"),
    ("word_order", "the top of the file, before the first section"),
];

/// More values than this are no device.
const MOST_REGISTERS: usize = 500;
const ANY: Limits = Limits::within(-1e30, 1e30, "");

/// Reads the text of a map; `file_name` is for the messages.
///
/// # Errors
/// Every mistake of the file, in the order of their places.
pub fn read(file_name: &str, text: &str) -> Result<ModbusMap, Mistakes> {
    toml_read::read(file_name, text, HOMES, map)
}

/// What holds for all registers of a map.
struct Common {
    low_word_first: bool,
    sunspec: bool,
}

fn map(root: &Table<'_>) -> Option<ModbusMap> {
    root.schema(SCHEMA, "a register map");
    let name = root.need(NAME).and_then(|i| i.text().map(str::to_owned));
    let low = root.take(WORD_ORDER).map_or(Some(false), |i| i.word(&[false, true], order));
    let read_gaps = root.take(GAPS).map_or(Some(false), |i| i.flag());
    let model = root.take(MODEL).map(|i| i.whole(Limits::within(1.0, 65_534.0, "")));
    let common = Common { low_word_first: low.unwrap_or(false), sunspec: model.is_some() };
    let repeat = root.take(REPEAT).map(|i| i.table(|t| repeat(t, &common)).flatten());
    let registers = registers(root, &common, repeat.is_some());
    let sunspec_model = match model {
        Some(model) => Some(u16::try_from(model?).ok()?),
        None => None,
    };
    if let (None, Some(_)) = (sunspec_model, &repeat) {
        root.wrong_by_absence(
            &[MODEL.name],
            "only a SunSpec model says how often its `repeat` comes",
            "write each value as a [[register]] with an `instance`, or add `sunspec_model`",
        );
    }
    let repeat = match repeat {
        Some(repeat) => Some(repeat?),
        None => None,
    };
    low?;
    Some(ModbusMap { name: name?, registers: registers?, read_gaps: read_gaps?, sunspec_model, repeat })
}

fn order(low_first: bool) -> &'static str {
    if low_first { "low_first" } else { "high_first" }
}

fn repeat(t: &Table<'_>, common: &Common) -> Option<Repeat> {
    let first = t.need(FIRST).and_then(|i| i.whole(Limits::within(2.0, 60_000.0, "")));
    let length = t.need(BLOCK).and_then(|i| i.whole(Limits::within(1.0, 1000.0, "")));
    let registers = registers(t, common, false);
    Some(Repeat { first: first? as u16, length: length? as u16, registers: registers? })
}

fn registers(t: &Table<'_>, common: &Common, may_be_empty: bool) -> Option<Vec<Register>> {
    let sections = t.sections(REGISTER);
    if sections.is_empty() && !may_be_empty {
        t.need(REGISTER);
    }
    if let Some(item) = sections.get(MOST_REGISTERS) {
        item.wrong(&format!("a map holds at most {MOST_REGISTERS} registers"), "split it into two maps");
    }
    let read: Vec<(Option<Register>, &Item<'_>)> =
        sections.iter().map(|i| (i.table(|t| register(t, common)).flatten(), i)).collect();
    let mut names = std::collections::BTreeMap::new();
    for (register, item) in &read {
        let Some(r) = register else { continue };
        let line = *names.entry((&r.field, &r.instance)).or_insert(item.line());
        if line != item.line() {
            let problem = format!("`{}` is already the name of the register in line {line}", r.field);
            item.wrong(&problem, "give each its own `field`, or an `instance` where the device has several");
        }
    }
    read.into_iter().map(|(register, _)| register).collect()
}

fn register(t: &Table<'_>, common: &Common) -> Option<Register> {
    let field = t.need(FIELD).and_then(|i| part(&i));
    let instance = t.take(INSTANCE).map_or(Some(None), |i| part(&i).map(Some));
    let function = t.take(FUNCTION).map_or(Some(Function::HoldingRegisters), |i| {
        let code = i.whole(Limits::within(1.0, 4.0, ""))?;
        Function::from_code(u8::try_from(code).ok()?)
    });
    let address = t.need(ADDRESS).and_then(|i| i.whole(Limits::within(0.0, 65_535.0, ""))).map(|a| a as u16);
    let bit = t.take(BIT).map_or(Some(None), |i| i.whole(Limits::within(0.0, 15.0, "")).map(Some));
    let bits = function.is_some_and(Function::reads_bits);
    let kind = match t.take(TYPE) {
        Some(item) => kind(&item, bits),
        None if bits => Some(Kind::Bit),
        None => {
            t.need(TYPE);
            None
        }
    };
    let kind = match (kind, bit) {
        (Some(Kind::U16), Some(Some(bit))) => Some(Kind::BitOf(bit as u8)),
        (Some(other), Some(Some(_))) => {
            t.wrong(
                &format!("`bit` belongs to a register of type `u16`, not `{}`", other.text()),
                "write `type = \"u16\"`",
            );
            None
        }
        (kind, _) => kind,
    };
    let text = kind == Some(Kind::Text);
    let length = t.take(LENGTH);
    let words = match (kind.and_then(Kind::words), length) {
        (None, Some(item)) => item.whole(Limits::within(1.0, f64::from(MOST_WORDS), "")).map(|n| n as u16),
        (None, None) if text => {
            t.need(LENGTH);
            None
        }
        (Some(_), Some(item)) => {
            item.wrong("the type says how long it is", "take `length` out, or write `type = \"string\"`");
            None
        }
        (words, None) => words,
    };
    if let (Some(address), Some(words)) = (address, words)
        && u32::from(address) + u32::from(words) > 0x1_0000
    {
        t.wrong("it reaches beyond the last address, 65535", "correct `address` or `type`");
    }
    let scale = t.take(SCALE).map_or(Some(1.0), |i| i.number(ANY));
    let offset = t.take(OFFSET).map_or(Some(0.0), |i| i.number(ANY));
    let one_or_zero = matches!(kind, Some(Kind::Bit | Kind::BitOf(_)));
    let unit = match t.take(UNIT) {
        Some(item) => unit(&item),
        None if text => Some(Unit::None),
        None if one_or_zero => Some(Unit::Code),
        None => {
            t.need(UNIT);
            None
        }
    };
    let missing = t.take(MISSING).map_or(Some(None), |i| {
        i.list()?.iter().map(|m| m.number(Limits::within(-1e20, 1e20, ""))).collect::<Option<Vec<f64>>>().map(Some)
    });
    let scale_factor =
        t.take(FACTOR).map_or(Some(None), |i| i.whole(Limits::within(0.0, 65_535.0, "")).map(|a| Some(a as u16)));
    let every_s = t.take(EVERY).map_or(Some(None), |i| i.number(Limits::within(0.1, 86_400.0, "s")).map(Some));
    let (kind, unit) = (kind?, unit?);
    Some(Register {
        field: field?,
        instance: instance?,
        function: function?,
        address: address?,
        words: words?,
        kind,
        low_word_first: common.low_word_first,
        scale: scale?,
        offset: offset?,
        unit,
        not_available: missing?.unwrap_or_else(|| if common.sunspec { not_implemented(kind) } else { Vec::new() }),
        scale_factor: scale_factor?,
        every_s: every_s?,
    })
}

fn kind(item: &Item<'_>, bits: bool) -> Option<Kind> {
    let instead = [
        ("int16", "i16"),
        ("uint16", "u16"),
        ("int32", "i32"),
        ("uint32", "u32"),
        ("uint64", "u64"),
        ("int64", "i64"),
        ("float", "f32"),
        ("float32", "f32"),
        ("double", "f64"),
        ("float64", "f64"),
        ("text", "string"),
        ("bool", "bit"),
    ];
    let kind = item.word_or(Kind::WORDS, Kind::text, &instead)?;
    if (kind == Kind::Bit) != bits {
        let problem = "functions 1 and 2 read bits, and functions 3 and 4 read registers";
        let fix = if bits { "take `type` out" } else { "write `type = \"u16\"`, with `bit = …` for one bit of it" };
        item.wrong(problem, fix);
        return None;
    }
    Some(kind)
}

fn unit(item: &Item<'_>) -> Option<Unit> {
    let instead = [
        ("%", "fraction"),
        ("percent", "fraction"),
        ("c", "degC"),
        ("°c", "degC"),
        ("kw", "W"),
        ("kwh", "Wh"),
        ("mv", "V"),
        ("ma", "A"),
        ("v", "V"),
        ("a", "A"),
        ("w", "W"),
        ("hz", "Hz"),
        ("ah", "Ah"),
        ("wh", "Wh"),
        ("bool", "code"),
        ("enum", "code"),
    ];
    let words: Vec<Unit> = Unit::ALL.into_iter().filter(|u| *u != Unit::None).collect();
    // A ratio, a count: it has no unit, and an empty text says so.
    if item.is_empty_text() {
        return Some(Unit::None);
    }
    item.word_or(&words, Unit::text, &instead)
}

/// One part of a channel address.
fn part(item: &Item<'_>) -> Option<String> {
    let text = item.text()?;
    let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '_' | '-' | '.');
    if text.len() <= 64 && text.chars().all(good) {
        return Some(text.to_owned());
    }
    let better: String = text.to_lowercase().chars().map(|c| if good(c) { c } else { '_' }).take(64).collect();
    item.wrong(
        "a channel address holds lower-case letters, digits, `_`, `-` and `.` only",
        &item.write(&format!("\"{better}\"")),
    );
    None
}

/// What a SunSpec device says where it has no value (SunSpec information model specification; the codes are in
/// `tests/vectors/sunspec.json`). A device that never counted says 0 for an accumulator, and so does one that has
/// none: maps name it where it matters.
fn not_implemented(kind: Kind) -> Vec<f64> {
    match kind {
        Kind::U16 => vec![f64::from(u16::MAX)],
        Kind::I16 => vec![f64::from(i16::MIN)],
        Kind::U32 => vec![f64::from(u32::MAX)],
        Kind::I32 => vec![f64::from(i32::MIN)],
        Kind::U64 => vec![u64::MAX as f64],
        Kind::I64 => vec![i64::MIN as f64],
        _ => Vec::new(),
    }
}
