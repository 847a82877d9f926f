//! Decoder and encoder together. The bytes of the first tests were made with PyPI nmea2000 2026.10.3 (CANboat
//! database) and, where said, confirmed by PyPI n2k 0.5.0 (a port of the NMEA2000 C++ library).

use super::*;
use crate::sample::Reading::{self, NotAvailable, OutOfRange, Reserved, Value};
use proptest::prelude::*;

/// What cannot be missing in a test.
fn there<T>(value: Option<T>) -> T {
    value.expect("it is there")
}

fn row(number: u32) -> &'static MessageDef {
    there(find(Protocol::N2k, number))
}

/// A message that can be encoded.
fn encoded(row: &'static MessageDef, instance: Option<u32>, values: &[(&str, FieldValue)]) -> Vec<u8> {
    there(encode(row, instance, values).ok())
}

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|i| there(u8::from_str_radix(&hex[i..i + 2], 16).ok())).collect()
}

fn reading(decoded: &Decoded, name: &str) -> Reading {
    match decoded.get(name) {
        Some(FieldValue::Reading(reading)) => *reading,
        other => panic!("{name}: {other:?}"),
    }
}

#[test]
fn a_battery_in_channel_units_with_clean_decimals() {
    let battery = decode(row(127508), &bytes("00fb04adff777401")); // both libraries
    assert_eq!((battery.instance, battery.sequence), (Some(0), Some(1)));
    let channels: Vec<_> = battery.channels().map(|(n, u, r)| format!("{n} {} {u}", there(r.value()))).collect();
    assert_eq!(channels, ["battery_voltage 12.75 V", "battery_current -8.3 A", "battery_temperature 25 degC"]);
}

#[test]
fn what_is_not_available_is_not_a_number() {
    let battery = decode(row(127508), &bytes("03ff7fff7fffffff")); // both libraries
    assert_eq!(battery.sequence, None);
    assert!(battery.channels().all(|(_, _, r)| r == NotAvailable));
    let error = decode(row(127508), &bytes("fefe7ffd7ffefffc"));
    assert_eq!((error.instance, error.sequence), (None, None));
    let readings: Vec<_> = error.channels().map(|(_, _, r)| r).collect();
    assert_eq!(readings, [OutOfRange, Reserved, OutOfRange]);
}

#[test]
fn a_short_payload_lacks_its_last_fields() {
    let short = decode(row(127508), &bytes("01a005b8"));
    assert_eq!(reading(&short, "battery_voltage"), Value(14.4));
    assert_eq!(reading(&short, "battery_current"), NotAvailable);
    assert_eq!(decode(row(127508), &[]).fields.len(), 3);
}

#[test]
fn no_current_is_zero_and_not_missing() {
    let idle = decode(row(127751), &bytes("02020000000000ff"));
    assert_eq!(reading(&idle, "dc_current"), Value(0.0));
    let off = decode(row(127751), &bytes("0202ff7fffff7fff"));
    assert_eq!(reading(&off, "dc_voltage"), NotAvailable, "the signed reading's code");
    assert_eq!(reading(&off, "dc_current"), NotAvailable);
    // Seven bytes, and nine as the C++ library writes, are as good as eight.
    for hex in ["01011d0220d1ff", "01011d0220d1ffffff"] {
        assert_eq!(reading(&decode(row(127751), &bytes(hex)), "dc_current"), Value(-120.0));
    }
}

#[test]
fn flags_that_are_all_ones_raise_no_alarm() {
    let status = |one: &str, two: &str| {
        let payload = format!("00ac0d2f0ee78b87052a0020c94300ffffffffff{one}{two}2328");
        let engine = decode(row(127489), &bytes(&payload));
        (reading(&engine, "discrete_status_1"), reading(&engine, "discrete_status_2"))
    };
    assert_eq!(status("ffff", "ffff"), (NotAvailable, NotAvailable));
    assert_eq!(status("00ff", "0002"), (NotAvailable, Value(512.0)));
    assert_eq!(status("0002", "0000"), (Value(512.0), Value(0.0)));
}

