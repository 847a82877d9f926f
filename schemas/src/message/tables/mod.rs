//! One room per protocol, rows only.

mod canopen;
mod j1939;
mod n2k;
mod rows;
mod rvc;

use super::{MessageDef, Protocol};

/// Every message of a protocol, by rising number.
pub fn all(protocol: Protocol) -> &'static [&'static MessageDef] {
    match protocol {
        Protocol::N2k => n2k::MESSAGES,
        Protocol::Rvc => rvc::MESSAGES,
        Protocol::J1939 => j1939::MESSAGES,
        Protocol::Canopen => canopen::MESSAGES,
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
        for protocol in Protocol::ALL {
            assert!(all(protocol).windows(2).all(|w| w[0].number < w[1].number), "{protocol:?}");
            for def in all(protocol) {
                assert_eq!(def.protocol, protocol, "{}", def.number);
                assert_eq!(find(def.protocol, def.number), Some(*def));
                check(def);
            }
        }
    }

    fn check(def: &MessageDef) {
        let mut next = 0;
        for field in def.fields {
            assert_eq!(field.bit, next, "{} {}", def.number, field.name);
            next += field.bits;
            assert!(field.bits <= 64 || matches!(field.kind, FieldKind::Text | FieldKind::Reserved));
            match field.kind {
                FieldKind::Number { signed, scale, .. } => {
                    assert!(signed || field.bits < 64);
                    assert!(field.bits <= 32 || (scale.step == 1 && scale.offset == 0), "scaling must not overflow");
                }
                FieldKind::Joined { shift, pieces } => {
                    let mut places: Vec<(u16, u16)> = pieces.iter().map(|(_, bits, place)| (*place, *bits)).collect();
                    places.push((shift, field.bits));
                    places.sort_unstable();
                    let end = places.iter().try_fold(0, |at, (place, bits)| (at == *place).then_some(at + bits));
                    assert!(end.is_some_and(|bits| bits <= 64), "{} {} has holes", def.number, field.name);
                    for (bit, bits, _) in pieces {
                        let is = |f: &&super::super::Field| (f.bit, f.bits) == (*bit, *bits);
                        assert_eq!(def.fields.iter().find(is).map(|f| &f.kind), Some(&FieldKind::Piece));
                    }
                }
                _ => {}
            }
            if field.unit().is_some() {
                assert!(field.name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_'));
            }
        }
        assert_eq!(next % 8, 0, "{} ends within a byte", def.number);
        // CANopen fills no frames; SAE J1939 has messages that go by transport protocol.
        let longer = def.protocol == Protocol::J1939 && (next > 64 || def.repeat.is_some());
        let full = def.transport == Transport::Fast || !def.protocol.is_extended() || longer || next == 64;
        assert!(full, "{} is no full frame", def.number);
        let count = |kind| def.fields.iter().filter(|f| f.kind == kind).count();
        assert!(count(FieldKind::Count) <= usize::from(def.repeat.is_some()), "{}", def.number);
        let (once, _) = def.parts();
        let by_line = once.iter().any(|f| f.kind == FieldKind::SetIndex);
        assert!(!by_line || def.repeat.is_none(), "{} counts its sets twice", def.number);
    }

    #[test]
    fn messages_of_one_node_share_no_field_name() {
        // Their channels have the node's number for a message.
        let mut names: Vec<&str> = all(Protocol::Canopen)
            .iter()
            .flat_map(|def| def.fields.iter().filter(|f| f.unit().is_some()).map(|f| f.name))
            .collect();
        names.sort_unstable();
        assert!(names.windows(2).all(|w| w[0] != w[1]), "{names:?}");
    }
}
