//! Files with every slip that people and tools make in them, and frames that fit none.

use super::*;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use proptest::prelude::*;

const GOOD: &str = r#"VERSION ""
BU_: A
BO_ 288 PackStatus: 8 A
 SG_ PackVoltage : 0|16@1+ (0.1,0) [0|1000] "V" A
 SG_ PackCurrent : 16|16@1- (0.1,0) [0|0] "A" A
 SG_ State : 32|8@1+ (1,0) [0|0] "" A
BO_ 289 Pages: 8 A
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" A
 SG_ Cell1 m0 : 8|16@1+ (0.001,0) [0|0] "V" A
 SG_ Cell2 m1 : 8|16@1+ (0.001,0) [0|0] "V" A
VAL_ 288 State 0 "Off" 1 "On" 255 "SNA";
"#;

fn read(text: &str) -> Result<Definitions, DbcError> {
    Definitions::from_bytes(Path::new("pack.dbc"), text.as_bytes())
}

#[track_caller]
fn sound(text: &str) -> Definitions {
    read(text).unwrap()
}

fn good() -> Definitions {
    sound(GOOD)
}

#[track_caller]
fn number(reading: Reading) -> f64 {
    reading.value().unwrap()
}

#[track_caller]
fn mistakes(text: &str) -> Vec<String> {
    read(text).unwrap_err().0.iter().map(Remark::to_string).collect()
}

fn values(definitions: &Definitions, id: u32, data: &[u8]) -> Vec<(String, Reading)> {
    let message = &definitions.messages()[definitions.find(FrameId { extended: false, id }).unwrap()];
    message.readings(data).map(|(i, r)| (message.signals[i].name.clone(), r)).collect()
}

#[test]
fn a_frame_becomes_values() {
    let file = good();
    let data = [0x10, 0x02, 0xFE, 0xFF, 0x01, 0, 0, 0];
    let expect = [("pack_voltage", 52.8), ("pack_current", -0.2), ("state", 1.0)];
    let read = values(&file, 288, &data);
    for ((name, reading), (expect_name, expect)) in read.iter().zip(expect) {
        assert_eq!(name, expect_name);
        assert!((number(*reading) - expect).abs() < 1e-12, "{name} {reading:?}");
    }
    assert_eq!(file.messages()[0].signals[2].unit(), Unit::Code);
    assert_eq!(file.find(FrameId { extended: true, id: 288 }), None, "an 11-bit identifier is no 29-bit one");
}

#[test]
fn missing_is_not_zero() {
    let file = good();
    let na = Reading::NotAvailable;
    let said = |data: &[u8]| values(&file, 288, data).into_iter().map(|(_, r)| r).collect::<Vec<_>>();
    assert_eq!(said(&[]), [na; 3], "an empty frame");
    assert_eq!(said(&[0x10, 0x02, 0, 0])[2], na, "a short one");
    // The file calls 255 "SNA"; 6553.5 V is all ones and outside the file's range; the current has no range.
    let full = said(&[0xFF; 8]);
    assert_eq!((full[0], full[2]), (na, na));
    assert!((number(full[1]) + 0.1).abs() < 1e-12);
    // Outside the range but no filling: kept, files are often careless with ranges.
    let kept = number(said(&[0xFE, 0xFF, 0, 0, 0])[0]);
    assert!((kept - 6553.4).abs() < 1e-9, "{kept}");
}

#[test]
fn only_the_page_that_is_there_speaks() {
    let file = good();
    let cells = |page| -> Vec<String> {
        let read = values(&file, 289, &[page, 0, 0x0D, 0, 0, 0, 0, 0]);
        read.into_iter().map(|(n, _)| n).filter(|n| n != "page").collect()
    };
    assert_eq!(cells(0), ["cell1"]);
    assert_eq!(cells(1), ["cell2"]);
    assert!(cells(2).is_empty());
    assert!(file.messages()[1].signals[0].is_switch);
    let multiplexers_in_a_circle = GOOD.replace("Cell1 m0", "Cell1 m0M").replace("Cell2 m1", "Cell2 m1M")
        + "SG_MUL_VAL_ 289 Cell1 Cell2 0-65535;\nSG_MUL_VAL_ 289 Cell2 Cell1 0-65535;\n";
    let file = sound(&multiplexers_in_a_circle);
    assert_eq!(values(&file, 289, &[0; 8]).len(), 1, "the page alone");
}