#[test]
fn codes_with_a_name_are_values_whatever_their_place() {
    let gear = |code: u8| reading(&decode(row(127493), &[0, code, 0, 0, 0, 0, 0, 0]), "transmission_gear");
    assert_eq!([gear(2), gear(3)], [Value(2.0), NotAvailable]);
    let charger = |byte: u8| decode(row(127507), &[0, 0, byte, 0, 0, 0]);
    assert_eq!(reading(&charger(0xF1), "operating_state"), Value(1.0));
    assert_eq!(reading(&charger(0xFE), "operating_state"), OutOfRange);
    assert_eq!(reading(&charger(0xDD), "charge_mode"), Reserved);
    let states = decode(row(127750), &bytes("010109f6ffffffff"));
    assert_eq!(reading(&states, "temperature_state"), Value(2.0));
    assert_eq!(reading(&states, "overload_state"), Value(1.0));
    assert_eq!(reading(&states, "ripple_state"), NotAvailable);
    let field = there(states.fields.first()).field;
    assert_eq!((field.name, field.code_name(9)), ("operating_state", Some("Inverting")));
}

/// The payload of 127503 with these lines and voltages (in hundredths), everything else not available.
fn lines(count: u8, sets: &[(u8, u16)]) -> Vec<u8> {
    let mut payload = vec![0, count];
    for (line, volts) in sets {
        payload.push(0xFC | line);
        payload.extend(volts.to_le_bytes());
        payload.extend([0xFF; 14]);
        payload.push(0x7F);
    }
    payload
}

fn voltages(payload: &[u8]) -> Vec<(String, f64)> {
    let ac = decode(row(127503), payload);
    ac.channels().filter(|(n, ..)| n.starts_with("voltage")).map(|(n, _, r)| (n.into(), there(r.value()))).collect()
}

#[test]
fn lines_are_numbered_by_what_they_say_if_that_makes_sense() {
    let named =
        |names: [&str; 2]| names.iter().zip([230.0, 231.0]).map(|(n, v)| (n.to_string(), v)).collect::<Vec<_>>();
    assert_eq!(voltages(&lines(2, &[(0, 23000), (1, 23100)])), named(["voltage", "voltage_2"]));
    assert_eq!(voltages(&lines(2, &[(2, 23000), (0, 23100)])), named(["voltage_3", "voltage"]));
    for senseless in [[(1, 23000), (1, 23100)], [(3, 23000), (0, 23100)]] {
        assert_eq!(voltages(&lines(2, &senseless)), named(["voltage", "voltage_2"]), "by place");
    }
}

#[test]
fn sets_are_bounded_by_their_count_and_by_the_payload() {
    let three = [(0, 100), (1, 200), (2, 300)];
    assert_eq!(voltages(&lines(2, &three)).len(), 2);
    assert_eq!(voltages(&lines(200, &three)).len(), 3);
    assert_eq!(voltages(&lines(0, &three)).len(), 0);
    assert_eq!(voltages(&lines(255, &three)).len(), 3, "no count: as many as there are");
    let mut cut = lines(2, &three[..2]);
    cut.truncate(2 + 18 + 5);
    let ac = decode(row(127503), &cut);
    assert_eq!(reading(&ac, "voltage_2"), Value(2.0));
    assert_eq!(reading(&ac, "real_power_2"), NotAvailable);
}

#[test]
fn a_position_keeps_its_digits() {
    let fix = bytes("01204e886425024080131873e65e0500001d7f7f0bb2fe20bcbe0000000000ffff096e00ff7fffffff7f00");
    let fix = decode(row(129029), &fix);
    // Their encoder multiplied doubles: the bytes say 38.7 and 64 units of 1e-16 degree.
    assert!((there(reading(&fix, "latitude").value()) - 38.7).abs() < 1e-14);
    assert_eq!(reading(&fix, "longitude"), Value(-9.4));
    assert_eq!(reading(&fix, "altitude"), Value(12.5));
    assert_eq!(reading(&fix, "hdop"), Value(1.1));
    assert_eq!(reading(&fix, "time"), Value(3600.5));
}

