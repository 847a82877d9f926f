//! A day as comma-separated values (RFC 4180): a head line, then one line per sample.
//!
//! Nothing is quoted: an address, a unit, a time, a number and the words of a status hold neither commas nor quotation
//! marks ([`ampwake_schemas::channel::ChannelAddress`] refuses everything but lower-case letters, digits, `_-.@/`).

use super::DayFile;
use super::folder::{DAY_MS, day_text};
use crate::report::atomic::Draft;
use ampwake_store::ChannelInfo;
use std::io::{self, Write};

/// The head line.
const HEAD: &[u8] = b"channel,unit,time,value,status\r\n";

pub(super) struct CsvDay {
    draft: Draft,
    day: String,
    start_ms: i64,
    /// Channel and unit, the same on many lines.
    channel: String,
}

impl CsvDay {
    pub(super) fn begin(mut draft: Draft, day: i64) -> io::Result<Self> {
        draft.write_all(HEAD)?;
        Ok(Self { draft, day: day_text(day), start_ms: day * DAY_MS, channel: String::new() })
    }
}

impl DayFile for CsvDay {
    fn begin(&mut self, channel: &ChannelInfo) -> io::Result<()> {
        self.channel = format!("{},{},{}T", channel.address, channel.unit, self.day);
        Ok(())
    }

    fn add(&mut self, time_ms: i64, value: Option<f64>, status: Option<&'static str>) -> io::Result<()> {
        let ms = time_ms - self.start_ms;
        let (s, ms) = (ms / 1000, ms % 1000);
        write!(self.draft, "{}{:02}:{:02}:{:02}.{ms:03}Z,", self.channel, s / 3600, s / 60 % 60, s % 60)?;
        if let Some(value) = value {
            write_number(&mut self.draft, value)?;
        }
        write!(self.draft, ",{}\r\n", status.unwrap_or_default())
    }

    fn finish(self: Box<Self>) -> io::Result<Draft> {
        Ok(self.draft)
    }
}

/// The shortest decimal that is read back as the same number.
fn write_number(out: &mut impl Write, value: f64) -> io::Result<()> {
    match value.abs() {
        size if size == 0.0 || (1e-7..1e15).contains(&size) => write!(out, "{value}"),
        _ => write!(out, "{value:e}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn text(value: f64) -> String {
        let mut out = Vec::new();
        write_number(&mut out, value).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn numbers_are_short() {
        let texts = [12.75, -0.3, 0.0, 1e300, 5e-324, 4_000_000_000.0].map(text);
        assert_eq!(texts, ["12.75", "-0.3", "0", "1e300", "5e-324", "4000000000"]);
    }

    proptest! {
        #[test]
        fn a_number_is_read_back_as_itself(value in any::<f64>()) {
            prop_assume!(value.is_finite());
            let text = text(value);
            prop_assert_eq!(text.parse::<f64>().unwrap().to_bits(), value.to_bits(), "{}", &text);
            prop_assert!(text.len() < 30);
        }
    }
}
