//! What is asked of one unit, when, and what its answers mean. Pure: seconds, answers and failures in; values,
//! next times and remarks out.
//!
//! Owes its reader: a unit that does not answer costs the others on its line little, and is never given up; a
//! register that a device does not have costs its neighbours nothing.

use super::link::Failure;
use crate::bus::readings::NamedReading;
use ampwake_schemas::modbus_map::{Function, Kind, ReadRequest, Register, RegisterValue, decode, plan};
use serde_json::{Map, Value};
use std::collections::HashMap;

/// Attempts before a question waits for its next turn.
const ATTEMPTS: u32 = 3;
/// Turns without an answer after which a unit counts as silent.
const SILENT_AFTER: u32 = 3;
/// Seconds between two questions to a silent unit: the first and the longest.
const SILENT_S: [f64; 2] = [5.0, 60.0];
/// Seconds until a refused question is asked again: the first and the longest.
const REFUSED_S: [f64; 2] = [60.0, 3600.0];

/// One question with its times.
#[derive(Debug, Clone)]
struct Turn {
    request: ReadRequest,
    /// Seconds.
    due: f64,
    attempts: u32,
    refused: i32,
}

/// Something that the user should know: kind of event, plain words.
pub type Remark = (&'static str, String);

/// One unit.
#[derive(Debug)]
pub struct Unit {
    /// Its address.
    pub address: u8,
    registers: Vec<Register>,
    turns: Vec<Turn>,
    /// What registers that hold powers of ten said last.
    factors: HashMap<(Function, u16), u16>,
    unanswered: u32,
    silent_s: f64,
}

impl Unit {
    /// A unit with these registers, each asked for the first time at once.
    pub fn new(address: u8, registers: Vec<Register>, gaps: bool, every_s: f64, now: f64) -> Self {
        let turn = |request| Turn { request, due: now, attempts: 0, refused: 0 };
        let turns = plan(&registers, gaps, every_s).into_iter().map(turn).collect();
        let factors = HashMap::new();
        Self { address, registers, turns, factors, unanswered: 0, silent_s: SILENT_S[0] }
    }

    /// The next question: its number, and the second in which it is due.
    pub fn next(&self) -> Option<(usize, f64)> {
        let due = self.turns.iter().enumerate().map(|(i, turn)| (i, turn.due));
        due.min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// A question by its number.
    pub fn request(&self, turn: usize) -> Option<&ReadRequest> {
        self.turns.get(turn).map(|turn| &turn.request)
    }

    /// Takes an answer: values, what the device says of itself, and whether it is back after a silence.
    pub fn answered(
        &mut self,
        turn: usize,
        now: f64,
        words: &[u16],
    ) -> (Vec<NamedReading>, Map<String, Value>, Option<Remark>) {
        let back = self.is_silent().then(|| ("device_back", format!("unit {} answers again", self.address)));
        self.unanswered = 0;
        self.silent_s = SILENT_S[0];
        if back.is_some() {
            self.turns.iter_mut().filter(|t| t.refused == 0).for_each(|t| t.due = now);
        }
        let (mut values, mut device) = (Vec::new(), Map::new());
        let Some(turn) = self.turns.get_mut(turn) else { return (values, device, back) };
        (turn.attempts, turn.refused) = (0, 0);
        // A line that is too slow falls behind without making up for it.
        turn.due = (turn.due + turn.request.every_s).max(now);
        let request = turn.request.clone();
        let of = |function, address, n| request.range(function, address, n).and_then(|range| words.get(range));
        for r in &self.registers {
            if let Some((at, [factor])) = r.scale_factor.and_then(|at| Some((at, of(r.function, at, 1)?))) {
                self.factors.insert((r.function, at), *factor);
            }
        }
        let wanted = |r: &&Register| r.kind == Kind::Text || r.every_s.is_none_or(|s| s == request.every_s);
        for r in self.registers.iter().filter(wanted) {
            let Some(own) = of(r.function, r.address, r.words) else { continue };
            let factor = r.scale_factor.and_then(|at| self.factors.get(&(r.function, at))).copied();
            match decode(r, own, factor) {
                Some(RegisterValue::Reading(reading)) => values.push(NamedReading {
                    instance: r.instance.clone(),
                    field: r.field.clone().into(),
                    unit: r.unit,
                    reading,
                }),
                Some(RegisterValue::Text(text)) if !text.is_empty() => {
                    let name = r.instance.iter().map(String::as_str).chain([r.field.as_str()]);
                    // Identification (SunSpec model 1) stands by its plain names, as other protocols' does.
                    let name = name.filter(|part| *part != "1").collect::<Vec<_>>().join("/");
                    device.insert(name, text.into());
                }
                _ => {}
            }
        }
        (values, device, back)
    }

    /// Takes a failure: the name to count it under, and what to say.
    pub fn failed(&mut self, turn: usize, now: f64, failure: &Failure) -> (&'static str, Option<Remark>) {
        match failure {
            Failure::Exception(code @ 1..=3) => (exception(*code), self.refused(turn, now, *code)),
            Failure::Exception(code @ (4..=9 | 12..)) => {
                // The device is there, and cannot now.
                self.unanswered = 0;
                self.put_off(turn, now);
                (exception(*code), None)
            }
            Failure::Exception(code) => (exception(*code), self.missed(turn, now)),
            Failure::Heard(heard) => (heard.name(), self.missed(turn, now)),
            Failure::Line(_) => ("modbus_line", None),
        }
    }

    fn is_silent(&self) -> bool {
        self.unanswered >= SILENT_AFTER
    }

    fn put_off(&mut self, turn: usize, now: f64) {
        if let Some(turn) = self.turns.get_mut(turn) {
            turn.attempts = 0;
            turn.due = (turn.due + turn.request.every_s).max(now + turn.request.every_s.min(1.0));
        }
    }

    /// No answer, or a damaged one.
    fn missed(&mut self, index: usize, now: f64) -> Option<Remark> {
        let silent = self.is_silent();
        let turn = self.turns.get_mut(index)?;
        turn.attempts += 1;
        if !silent && turn.attempts < ATTEMPTS {
            // Others on the line come first where they are due.
            turn.due = now;
            return None;
        }
        self.put_off(index, now);
        self.unanswered = self.unanswered.saturating_add(1);
        if !self.is_silent() {
            return None;
        }
        let wait = now + self.silent_s;
        self.silent_s = (self.silent_s * 2.0).min(SILENT_S[1]);
        self.turns.iter_mut().for_each(|turn| turn.due = turn.due.max(wait));
        let text = format!(
            "unit {} does not answer; check its address, speed, parity and wiring. It is asked again at times",
            self.address
        );
        (!silent).then_some(("device_silent", text))
    }

    /// The device says that it has no such registers, or cannot read them so.
    fn refused(&mut self, index: usize, now: f64, code: u8) -> Option<Remark> {
        self.unanswered = 0;
        let turn = self.turns.get_mut(index)?;
        let request = turn.request.clone();
        let parts = self.parts(&request);
        // Overlapping ones would make a part of itself.
        if parts.len() > 1 && parts.iter().all(|part| part.count < request.count) {
            let turn = |request| Turn { request, due: now, attempts: 0, refused: 0 };
            self.turns.splice(index..=index, parts.into_iter().map(turn));
            return None;
        }
        let turn = self.turns.get_mut(index)?;
        turn.due = now + (REFUSED_S[0] * 2_f64.powi(turn.refused.min(10))).min(REFUSED_S[1]);
        turn.refused += 1;
        let text = format!(
            "unit {} refuses address {} of function {} ({}); check the map. It is asked again at times",
            self.address,
            request.address,
            request.function.code(),
            exception(code).trim_start_matches("modbus_").replace('_', " ")
        );
        (turn.refused == 1).then_some(("register_refused", text))
    }

    /// The single registers of a question.
    fn parts(&self, request: &ReadRequest) -> Vec<ReadRequest> {
        let inside = |address, count| {
            request.range(request.function, address, count)?;
            Some(ReadRequest { address, count, ..request.clone() })
        };
        let own = self.registers.iter().filter(|r| r.function == request.function);
        let mut parts: Vec<ReadRequest> = own
            .flat_map(|r| [inside(r.address, r.words), r.scale_factor.and_then(|at| inside(at, 1))])
            .flatten()
            .collect();
        parts.sort_by_key(|part| (part.address, part.count));
        parts.dedup();
        parts
    }
}

/// The name of an exception (MODBUS application protocol V1.1b3, chapter 7), to be counted under.
pub fn exception(code: u8) -> &'static str {
    match code {
        1 => "modbus_illegal_function",
        2 => "modbus_illegal_address",
        3 => "modbus_illegal_value",
        4 => "modbus_device_failure",
        5 => "modbus_acknowledge",
        6 => "modbus_busy",
        8 => "modbus_memory_parity",
        10 => "modbus_gateway_path",
        11 => "modbus_gateway_no_response",
        _ => "modbus_other_exception",
    }
}

#[cfg(test)]
mod tests;