#[test]
fn texts_lose_their_padding_and_whatever_a_terminal_would_obey() {
    let mut payload = vec![0xFF; 134];
    let texts = ["DC shunt\0\0@@", "1.0 @@@@", "\u{1b}[31mred\n", "42"];
    for (text, start) in texts.iter().zip([4, 36, 68, 100]) {
        payload[start..start + text.len()].copy_from_slice(text.as_bytes());
    }
    let product = decode(row(126996), &payload);
    let found: Vec<_> = product.texts().map(|(_, text)| text).collect();
    assert_eq!(found, ["DC shunt", "1.0", "[31mred", "42"]);
    assert_eq!(product.channels().count(), 0);
    assert_eq!(decode(row(126996), &payload[..70]).texts().count(), 3);
}

#[test]
fn the_encoder_fills_in_what_is_not_given() {
    let encoded = |number, instance, values: &[(&str, FieldValue)]| encoded(row(number), instance, values);
    assert_eq!(encoded(127508, None, &[]), bytes("ffff7fff7fffffff"));
    assert_eq!(encoded(127508, Some(3), &[]), bytes("03ff7fff7fffffff")); // both libraries
    assert_eq!(encoded(127489, Some(0), &[]), bytes("00ffffffffffffff7fff7fffffffffffffffffffffffffff7f7f"));
    assert_eq!(encoded(127503, Some(0), &[]), bytes("0000"));
    let second = encoded(127503, Some(0), &[("voltage_2", 230.0.into()), ("acceptability_2", 3.0.into())]);
    assert_eq!(second, lines(1, &[(1, 23000)]));
    let product = encoded(126996, None, &[("model_id", "DC shunt".into()), ("product_code", 100.0.into())]);
    assert_eq!(product[2..12], bytes("6400444320736875 6e74".replace(' ', "").as_str()));
    assert!(product[12..].iter().all(|b| *b == 0xFF));
    let name = [("unique_number", 1234.0), ("manufacturer_code", 999.0), ("device_instance_lower", 1.0)];
    let rest = [("device_instance_upper", 0.0), ("device_function", 130.0), ("device_class", 35.0)];
    let last = [("system_instance", 0.0), ("industry_group", 4.0), ("arbitrary_address_capable", 1.0)];
    let claim: Vec<_> = [name, rest, last].concat().into_iter().map(|(n, v)| (n, v.into())).collect();
    assert_eq!(encoded(60928, None, &claim), bytes("d204e07c018246c0"));
}

#[test]
fn the_encoder_refuses_instead_of_clipping() {
    let refused = |number, instance, name: &str, value: FieldValue| {
        encode(row(number), instance, &[(name, value)]).unwrap_err().to_string()
    };
    assert_eq!(refused(127508, None, "volts", 1.0.into()), "message 127508 has no field `volts` to set");
    assert_eq!(
        refused(127508, None, "battery_voltage_2", 1.0.into()),
        "message 127508 has no field `battery_voltage_2` to set"
    );
    assert_eq!(refused(127503, None, "line", 1.0.into()), "message 127503 has no field `line` to set");
    for (name, value) in [("battery_voltage", 327.65), ("battery_voltage", f64::NAN), ("battery_current", -3276.8)] {
        assert!(refused(127508, None, name, value.into()).contains("does not fit into field"), "{name} {value}");
    }
    assert!(refused(127751, None, "dc_voltage", 3276.7.into()).contains("does not fit"), "reads as not available");
    assert!(refused(127507, None, "operating_state", 14.0.into()).contains("does not fit"));
    assert!(refused(127507, None, "operating_state", 1.5.into()).contains("does not fit"));
    assert!(refused(127489, None, "discrete_status_1", 65280.0.into()).contains("does not fit"));
    assert!(refused(126996, None, "model_id", "x".repeat(33).as_str().into()).contains("does not fit"));
    assert!(refused(127508, None, "battery_voltage", "x".into()).contains("does not fit"));
    assert_eq!(refused(127508, Some(253), "battery_voltage", 1.0.into()), "message 127508 cannot carry instance 253");
    assert_eq!(refused(126992, Some(1), "time", 1.0.into()), "message 126992 cannot carry instance 1");
    assert!(refused(127503, None, "voltage_5", 1.0.into()).contains("`line`"));
    assert_eq!(
        refused(129029, None, "reference_station_type_100", 1.0.into()),
        "message 129029 would be 443 bytes long"
    );
}

