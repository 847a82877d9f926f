use super::*;
use proptest::prelude::*;

const XDR: &str = "$IIXDR,C,27.5,C,BATT1,U,13.42,V,BATT1,I,-8.3,A,BATT1*4B";
/// 2026-06-01T12:00:00Z.
const NOON: i64 = 1_780_315_200_000_000;

fn stamp(front: &str) -> Result<(Option<String>, Stamp), &'static str> {
    match SentenceLog::default().read(format!("{front}{XDR}").as_bytes()) {
        Line::Sentence(Logged { bus, stamp, readings, unusable: 0 }) => {
            assert_eq!((readings.message.as_ref(), readings.values.len()), ("xdr", 3));
            Ok((bus.map(|b| String::from_utf8(b.to_vec()).unwrap()), stamp))
        }
        Line::Problem(problem) => Err(problem),
        other => panic!("{other:?}"),
    }
}

#[test]
fn every_form_of_time() {
    let (at, quarter) = (Stamp::Seconds(NOON), Stamp::Seconds(NOON + 250_000));
    for (front, bus, expected) in [
        ("(1780315200.250000) aft ", "aft", quarter),
        ("(1780315200.250000) ", "", quarter),
        ("(2026-06-01 12:00:00.250000) aft ", "aft", Stamp::Calendar(NOON + 250_000)),
        ("1780315200 ", "", at),
        ("1780315200.25 ", "", quarter),
        ("1780315200.250000123 aft ", "aft", quarter),
        ("1780315200250 ", "", quarter),
        ("1780315200250000,", "", quarter),
        ("1780315200250000999 | ", "", quarter),
        ("0.25 ", "", Stamp::Seconds(250_000)),
        ("2026-06-01T12:00:00.25Z ", "", quarter),
        ("2026-06-01T14:00:00+02:00 ", "", at),
        ("2026-06-01T14:00:00,250000000+0200\t", "", quarter),
        ("[2026-06-01 12:00:00.250Z] ", "", quarter),
        ("2026-06-01 12:00:00.250 ", "", Stamp::Calendar(NOON + 250_000)),
        ("2026-06-01 12:00:00.25: ", "", Stamp::Calendar(NOON + 250_000)),
        ("2026-06-01T12:00:00Z aft: ", "aft", at),
        ("\\c:1780315200,s:Aft*64\\", "Aft", at),
        ("\\s:aft,c:1780315200250*73\\", "aft", quarter),
        ("1780315200 \\s:aft*3A\\", "aft", at),
    ] {
        let bus = Some(bus.to_owned()).filter(|b| !b.is_empty());
        assert_eq!(stamp(front), Ok((bus, expected)), "{front}");
    }
    for front in ["", "some text ", "17 ", "99999999999999999999 ", "\\g:1-2-1234*5A\\", "2026-13-01T12:00:00Z "] {
        assert_eq!(stamp(front), Err("sentence_without_time"), "{front}");
    }
    for front in ["\\c:1780315200,s:Aft*00\\", "\\c:1780315200\\"] {
        assert_eq!(stamp(front), Err("tag_block_checksum"), "{front}");
    }
    assert_eq!(stamp("1780315200 $IIXDR,C,27.5,"), Err("sentence_cut"));
}

#[test]
fn sentences_tell_the_time_of_those_behind_them() {
    let mut log = SentenceLog::default();
    assert_eq!(log.read(XDR.as_bytes()), Line::Problem("sentence_without_time"));
    let told = |line| matches!(line, Line::Sentence(Logged { bus: None, stamp: Stamp::Told(NOON), .. }));
    for _ in 0..2 {
        assert!(told(log.read(b"$GPZDA,120000.00,01,06,2026,00,00*64")));
        assert!(told(log.read(XDR.as_bytes())));
    }
    // No satellites: nobody tells the time.
    assert_eq!(log.read(b"$GPRMC,120001.00,V,,,,,,,010626,,,N*7C"), Line::Problem("sentence_without_time"));
    assert_eq!(log.read(XDR.as_bytes()), Line::Problem("sentence_without_time"));
}

#[test]
fn a_receiver_that_falls_silent_stops_the_clock() {
    let mut log = SentenceLog::default();
    let zda = |second: i64| {
        let body = format!("GPZDA,1200{second:02}.00,01,06,2026,00,00");
        let sum = body.bytes().fold(0, |sum, b| sum ^ b);
        format!("${body}*{sum:02X}")
    };
    for second in 0..10 {
        log.read(zda(second).as_bytes());
        (0..19).for_each(|_| drop(log.read(XDR.as_bytes())));
    }
    // Twenty in a second, for five seconds.
    let good = (0..1000).filter(|_| matches!(log.read(XDR.as_bytes()), Line::Sentence(..))).count();
    assert_eq!(good, 100 - 19);
    log.read(zda(50).as_bytes());
    assert!(matches!(log.read(XDR.as_bytes()), Line::Sentence(..)), "and tells it again");
}

#[test]
fn what_is_none_is_counted_or_left_to_others() {
    let mut log = SentenceLog::default();
    for (line, expected) in [
        ("$IIXDR,C,27.5,C,BATT1*00", Line::Problem("sentence_checksum")),
        ("$IIXDR,C,27.5,C,BATT1", Line::Problem("sentence_without_checksum")),
        ("1780315200 $PXDR,1*03", Line::Problem("sentence_unknown")),
        ("it costs 5 $", Line::Other),
        ("", Line::Other),
    ] {
        assert_eq!(log.read(line.as_bytes()), expected, "{line}");
    }
}

proptest! {
    #[test]
    fn any_line_is_read(front in prop::collection::vec(any::<u8>(), 0..60), behind in "[ -~]{0,40}") {
        let mut line = front;
        line.extend(XDR.as_bytes());
        line.extend(behind.as_bytes());
        if let Line::Sentence(logged) = SentenceLog::default().read(&line) {
            prop_assert!(logged.bus.is_none_or(|b| !b.is_empty()));
        }
    }

    #[test]
    fn any_front_of_the_kind_is_read(front in "[0-9T:.,+ Z()\\[\\]\\\\cs*-]{0,40}") {
        SentenceLog::default().read(format!("{front}{XDR}").as_bytes());
    }

    #[test]
    fn a_time_that_was_written_is_the_time_that_is_read(us in 0_i64..4_102_444_800_000_000) {
        let rfc3339 = Timestamp::from_millis(us / 1000).to_string();
        let (whole, part) = (us / 1_000_000, us % 1_000_000);
        prop_assert_eq!(number(format!("{whole}.{part:06}").as_bytes()), Some(Stamp::Seconds(us)));
        prop_assert_eq!(date(rfc3339.as_bytes()), Some(Stamp::Seconds(us / 1000 * 1000)));
    }
}
