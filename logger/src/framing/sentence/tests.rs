use super::*;
use proptest::prelude::*;

const BATTERY: &str = "$IIXDR,C,27.5,C,BATT1,U,13.42,V,BATT1,I,-8.3,A,BATT1*4B";
const WATER: &str = "$IIMTW,18.5,C*1F";

fn at(ms: i64) -> Timestamp {
    Timestamp::from_millis(ms)
}

/// Sentences of a stream that comes in pieces: milliseconds, bytes.
fn stream(pieces: &[(i64, &[u8])]) -> (Vec<(i64, String)>, SentenceCounters) {
    let mut sentences = Sentences::default();
    let mut found = Vec::new();
    for (ms, bytes) in pieces {
        sentences.push(at(*ms), bytes, |time, s| found.push((time.millis(), format!("{}{}", s.talker, s.formatter))));
    }
    (found, sentences.counters())
}

fn one(text: &str) -> (usize, SentenceCounters) {
    let (found, counters) = stream(&[(0, text.as_bytes())]);
    (found.len(), counters)
}

#[test]
fn recorded_sentences_are_read() {
    let file: serde_json::Value = serde_json::from_str(include_str!("../../../../tests/vectors/serial.json")).unwrap();
    let vectors = file["nmea0183"]["vectors"].as_array().unwrap();
    assert!(vectors.len() >= 8);
    for vector in vectors {
        let text = vector["sentence"].as_str().unwrap();
        let sentence = parse_sentence(text.as_bytes()).unwrap();
        assert_eq!(format!("${}{}", sentence.talker, sentence.formatter), text[..6]);
        let fields = text[7..text.len() - 3].split(',').collect::<Vec<_>>();
        assert_eq!(sentence.fields, fields);
        let first = vector["parsed"]["Transducer data value"].as_str();
        assert!(first.is_none_or(|value| value == sentence.fields[1]), "{text}");
    }
}

#[test]
fn a_sentence_has_the_time_of_its_first_byte() {
    let (a, b) = WATER.split_at(7);
    let (found, counters) = stream(&[(0, b"\r\n"), (100, a.as_bytes()), (150, b.as_bytes()), (160, b"\r\n$II")]);
    assert_eq!(found, [(100, "IIMTW".to_owned())]);
    assert_eq!(counters, SentenceCounters { good: 1, ..SentenceCounters::default() });
}

#[test]
fn noise_costs_the_noise_only() {
    let text = format!("\u{1}\u{2}xx{WATER}\r\n??{BATTERY}\n\r\n$IIM\u{0}TW,1{WATER}\r$IIMT{WATER}\r\n");
    let (found, counters) = one(&text);
    assert_eq!(found, 4);
    let expected = SentenceCounters { good: 4, cut: 2, dropped_bytes: 6 + 5 + 4 + 5, ..SentenceCounters::default() };
    assert_eq!(counters, expected);
}

#[test]
fn a_damaged_sentence_is_never_used() {
    let good = SentenceCounters::default();
    assert_eq!(
        one(&format!("{}\r\n", WATER.replace("18.5", "18.6"))),
        (0, SentenceCounters { bad_checksum: 1, ..good })
    );
    assert_eq!(one("$IIMTW,18.5,C\r\n"), (0, SentenceCounters { no_checksum: 1, ..good }));
    assert_eq!(one("$IIMTW,18.5,C*1\r\n"), (0, SentenceCounters { bad_checksum: 1, ..good }));
    assert_eq!(one("$IIMTW,18.5,C*+f\r\n").0, 0);
    assert_eq!(one(&format!("{}\r\n", WATER.replace("*1F", "*1f"))).0, 1, "small letters are as good");
}

#[test]
fn a_device_that_stops_in_mid_sentence_spoils_nothing() {
    let (found, counters) =
        stream(&[(0, b"$IIMTW,18"), (5000, b".5,C*1F\r\n"), (6000, WATER.as_bytes()), (6010, b"\r\n")]);
    assert_eq!(found, [(6000, "IIMTW".to_owned())], "half a sentence of long ago is not completed");
    assert_eq!((counters.good, counters.cut), (1, 1));
}

#[test]
fn tag_blocks_are_skipped() {
    let text = format!("\\s:eng,c:1700000000*5B\\{WATER}\r\n");
    assert_eq!(one(&text), (1, SentenceCounters { good: 1, ..SentenceCounters::default() }));
    assert_eq!(parse_sentence(text.as_bytes()).unwrap().formatter, "MTW");
    let text = format!("\\never ended\r\n{WATER}\r\n");
    assert_eq!(one(&text).0, 1);
}

#[test]
fn lengths() {
    let sentence = |n: usize| {
        let body = format!("IIXDR,G,1,,{}", "x".repeat(n));
        let sum = body.bytes().fold(0, |s, b| s ^ b);
        format!("${body}*{sum:02X}\r\n")
    };
    assert_eq!(sentence(65).len(), 82);
    assert_eq!(one(&sentence(65)), (1, SentenceCounters { good: 1, ..SentenceCounters::default() }));
    assert_eq!(one(&sentence(66)).1.over_length, 1, "beyond the standard, and used");
    assert_eq!(one(&sentence(500)).0, 0);
    assert_eq!(parse_sentence(sentence(500).as_bytes()), Err(SentenceProblem::TooLong));
    let (found, counters) =
        stream(&[(0, &vec![b'$'; 100_000]), (1, &vec![b'a'; 100_000]), (2, WATER.as_bytes()), (3, b"\n")]);
    assert_eq!((found.len(), counters.good), (1, 1));
}

#[test]
fn makers_own_and_encapsulated_sentences_have_an_address_too() {
    let read = |text: &'static str| parse_sentence(text.as_bytes()).map(|s| (s.talker, s.formatter));
    assert_eq!(read("$PABC,1*0D"), Ok(("P", "ABC")));
    assert_eq!(read("hello"), Err(SentenceProblem::NoSentence));
    assert_eq!(read("$*00"), Err(SentenceProblem::NoSentence));
    assert_eq!(read("$P*50"), Err(SentenceProblem::NoSentence));
    assert_eq!(read("$\u{e9}*00"), Err(SentenceProblem::Malformed));
}

proptest! {
    #[test]
    fn any_bytes_in_any_pieces(bytes in prop::collection::vec(any::<u8>(), 0..2000), piece in 1_usize..300) {
        let mut sentences = Sentences::default();
        for part in bytes.chunks(piece) {
            sentences.push(at(0), part, |_, _| {});
            prop_assert!(sentences.buffer.len() <= LONGEST);
        }
        let c = sentences.counters();
        prop_assert!(c.dropped_bytes <= bytes.len() as u64);
        let _ = parse_sentence(&bytes);
    }

    #[test]
    fn sentences_survive_any_noise_between_them(
        noise in prop::collection::vec(prop::collection::vec(any::<u8>().prop_filter("noise", |b| *b != b'\\'), 0..40), 1..20),
        piece in 1_usize..50,
    ) {
        // A line end in front of each, as a sender that was silent has sent it: noise cannot reach over it.
        let mut bytes = Vec::new();
        for n in &noise {
            bytes.extend_from_slice(n);
            bytes.extend_from_slice(format!("\r\n{WATER}\r\n").as_bytes());
        }
        let pieces: Vec<(i64, &[u8])> = bytes.chunks(piece).map(|p| (0, p)).collect();
        prop_assert!(stream(&pieces).0.len() >= noise.len());
    }
}
