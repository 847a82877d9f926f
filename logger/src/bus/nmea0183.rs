//! From sentences to values. A recording of sentences and a live line share this.

use super::readings::{NamedReading, Readings};
use crate::framing::sentence::Sentence;
use ampwake_schemas::sentence;
use ampwake_schemas::time::Timestamp;

/// As it stands in channel addresses.
pub const PROTOCOL: &str = "nmea0183";

/// What a sentence says, and how many of its values cannot be used; `None` for one that has no row in
/// [`sentence::SENTENCES`].
///
/// The talker is no part of the address: where two receivers speak on one line, their values share a channel.
pub fn readings(time: Timestamp, sentence: &Sentence<'_>) -> Option<(Readings, usize)> {
    let known = sentence.talker != "P";
    let decoded = sentence::decode(sentence.formatter, &sentence.fields).filter(|_| known)?;
    let values = decoded.readings.into_iter().map(|r| NamedReading {
        instance: r.instance,
        field: r.field.into(),
        unit: r.unit,
        reading: r.reading,
    });
    let told = decoded.time.map(|time| (u8::from(decoded.message == "rmc"), time));
    let readings = Readings {
        time,
        protocol: PROTOCOL,
        message: decoded.message.into(),
        values: values.collect(),
        told,
        device: None,
    };
    Some((readings, decoded.unusable))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::framing::sentence::parse_sentence;

    #[test]
    fn a_sentence_becomes_values_and_a_time() {
        let at = Timestamp::from_millis(7);
        let read = |text: &str| readings(at, &parse_sentence(text.as_bytes()).unwrap());
        let (xdr, unusable) = read("$IIXDR,C,27.5,C,BATT1,U,13.42,V,BATT1,I,-8.3,A,BATT1*4B").unwrap();
        assert_eq!((xdr.time, xdr.message.as_ref(), xdr.values.len(), unusable), (at, "xdr", 3, 0));
        assert_eq!((xdr.values[2].instance.as_deref(), xdr.values[2].field.as_ref()), (Some("batt1"), "current"));
        let (zda, _) = read("$GPZDA,120000.00,01,06,2026,00,00*64").unwrap();
        assert_eq!(zda.told, Some((0, Timestamp::parse_rfc3339("2026-06-01T12:00:00Z").unwrap())));
        let (rmc, _) = read("$GPRMC,120000.00,A,6007.4074,N,02445.9279,E,6.2,90.0,010626,,,A*67").unwrap();
        assert_eq!(rmc.told.map(|t| t.0), Some(1));
        assert_eq!(read("$PXDR,1*03"), None, "a maker's own");
    }
}
