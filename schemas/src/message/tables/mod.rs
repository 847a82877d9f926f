//! One room per protocol, rows only.

mod n2k;
mod rows;

use super::{MessageDef, Protocol};

/// Every message of a protocol, by rising number.
pub fn all(protocol: Protocol) -> &'static [&'static MessageDef] {
    match protocol {
        Protocol::N2k => n2k::MESSAGES,
    }
}

/// The message of this number, if we have it.
pub fn find(protocol: Protocol, number: u32) -> Option<&'static MessageDef> {
    let rows = all(protocol);
    rows.binary_search_by_key(&number, |def| def.number).ok().and_then(|i| rows.get(i).copied())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::{FieldKind, Transport};

    #[test]
    fn rows_are_sorted_gapless_and_consistent() {
        let rows = all(Protocol::N2k);
        assert!(rows.windows(2).all(|w| w[0].number < w[1].number));
        for def in rows {
            assert_eq!(find(def.protocol, def.number), Some(*def));
            let mut next = 0;
            for field in def.fields {
                assert_eq!(field.bit, next, "{} {}", def.number, field.name);
                next += field.bits;
                assert!(field.bits <= 64 || matches!(field.kind, FieldKind::Text | FieldKind::Reserved));
                if let FieldKind::Number { signed, scale, .. } = field.kind {
                    assert!(signed || field.bits < 64);
                    assert!(field.bits <= 32 || (scale.step == 1 && scale.offset == 0), "scaling must not overflow");
                }
                if field.unit().is_some() {
                    assert!(field.name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_'));
                }
            }
            assert_eq!(next % 8, 0, "{} ends within a byte", def.number);
            assert!(def.transport == Transport::Fast || next == 64, "{} is no full frame", def.number);
            let counts = def.fields.iter().filter(|f| f.kind == FieldKind::Count).count();
            assert_eq!(counts, usize::from(def.repeat.is_some()), "{}", def.number);
        }
    }
}