fn rvc(number: u32) -> &'static MessageDef {
    there(find(Protocol::Rvc, number))
}

#[test]
fn a_message_about_one_line_names_its_fields_after_it() {
    let ac = |byte: u8| {
        let decoded = decode(rvc(0x1FFCA), &[byte, 0xF8, 0x11, 0x82, 0x7D, 0, 0x19, 0xFF]);
        let names: Vec<String> = decoded.channels().map(|(name, ..)| name.into_owned()).collect();
        (decoded.instance, names[0].clone(), decoded.side())
    };
    assert_eq!(ac(0x01), (Some(1), "rms_voltage".into(), None));
    assert_eq!(ac(0x12), (Some(2), "rms_voltage_2".into(), None));
    assert_eq!(ac(0x41), (Some(1), "rms_voltage".into(), Some("output")));
    assert_eq!(ac(0xFF), (None, "rms_voltage".into(), None), "nothing said");
    let inverter = decode(rvc(0x1FFD7), &[0x01, 0, 0, 0, 0, 0, 0, 0]);
    assert_eq!(inverter.side(), Some("input"), "an inverter's own side is the output");

    let volts = |name| [("input_output", FieldValue::from(0.0)), (name, 230.0.into())];
    assert_eq!(encoded(rvc(0x1FFCA), Some(1), &volts("rms_voltage_2")), bytes("11f811ffffffffff"));
    let both = [("rms_voltage", 230.0.into()), ("rms_current_2", 1.0.into())];
    assert!(encode(rvc(0x1FFCA), Some(1), &both).is_err(), "one message, one line");
    assert!(encode(rvc(0x1FFCA), Some(1), &volts("rms_voltage_4")).is_err());
    assert!(encode(rvc(0x1FFCA), Some(15), &volts("rms_voltage")).is_err(), "15 is no instance");
}

#[test]
fn a_number_in_pieces_is_one_number() {
    // SPN 0x54321 around FMI 21, as SAE J1939-73 and as RV-C lay it out (from memory; two public decoders agree on
    // each).
    let j1939 = there(find(Protocol::J1939, 65226));
    let said =
        [("suspect_parameter_number", FieldValue::from(f64::from(0x5_4321))), ("failure_mode_identifier", 21.0.into())];
    assert_eq!(encoded(j1939, None, &said), bytes("ffff2143b5ff"));
    let decoded = decode(j1939, &bytes("04ff2143b505ffff"));
    assert_eq!(reading(&decoded, "suspect_parameter_number"), Value(f64::from(0x5_4321)));
    assert_eq!(reading(&decoded, "failure_mode_identifier"), Value(21.0));
    assert_eq!(reading(&decoded, "amber_warning_lamp"), Value(1.0));
    assert_eq!(encoded(rvc(0x1FECA), None, &said), bytes("ffffa86435ffffff"));
    let decoded = decode(rvc(0x1FECA), &bytes("0544a8643501ffff"));
    assert_eq!(reading(&decoded, "suspect_parameter_number"), Value(f64::from(0x5_4321)));
    assert_eq!(reading(&decode(rvc(0x1FECA), &[0xFF; 8]), "suspect_parameter_number"), NotAvailable);
    assert_eq!(
        reading(&decode(rvc(0x1FECA), &[0xFF, 0xFF, 0, 0]), "suspect_parameter_number"),
        NotAvailable,
        "cut off"
    );
    let too_high = [("suspect_parameter_number", f64::from(0x7_FFFF).into())];
    assert!(encode(j1939, None, &too_high).is_err(), "reads as not available");
}

