//! From the bytes of a DBC file to its messages, with every mistake and its line.

use super::signal::{ByteOrder, MessageDef, Multiplexed, Number, Place, SignalDef};
use super::statements::{Kind, LONG_NAMES, Statement, split};
use super::units::{self, Conversion};
use super::{FrameId, names};
use ampwake_schemas::sample::Reading;
use can_dbc::{
    AttributeValue, ByteOrder as Order, Dbc, Message, MessageId, MultiplexIndicator, NumericValue, Signal,
    SignalExtendedValueType, ValueDescription, ValueType,
};
use std::collections::{BTreeMap, HashMap};

/// More than any file has; a hostile one may not fill the memory.
const MOST_MESSAGES: usize = 20_000;
const MOST_SIGNALS: usize = 2_000;
/// The identifier under which tools keep signals that belong to no message.
const NO_MESSAGE: u32 = 0xC000_0000;
const EXTENDED_BIT: u32 = 0x8000_0000;

/// What was read.
#[derive(Default)]
pub(super) struct Read {
    /// Messages with the lines in which they begin.
    pub(super) messages: Vec<(usize, MessageDef)>,
    /// Lines, and what is wrong there.
    pub(super) mistakes: Vec<(usize, String)>,
    /// Lines, and what is worth knowing.
    pub(super) remarks: Vec<(usize, String)>,
}

/// A signal of a message by its name in the file.
type Key = (MessageId, String);
type Codes = Vec<(u64, u64)>;

/// What other statements say about messages and signals.
#[derive(Default)]
struct About {
    states: HashMap<Key, Vec<(i64, String)>>,
    floats: HashMap<Key, SignalExtendedValueType>,
    /// The multiplexer's name, and first and last of each range of its codes.
    switches: HashMap<Key, (String, Codes)>,
    message_names: HashMap<MessageId, String>,
    signal_names: HashMap<Key, String>,
}

/// Reads a file.
pub(super) fn read(bytes: &[u8]) -> Read {
    let mut out = Read::default();
    let text = text(bytes);
    let statements = match split(&text) {
        Ok(statements) => statements,
        Err(line) => {
            out.mistakes.push((line, "a text in quotes begins here and never ends: close it with `\"`".to_owned()));
            return out;
        }
    };
    if text.contains("\"ProtocolType\" \"J1939\"") {
        let text = "the file says that it describes J1939: identifiers are compared whole, with their priority and \
                    sender; a message of another sender than the file's needs a line of its own";
        out.remarks.push((0, text.to_owned()));
    }
    let mut about = About::default();
    for statement in statements.iter().filter(|s| s.kind == Kind::About) {
        about.take(statement, &mut out);
    }
    let mut unknown_units: BTreeMap<String, (usize, usize)> = BTreeMap::new();
    for statement in statements.iter().filter(|s| s.kind == Kind::Message) {
        let line = statement.lines[0].0;
        if out.messages.len() >= MOST_MESSAGES || statement.lines.len() > MOST_SIGNALS {
            let text = format!("more than {MOST_MESSAGES} messages, or {MOST_SIGNALS} signals in one, are no DBC file");
            out.mistakes.push((line, text));
            break;
        }
        match message(statement, &about, &mut unknown_units) {
            Ok(Some(message)) => out.messages.push((line, message)),
            Ok(None) => {}
            Err(mistakes) => out.mistakes.extend(mistakes),
        }
    }
    for (unit, (line, n)) in unknown_units {
        let more = if n > 1 { format!(" and {} more", n - 1) } else { String::new() };
        let unit: String = unit.chars().take(20).flat_map(char::escape_default).collect();
        let text = format!("the unit `{unit}` is not known; the signal in this line{more} is recorded without a unit");
        out.remarks.push((line, text));
    }
    out.mistakes.sort_by_key(|(line, _)| *line);
    out
}

