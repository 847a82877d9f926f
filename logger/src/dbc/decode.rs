//! From a frame's data to readings, by one definition. Owes its reader: any data of any length decodes; what it is
//! too short for is "not available", never zero.

use super::signal::{MessageDef, Number, SignalDef};
use ampwake_schemas::sample::Reading;

/// How deep multiplexers may hang on multiplexers; beyond it a file goes round in circles.
const DEEPEST: usize = 8;

impl MessageDef {
    /// The signals that this frame carries, by index, with what they say.
    pub fn readings<'a>(&'a self, data: &'a [u8]) -> impl Iterator<Item = (usize, Reading)> + 'a {
        let present = move |(_, signal): &(usize, &SignalDef)| self.is_present(signal, data, 0);
        self.signals.iter().enumerate().filter(present).map(|(i, signal)| (i, signal.reading(data)))
    }

    fn is_present(&self, signal: &SignalDef, data: &[u8], depth: usize) -> bool {
        let Some(multiplexed) = &signal.multiplexed else { return true };
        let Some(switch) = self.signals.get(multiplexed.by).filter(|_| depth < DEEPEST) else { return false };
        let code = switch.place.extract(data);
        let in_range = code.is_some_and(|c| multiplexed.codes.iter().any(|(low, high)| (*low..=*high).contains(&c)));
        in_range && self.is_present(switch, data, depth + 1)
    }
}

impl SignalDef {
    /// What it says, in the unit of its channel.
    pub fn reading(&self, data: &[u8]) -> Reading {
        let Some(raw) = self.place.extract(data) else { return Reading::NotAvailable };
        let (whole, value) = self.number(raw);
        if let Some(whole) = whole
            && let Some((_, said)) = self.states.iter().find(|(code, _)| *code == whole)
        {
            return *said;
        }
        let value = value * self.factor + self.offset;
        if !value.is_finite() {
            return Reading::NotAvailable;
        }
        // All ones is how senders fill what they do not have (a habit of every bus this tool knows). The file can
        // mean it as a value, and then its range holds it.
        let outside = self.range.is_some_and(|(low, high)| value < low || value > high);
        if outside && self.is_all_ones(raw) {
            return Reading::NotAvailable;
        }
        let value = if self.is_code { value } else { self.conversion.apply(value) };
        // The largest doubles are infinite in a smaller unit.
        if value.is_finite() { Reading::Value(value) } else { Reading::NotAvailable }
    }

    /// The number in the bits; as a whole number too where it is one.
    fn number(&self, raw: u64) -> (Option<i64>, f64) {
        match self.number {
            Number::Unsigned => (i64::try_from(raw).ok(), raw as f64),
            Number::Signed => {
                let unused = 64 - u32::from(self.place.bits);
                let value = ((raw << unused) as i64) >> unused;
                (Some(value), value as f64)
            }
            Number::Float => (None, f64::from(f32::from_bits(raw as u32))),
            Number::Double => (None, f64::from_bits(raw)),
        }
    }

    /// The highest code of its kind, at least a byte of ones: fewer are as good as any value.
    fn is_all_ones(&self, raw: u64) -> bool {
        let mask = self.place.mask();
        match self.number {
            Number::Unsigned => self.place.bits >= 8 && raw == mask,
            Number::Signed => self.place.bits >= 8 && (raw == mask >> 1 || raw == (mask >> 1) + 1),
            Number::Float | Number::Double => false,
        }
    }
}