#[test]
fn senders_have_a_rank_or_none() {
    assert_eq!(decode(rvc(0x1FFFD), &[1, 120, 0, 0, 0, 0, 0, 0]).rank(), Some(120));
    assert_eq!(decode(rvc(0x1FFFD), &[1, 255, 0, 0, 0, 0, 0, 0]).rank(), Some(0), "not said");
    assert_eq!(decode(rvc(0x1FFC7), &[1, 120, 0, 0, 0, 0, 0, 0]).rank(), None);
}

/// Everything that was decoded, as the encoder takes it.
fn said(decoded: &Decoded) -> Vec<(String, FieldValue)> {
    let number = |set: u8| if set == 0 { String::new() } else { format!("_{}", u16::from(set) + 1) };
    let fields = decoded.fields.iter().map(|f| (f.field.name.to_owned() + &number(f.set), f.value.clone()));
    fields.chain(decoded.sequence.map(|n| ("sid".to_owned(), f64::from(n).into()))).collect()
}

fn again(decoded: &Decoded) -> Vec<u8> {
    let said = said(decoded);
    let values: Vec<_> = said.iter().map(|(name, value)| (name.as_str(), value.clone())).collect();
    encoded(decoded.def, decoded.instance, &values)
}

fn any_row() -> impl Strategy<Value = &'static MessageDef> {
    let rows: Vec<&MessageDef> = Protocol::ALL.iter().flat_map(|p| all(*p)).copied().collect();
    proptest::sample::select(rows)
}

/// A payload with every field that stands once and up to five sets; texts within ASCII, since what is no UTF-8 grows
/// when it is decoded.
fn whole_payload(def: &'static MessageDef) -> impl Strategy<Value = Vec<u8>> {
    let (once, repeating) = def.parts();
    let bits = |fields: &[Field]| fields.iter().map(|f| usize::from(f.bits)).sum::<usize>();
    let (start, width) = (bits(once) / 8, bits(repeating) / 8);
    let has_text = once.iter().any(|f| f.kind == FieldKind::Text);
    (0usize..=5).prop_flat_map(move |sets| {
        let byte = prop_oneof![4 => any::<u8>(), 1 => Just(0xFF), 1 => Just(0x7F), 1 => 0u8..4];
        proptest::collection::vec(byte, start + sets * width)
            .prop_map(move |bytes| bytes.into_iter().map(|b| if has_text { b & 0x7F } else { b }).collect())
    })
}

proptest! {
    #[test]
    fn any_payload_decodes(def in any_row(), payload in proptest::collection::vec(any::<u8>(), 0..300)) {
        let decoded = decode(def, &payload);
        let (once, repeating) = def.parts();
        prop_assert!(decoded.fields.len() <= once.len() + repeating.len() * payload.len());
        prop_assert!(decoded.texts().all(|(_, text)| !text.contains(char::is_control) && text.len() <= 32 * 3));
        prop_assert!(decoded.channels().all(|(_, _, r)| !matches!(r, Value(v) if !v.is_finite())));
    }

    #[test]
    fn what_was_decoded_encodes_to_what_decodes_the_same(
        (def, payload) in any_row().prop_flat_map(|def| (Just(def), whole_payload(def)))
    ) {
        let mut first = decode(def, &payload);
        let second = decode(def, &again(&first));
        // The encoder writes lines by rising number.
        first.fields.sort_by_key(|f| f.set);
        // 64-bit positions have more digits than a double, so that their last one may change.
        prop_assert_eq!(first.fields.len(), second.fields.len());
        for (a, b) in first.fields.iter().zip(&second.fields) {
            match (&a.value, &b.value) {
                (FieldValue::Reading(Value(x)), FieldValue::Reading(Value(y))) if a.field.bits == 64 => {
                    prop_assert!((x - y).abs() <= x.abs() * 1e-15, "{x} {y}");
                }
                _ => prop_assert_eq!(a, b),
            }
        }
        prop_assert_eq!((first.instance, first.sequence), (second.instance, second.sequence));
        if !def.fields.iter().any(|f| f.bits == 64) {
            prop_assert_eq!(again(&first), again(&second));
        }
    }
}