/// The text of a file: UTF-8, else Latin-1, in which most tools write the sign for degrees.
fn text(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.trim_start_matches('\u{FEFF}').to_owned(),
        Err(_) => bytes.iter().map(|b| char::from(*b)).collect(),
    }
}

impl About {
    fn take(&mut self, statement: &Statement, out: &mut Read) {
        let (line, text) = (statement.lines[0].0, statement.text());
        let Ok(dbc) = Dbc::try_from(text.as_str()) else {
            // Names of codes can be missed; how a signal is read cannot.
            let short = shortened(&statement.lines[0].1);
            if text.starts_with("VAL_") || text.starts_with("BA_") {
                out.remarks.push((line, format!("`{short}` cannot be read; the names that it gives are left out")));
            } else {
                out.mistakes.push((line, format!("`{short}` cannot be read; correct it or take the line out")));
            }
            return;
        };
        for described in dbc.value_descriptions {
            if let ValueDescription::Signal { message_id, name, value_descriptions } = described {
                let states = value_descriptions.into_iter().map(|v| (v.id, v.description)).collect();
                self.states.insert((message_id, name), states);
            }
        }
        for typed in dbc.signal_extended_value_type_list {
            self.floats.insert((typed.message_id, typed.signal_name), typed.signal_extended_value_type);
        }
        for mux in dbc.extended_multiplex {
            let codes = mux.mappings.iter().map(|m| (m.min_value, m.max_value)).collect();
            self.switches.insert((mux.message_id, mux.signal_name), (mux.multiplexor_signal_name, codes));
        }
        for long in dbc.attribute_values_message.into_iter().filter(|a| a.name == LONG_NAMES[0]) {
            if let AttributeValue::String(name) = long.value {
                self.message_names.insert(long.message_id, name);
            }
        }
        for long in dbc.attribute_values_signal.into_iter().filter(|a| a.name == LONG_NAMES[1]) {
            if let AttributeValue::String(name) = long.value {
                self.signal_names.insert((long.message_id, long.signal_name), name);
            }
        }
    }
}

/// One message; `None` for one that holds signals of no message.
fn message(
    statement: &Statement,
    about: &About,
    unknown_units: &mut BTreeMap<String, (usize, usize)>,
) -> Result<Option<MessageDef>, Vec<(usize, String)>> {
    let (line, head) = &statement.lines[0];
    let id = identifier(head).map_err(|text| vec![(*line, text)])?;
    let Some(id) = id else { return Ok(None) };
    let parsed = parse(statement)?;
    let key = parsed.id;
    let lines: Vec<usize> = statement.lines.iter().skip(1).map(|(n, _)| *n).collect();
    let mut mistakes = Vec::new();
    let mut signals = Vec::new();
    for (signal, line) in parsed.signals.iter().zip(&lines) {
        let (conversion, known) = unit(&signal.unit);
        if !known {
            let (_, n) = unknown_units.entry(signal.unit.clone()).or_insert((*line, 0));
            *n += 1;
        }
        match read_signal(signal, key, about, conversion) {
            Ok(signal) => signals.push(signal),
            Err(text) => mistakes.push((*line, text)),
        }
    }
    if mistakes.is_empty() {
        let switches: Vec<usize> = (0..parsed.signals.len()).filter(|i| is_top_switch(&parsed.signals[*i])).collect();
        for (i, line) in lines.iter().enumerate().take(signals.len()) {
            match multiplexed(&parsed, i, about, &switches) {
                Ok(multiplexed) => signals[i].multiplexed = multiplexed,
                Err(text) => mistakes.push((*line, text)),
            }
        }
        let used: Vec<usize> = signals.iter().filter_map(|s| s.multiplexed.as_ref().map(|m| m.by)).collect();
        used.into_iter().for_each(|by| signals[by].is_switch = true);
    }
    if !mistakes.is_empty() {
        return Err(mistakes);
    }
    let title = about.message_names.get(&key).cloned().unwrap_or(parsed.name);
    Ok(Some(MessageDef { id, name: names::snake_case(&title), title, signals }))
}

