//! Which questions to ask: registers that lie side by side are read together.

use super::{Function, Kind, Register};

/// Registers that one answer may hold (MODBUS application protocol V1.1b3, 6.3).
pub const MOST_WORDS: u16 = 125;
/// Bits that one answer may hold (6.1).
pub const MOST_BITS: u16 = 2000;

/// Seconds between two reads of text, which says what the device is: that changes when it is exchanged.
const TEXT_EVERY_S: f64 = 600.0;

/// One question.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadRequest {
    /// How to ask.
    pub function: Function,
    /// The first address.
    pub address: u16,
    /// How many.
    pub count: u16,
    /// Seconds between two times.
    pub every_s: f64,
}

impl ReadRequest {
    /// Where in the answer the `words` registers from `address` on stand; `None` when not all of them do.
    pub fn range(&self, function: Function, address: u16, words: u16) -> Option<std::ops::Range<usize>> {
        let start = usize::from(address.checked_sub(self.address).filter(|_| function == self.function)?);
        let end = start + usize::from(words);
        (end <= usize::from(self.count)).then_some(start..end)
    }
}

/// The questions that bring all `registers` and the powers of ten that they name. Only registers that adjoin are
/// read together, because many devices refuse a read over addresses that they do not have; `gaps` allows it where
/// there are none.
pub fn plan(registers: &[Register], gaps: bool, every_s: f64) -> Vec<ReadRequest> {
    let mut spans: Vec<ReadRequest> = Vec::new();
    for r in registers {
        let usual = if r.kind == Kind::Text { TEXT_EVERY_S } else { every_s };
        let every_s = r.every_s.unwrap_or(usual);
        let span = |address, count| ReadRequest { function: r.function, address, count, every_s };
        spans.push(span(r.address, r.words));
        // Read as often as what it scales: a device may change it at any time.
        spans.extend(r.scale_factor.map(|at| span(at, 1)));
    }
    let order = |r: &ReadRequest| (r.function, r.every_s.to_bits(), r.address, r.count);
    spans.sort_by_key(order);
    let mut requests: Vec<ReadRequest> = Vec::new();
    for span in spans {
        let end = |r: &ReadRequest| u32::from(r.address) + u32::from(r.count);
        if let Some(last) = requests.last_mut()
            && (last.function, last.every_s) == (span.function, span.every_s)
        {
            let count = end(&span).max(end(last)) - u32::from(last.address);
            let most = if span.function.reads_bits() { MOST_BITS } else { MOST_WORDS };
            if count <= u32::from(most) && (gaps || u32::from(span.address) <= end(last)) {
                last.count = count as u16;
                continue;
            }
        }
        requests.push(span);
    }
    requests
}
