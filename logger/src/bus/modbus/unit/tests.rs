use super::*;
use crate::framing::modbus::Heard;
use ampwake_schemas::modbus_map::read;
use ampwake_schemas::sample::Reading;
use proptest::prelude::*;

const NO_ANSWER: Failure = Failure::Heard(Heard::Silence);
const ILLEGAL_ADDRESS: Failure = Failure::Exception(2);

fn shunt() -> Vec<Register> {
    read("shunt.toml", include_str!("../../../../../deploy/examples/maps/shunt.toml")).unwrap().registers
}

fn unit() -> Unit {
    Unit::new(7, shunt(), false, 1.0, 0.0)
}

/// The next turn and when it is due.
fn next(unit: &mut Unit) -> (usize, f64) {
    unit.next().unwrap()
}

/// What is asked in a turn.
fn asked(unit: &Unit, turn: usize) -> ReadRequest {
    unit.request(turn).unwrap().clone()
}

/// Questions in the order in which they come, each answered with zeros: second, address, count.
fn questions(unit: &mut Unit, n: usize) -> Vec<(f64, u16, u16)> {
    (0..n)
        .map(|_| {
            let (turn, due) = next(unit);
            let request = asked(unit, turn);
            unit.answered(turn, due, &vec![0; usize::from(request.count)]);
            (due, request.address, request.count)
        })
        .collect()
}

#[test]
fn neighbours_are_one_question_and_slow_ones_have_their_own_time() {
    let questions = questions(&mut unit(), 40);
    let of = |address| questions.iter().filter(|q| q.1 == address).map(|q| (q.0, q.2)).collect::<Vec<_>>();
    assert_eq!(of(256)[..3], [(0.0, 3), (1.0, 3), (2.0, 3)]);
    assert_eq!(of(259)[..2], [(0.0, 1), (10.0, 1)]);
    assert_eq!((of(16), of(512)), (vec![(0.0, 2)], vec![(0.0, 8)]));
}

#[test]
fn answers_become_values_and_words() {
    let mut unit = unit();
    let ask = |unit: &mut Unit, address: u16, words: &[u16]| {
        let turn = (0..10).find(|t| unit.request(*t).is_some_and(|r| r.address == address)).unwrap();
        unit.answered(turn, 0.0, words)
    };
    let (values, _, back) = ask(&mut unit, 256, &[5120, 0xFFAD, 32767]);
    let shown: Vec<_> = values.iter().map(|v| (v.field.as_ref(), v.unit.text(), v.reading)).collect();
    let value = Reading::Value;
    let expected = [
        ("battery_voltage", "V", value(51.2)),
        ("charge_current", "A", value(-8.3)),
        ("battery_temperature", "degC", Reading::NotAvailable),
    ];
    assert_eq!((shown.as_slice(), back), (&expected[..], None));
    let (values, words, _) = ask(&mut unit, 512, &[0x4142, 0x3100, 0, 0, 0, 0, 0, 0]);
    assert_eq!((values.len(), words["serial_number"].as_str()), (0, Some("AB1")));
}

#[test]
fn a_silent_unit_is_asked_ever_more_rarely_and_comes_back() {
    let mut unit = unit();
    let mut remarks = Vec::new();
    let mut times = Vec::new();
    for _ in 0..30 {
        let (turn, due) = next(&mut unit);
        times.push(due);
        let (name, remark) = unit.failed(turn, due, &NO_ANSWER);
        assert_eq!(name, "modbus_no_answer");
        remarks.extend(remark);
    }
    assert_eq!(remarks.iter().map(|r| r.0).collect::<Vec<_>>(), ["device_silent"], "said once");
    assert!(remarks[0].1.contains("unit 7 does not answer"), "{}", remarks[0].1);
    let last = &times[times.len() - 4..];
    assert!(last.windows(2).all(|w| w[1] - w[0] == 60.0), "{times:?}");

    let (turn, due) = next(&mut unit);
    let n = usize::from(asked(&unit, turn).count);
    let (_, _, back) = unit.answered(turn, due, &vec![0; n]);
    assert_eq!(back.unwrap().0, "device_back");
    assert_eq!(next(&mut unit).1, due, "everything else is asked at once");
}

#[test]
fn one_damaged_answer_is_asked_again_at_once() {
    let mut unit = unit();
    let (turn, _) = next(&mut unit);
    assert_eq!(unit.failed(turn, 0.5, &Failure::Heard(Heard::BadCrc)).0, "modbus_crc");
    assert_eq!(unit.turns[turn].due, 0.5);
}

#[test]
fn a_register_that_is_not_there_costs_its_neighbours_nothing() {
    let mut unit = unit();
    let mut remarks = Vec::new();
    let mut voltage = 0;
    let mut refused = 0;
    for _ in 0..400 {
        let (turn, due) = next(&mut unit);
        let request = asked(&unit, turn);
        // The device has no temperature.
        if request.range(Function::HoldingRegisters, 258, 1).is_some() {
            refused += 1;
            let (name, remark) = unit.failed(turn, due, &ILLEGAL_ADDRESS);
            assert_eq!(name, "modbus_illegal_address");
            remarks.extend(remark);
        } else {
            let (values, ..) = unit.answered(turn, due, &vec![1; usize::from(request.count)]);
            voltage += values.iter().filter(|v| v.field == "battery_voltage").count();
        }
    }
    assert!(voltage > 100, "{voltage}");
    assert!(refused <= 5, "{refused}: asked ever more rarely");
    assert_eq!(remarks.len(), 1);
    assert!(remarks[0].1.contains("address 258 of function 3 (illegal address)"), "{}", remarks[0].1);
}

#[test]
fn a_busy_device_is_no_silent_one() {
    let mut unit = unit();
    for _ in 0..50 {
        let (turn, due) = next(&mut unit);
        let (name, remark) = unit.failed(turn, due, &Failure::Exception(6));
        assert_eq!((name, remark), ("modbus_busy", None));
    }
    assert!(next(&mut unit).1 < 60.0);
}

proptest! {
    #[test]
    fn no_course_of_events_stops_the_questions(
        events in prop::collection::vec((0_u8..14, any::<u16>()), 0..300),
        gaps: bool,
    ) {
        let mut registers = shunt();
        // Overlapping ones, and powers of ten.
        registers.extend(shunt().into_iter().map(|r| Register { words: r.words + 1, scale_factor: Some(300), ..r }));
        let mut unit = Unit::new(7, registers, gaps, 1.0, 0.0);
        let mut last = 0.0_f64;
        for (kind, word) in events {
            let (turn, due) = next(&mut unit);
            let now = due.max(last);
            last = now;
            let count = usize::from(asked(&unit, turn).count);
            match kind {
                0..=6 => { unit.answered(turn, now, &vec![word; count]); }
                7 | 8 => { unit.failed(turn, now, &NO_ANSWER); }
                code => { unit.failed(turn, now, &Failure::Exception(code - 8)); }
            }
            prop_assert!(unit.turns.len() < 100);
            prop_assert!(unit.turns.iter().all(|t| t.due.is_finite()));
        }
        prop_assert!(unit.next().is_some());
    }
}