/// Parses a message's statement; where it is none, every line of it that is wrong.
fn parse(statement: &Statement) -> Result<Message, Vec<(usize, String)>> {
    let whole = |text: &str| {
        let mut dbc = Dbc::try_from(text).ok()?;
        if dbc.messages.len() == 1 { dbc.messages.pop() } else { None }
    };
    let signals = statement.lines.len() - 1;
    if let Some(message) = whole(&statement.text()).filter(|m| m.signals.len() == signals) {
        return Ok(message);
    }
    let (line, head) = &statement.lines[0];
    if whole(&format!("{head}\n")).is_none() {
        let text = format!(
            "`{}` is no message; it is written like this: `BO_ 291 PackStatus: 8 Battery`",
            shortened(head.trim_end_matches(" N"))
        );
        return Err(vec![(*line, text)]);
    }
    let wrong = statement.lines[1..].iter().filter(|(_, signal)| {
        let alone = whole(&format!("BO_ 1 M: 8 N\n{signal}\n"));
        alone.is_none_or(|message| message.signals.len() != 1)
    });
    let mistakes: Vec<_> = wrong
        .map(|(line, signal)| {
            let text = format!(
                "`{}` is no signal; it is written like this: `SG_ Current : 0|16@1- (0.1,0) [0|0] \"A\" Battery`",
                shortened(signal.trim().trim_end_matches(" N"))
            );
            (*line, text)
        })
        .collect();
    let odd = || vec![(*line, format!("`{}` and its signals cannot be read", shortened(head)))];
    Err(if mistakes.is_empty() { odd() } else { mistakes })
}

/// The identifier in the head of a message; `None` for signals of no message.
///
/// The parser behind this cuts identifiers without bit 31 down to 16 bits: they are judged here.
fn identifier(head: &str) -> Result<Option<FrameId>, String> {
    let word = head.split_whitespace().nth(1).unwrap_or_default();
    let raw: u64 = word
        .parse()
        .map_err(|_| format!("`{}` is no identifier; it is a decimal number such as 291", shortened(word)))?;
    let is_extended = raw & u64::from(EXTENDED_BIT) != 0;
    match u32::try_from(raw) {
        Ok(NO_MESSAGE) => Ok(None),
        Ok(raw) if is_extended && raw & 0x6000_0000 == 0 => Ok(Some(FrameId { extended: true, id: raw & 0x1FFF_FFFF })),
        Ok(raw) if raw <= 0x7FF => Ok(Some(FrameId { extended: false, id: raw })),
        Ok(raw) if raw <= 0x1FFF_FFFF => Err(format!(
            "{raw} is more than the 11 bits of a standard identifier; an extended one is written with 2147483648 added: {}",
            raw | EXTENDED_BIT
        )),
        _ => Err(format!("{raw} is no identifier: it has more than 29 bits")),
    }
}

fn unit(text: &str) -> (Conversion, bool) {
    match units::conversion(text) {
        Some(conversion) => (conversion, true),
        None => (units::NONE, text.trim().is_empty() || text.trim() == "-" || text.trim() == "1"),
    }
}