#[test]
fn every_mistake_at_once_with_its_line() {
    let text = GOOD
        .replace("PackVoltage : 0|16@1+", "PackVoltage : 0|16@2+")
        .replace("PackCurrent : 16|16", "PackCurrent : 16|")
        .replace("BO_ 289", "BO_ 2890");
    assert_eq!(
        mistakes(&text),
        [
            "pack.dbc:4: `SG_ PackVoltage : 0|16@2+ (0.1,0) [0|1000] \\\"V\\\"` is no signal; it is written like this: \
             `SG_ Current : 0|16@1- (0.1,0) [0|0] \"A\" Battery`",
            "pack.dbc:5: `SG_ PackCurrent : 16|@1- (0.1,0) [0|0] \\\"A\\\"` is no signal; it is written like this: \
             `SG_ Current : 0|16@1- (0.1,0) [0|0] \"A\" Battery`",
            "pack.dbc:7: 2890 is more than the 11 bits of a standard identifier; an extended one is written with \
             2147483648 added: 2147486538",
        ]
    );
}

#[test]
fn slips() {
    for (right, wrong, line, what) in [
        ("BO_ 288 PackStatus: 8 A", "BO_ 288 Pack Status: 8 A", 3, "is no message; it is written like this"),
        ("BO_ 288", "BO_ x288", 3, "`x288` is no identifier"),
        ("BO_ 288", "BO_ 3758096672", 3, "more than 29 bits"),
        ("BO_ 289 Pages", "BO_ 288 Pages", 7, "`Pages` has the identifier 120 of `PackStatus`"),
        ("0|16@1+ (0.1,0)", "510|16@1+ (0.1,0)", 4, "no frame holds that"),
        ("0|16@1+ (0.1,0)", "0|65@1+ (0.1,0)", 4, "no frame holds that"),
        ("0|16@1+ (0.1,0)", "0|16@1+ (0,0)", 4, "a factor of 0"),
        ("Page M", "Page", 9, "its message has no multiplexer"),
        ("Cell2 m1", "Cell2 M", 9, "one of 2 multiplexers"),
        ("VAL_ 288 State 0 \"Off\"", "VAL_ 288 State 0 \"Off", 11, "never ends"),
        ("VAL_ 288 State", "SIG_VALTYPE_ 288 State : 1;\nVAL_ 288 State", 6, "has 8 bits; those have 32 or 64"),
        ("VAL_ 288 State", "SIG_VALTYPE_ 288 : 1;\nVAL_ 288 State", 11, "correct it or take the line out"),
    ] {
        let found = mistakes(&GOOD.replacen(right, wrong, 1));
        // Without its multiplexer the second signal is lost too.
        assert_eq!(found.len(), if wrong == "Page" { 2 } else { 1 }, "{wrong}: {found:#?}");
        assert!(found[0].starts_with(&format!("pack.dbc:{line}: ")) && found[0].contains(what), "{wrong}: {found:?}");
    }
    for text in ["", "a letter to somebody\n", "VERSION \"\"\nBU_: A\n"] {
        assert!(mistakes(text)[0].starts_with("pack.dbc: no message is described here"), "{text}");
    }
    let error = Definitions::read(&[PathBuf::from("no/such.dbc")]).unwrap_err().to_string();
    assert!(error.starts_with("no/such.dbc: cannot read the DBC file"), "{error}");
}

#[test]
fn what_is_not_needed_cannot_stand_in_the_way() {
    let text = GOOD.to_owned()
        + "SGTYPE_ something a parser never saw;\nCAT_DEF_ 1 2 3;\nBA_ \"Odd\" SG_ 288 x \\;\nBO_ 3221225472 \
           VECTOR__INDEPENDENT_SIG_MSG: 0 Listener\n SG_ Lost : 0|8@1+ (1,0) [0|0] \"\" Listener\n";
    assert_eq!(sound(&text).messages(), good().messages());
    // Neither senders nor receivers, Windows line ends, a byte order mark, Latin-1.
    let bare = GOOD.replace("\" A\n", "\"\n").replace(": 8 A", ": 8").replace('\n', "\r\n");
    assert_eq!(sound(&format!("\u{FEFF}{bare}")).messages(), good().messages());
    let latin = GOOD.replace("\"V\"", "\"~C\"").into_bytes().into_iter().map(|b| if b == b'~' { 0xB0 } else { b });
    let file = Definitions::from_bytes(Path::new("pack.dbc"), &latin.collect::<Vec<u8>>()).unwrap();
    assert_eq!(file.messages()[0].signals[0].unit(), Unit::Celsius);
}