fn read_signal(signal: &Signal, id: MessageId, about: &About, conversion: Conversion) -> Result<SignalDef, String> {
    let name = &signal.name;
    let key = (id, name.clone());
    let order = match signal.byte_order {
        Order::LittleEndian => ByteOrder::Intel,
        Order::BigEndian => ByteOrder::Motorola,
    };
    let place = Place::new(order, signal.start_bit, signal.size).ok_or_else(|| {
        format!("`{name}` starts at bit {} and has {} bits: no frame holds that", signal.start_bit, signal.size)
    })?;
    let number = match (about.floats.get(&key), place.bits) {
        (None | Some(SignalExtendedValueType::SignedOrUnsignedInteger), _) => match signal.value_type {
            ValueType::Signed => Number::Signed,
            ValueType::Unsigned => Number::Unsigned,
        },
        (Some(SignalExtendedValueType::IEEEfloat32Bit), 32) => Number::Float,
        (Some(SignalExtendedValueType::IEEEdouble64bit), 64) => Number::Double,
        (_, bits) => {
            return Err(format!("`{name}` is called a floating-point number but has {bits} bits; those have 32 or 64"));
        }
    };
    if !signal.factor.is_finite() || !signal.offset.is_finite() || signal.factor == 0.0 {
        return Err(format!("`{name}` has a factor of {}, with which no value can be told", signal.factor));
    }
    let (low, high) = (limit(signal.min), limit(signal.max));
    let described = about.states.get(&key).map(Vec::as_slice).unwrap_or_default();
    let states: Vec<(i64, Reading)> =
        described.iter().filter_map(|(code, text)| Some((*code, statement_of(text)?))).collect();
    // Names for all but the codes that mean "no value" make it an enumeration, unless it has a unit or a scale.
    let is_plain = conversion == units::NONE && signal.factor == 1.0 && signal.offset == 0.0;
    let title = about.signal_names.get(&key).cloned().unwrap_or_else(|| name.clone());
    Ok(SignalDef {
        name: names::snake_case(&title),
        title,
        place,
        number,
        factor: signal.factor,
        offset: signal.offset,
        range: (low < high).then_some((low, high)),
        is_code: is_plain && described.len() > states.len(),
        states,
        conversion,
        multiplexed: None,
        is_switch: false,
    })
}

fn limit(value: NumericValue) -> f64 {
    match value {
        NumericValue::Uint(n) => n as f64,
        NumericValue::Int(n) => n as f64,
        NumericValue::Double(n) => n,
    }
}

/// What the name of a code says about whether there is a value. "SNA" is "signal not available".
fn statement_of(name: &str) -> Option<Reading> {
    let letters: String = name.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_ascii_lowercase();
    match letters.as_str() {
        "sna" | "na" | "notavailable" | "unavailable" | "signalnotavailable" | "datanotavailable" | "novalue" => {
            Some(Reading::NotAvailable)
        }
        "invalid" | "outofrange" | "sensorerror" | "signalerror" | "errorindicator" => Some(Reading::OutOfRange),
        "reserved" => Some(Reading::Reserved),
        _ => None,
    }
}

fn is_top_switch(signal: &Signal) -> bool {
    signal.multiplexer_indicator == MultiplexIndicator::Multiplexor
}

/// In which frames a signal is there.
fn multiplexed(
    message: &Message,
    index: usize,
    about: &About,
    switches: &[usize],
) -> Result<Option<Multiplexed>, String> {
    let signal = &message.signals[index];
    let name = &signal.name;
    if let Some((by, codes)) = about.switches.get(&(message.id, name.clone())) {
        let by = message.signals.iter().position(|s| s.name == *by);
        let by = by.ok_or_else(|| format!("`{name}` hangs on a multiplexer that is not in its message"))?;
        return Ok(Some(Multiplexed { by, codes: codes.clone() }));
    }
    let code = match signal.multiplexer_indicator {
        MultiplexIndicator::Plain | MultiplexIndicator::Multiplexor => return Ok(None),
        MultiplexIndicator::MultiplexedSignal(code) | MultiplexIndicator::MultiplexorAndMultiplexedSignal(code) => code,
    };
    match switches {
        [by] => Ok(Some(Multiplexed { by: *by, codes: vec![(code, code)] })),
        [] => {
            Err(format!("`{name}` is multiplexed, but its message has no multiplexer: one signal needs the mark `M`"))
        }
        _ => Err(format!(
            "`{name}` is multiplexed by one of {} multiplexers; SG_MUL_VAL_ has to say which",
            switches.len()
        )),
    }
}

fn shortened(text: &str) -> String {
    let short: String = text.chars().take(60).flat_map(char::escape_debug).collect();
    if text.chars().count() > 60 { format!("{short}...") } else { short }
}