#[test]
fn remarks_say_what_was_not_understood() {
    let file = sound(&GOOD.replace("\"V\"", "\"furlong\"").replace("VAL_ 288 State", "VAL_ 288 State x"));
    let remarks: Vec<String> = file.remarks().iter().map(Remark::to_string).collect();
    assert_eq!(
        remarks,
        [
            "pack.dbc:11: `VAL_ 288 State x 0 \\\"Off\\\" 1 \\\"On\\\" 255 \\\"SNA\\\";` cannot be read; the names that it \
             gives are left out",
            "pack.dbc:4: the unit `furlong` is not known; the signal in this line and 2 more is recorded without a unit",
        ]
    );
    let file = sound(&format!("{GOOD}BA_ \"ProtocolType\" \"J1939\";\n"));
    assert!(file.remarks()[0].text.contains("identifiers are compared whole"));
}

#[test]
fn long_names_replace_short_ones_and_equal_ones_are_told_apart() {
    let long = GOOD.to_owned()
        + "BA_ \"SystemMessageLongSymbol\" BO_ 288 \"TheWholeStatusOfThePack\";\n\
           BA_ \"SystemSignalLongSymbol\" SG_ 288 State \"StateOfTheContactors\";\n";
    let file = sound(&long);
    assert_eq!(file.messages()[0].name, "the_whole_status_of_the_pack");
    assert_eq!(file.messages()[0].signals[2].name, "state_of_the_contactors");
    let file = sound(&GOOD.replace("Pages", "Pack_Status").replace("Cell2", "cell1"));
    assert_eq!(file.messages()[1].name, "pack_status_121");
    let names: Vec<&str> = file.messages()[1].signals.iter().map(|s| s.name.as_str()).collect();
    assert_eq!(names, ["page", "cell1", "cell1_2"]);
}

proptest! {
    /// No file makes it panic: bytes of a good one changed, doubled or lost.
    #[test]
    fn damaged_files_are_read_or_refused(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0_u8..3), 0..8),
    ) {
        let mut bytes = GOOD.as_bytes().to_vec();
        for (place, byte, how) in changes {
            let i = place.index(bytes.len());
            match how {
                0 => bytes[i] = byte,
                1 => bytes.insert(i, byte),
                _ => { bytes.remove(i); }
            }
        }
        if let Ok(file) = Definitions::from_bytes(Path::new("pack.dbc"), &bytes) {
            for message in file.messages() {
                prop_assert!(message.readings(&[0xA5; 64]).count() <= message.signals.len());
                prop_assert_eq!(message.readings(&[]).filter(|(_, r)| r.value().is_some()).count(), 0);
            }
        }
    }

    /// Statements in any order with numbers of any size.
    #[test]
    fn hostile_numbers(id: u64, start: u64, size: u64, code in any::<i64>(), factor in any::<f64>(), data: [u8; 8]) {
        let text = format!(
            "BO_ {id} M: {size} A\n SG_ S : {start}|{size}@0- ({factor},{factor}) [{factor}|0] \"V\" A\n\
             SG_ T M : {}|{}@1+ (1,{factor}) [0|0] \"%\" A\nVAL_ {id} S {code} \"SNA\";\nSG_MUL_VAL_ {id} S T {size}-{start};\n",
            start % 600, size % 70
        );
        if let Ok(file) = read(&text) {
            for (_, reading) in file.messages()[0].readings(&data) {
                prop_assert!(reading.value().is_none_or(f64::is_finite));
            }
        }
    }

    /// The extraction against the plainest one: bit by bit, in the order of the format.
    #[test]
    fn places_against_single_bits(start in 0_u64..64, bits in 1_u64..=64, motorola: bool, data: [u8; 8]) {
        let order = if motorola { ByteOrder::Motorola } else { ByteOrder::Intel };
        let bit = |n: u64| data.get((n / 8) as usize).map(|b| u64::from(b >> (n % 8) & 1));
        let mut place = start;
        let mut expected = Some(0_u64);
        for i in 0..bits {
            let b = bit(place);
            expected = expected.zip(b).map(|(n, b)| if motorola { n << 1 | b } else { n | b << i });
            place = if motorola && place % 8 == 0 { place + 15 } else if motorola { place - 1 } else { place + 1 };
        }
        prop_assert_eq!(signal::Place::new(order, start, bits).unwrap().extract(&data), expected);
    }
}
