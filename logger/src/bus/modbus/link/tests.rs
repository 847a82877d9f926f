use super::*;
use crate::framing::modbus::crc16;
use proptest::prelude::*;
use tokio::io::{AsyncWriteExt, DuplexStream, duplex};

const TWO: ReadRequest = ReadRequest { function: Function::HoldingRegisters, address: 16, count: 2, every_s: 1.0 };

fn frame(body: &[u8]) -> Vec<u8> {
    [body, &crc16(body).to_le_bytes()].concat()
}

/// A good answer of unit 7 with these two registers.
fn answer(a: u8, b: u8) -> Vec<u8> {
    frame(&[7, 3, 4, 0, a, 0, b])
}

/// The other end: takes one question, then sends each of `replies` after its question.
async fn device(mut line: DuplexStream, replies: Vec<Vec<u8>>) -> DuplexStream {
    for reply in replies {
        let mut question = [0; 8];
        line.read_exact(&mut question).await.unwrap();
        assert_eq!(question[..], frame(&[7, 3, 0, 16, 0, 2]), "never anything but this question");
        line.write_all(&reply).await.unwrap();
    }
    line
}

/// What the answers to questions in a row are taken for.
async fn asked(replies: Vec<Vec<u8>>) -> Vec<Result<Vec<u16>, Failure>> {
    let (here, there) = duplex(4096);
    let n = replies.len();
    let device = tokio::spawn(device(there, replies));
    let mut link = Link::new(Box::new(here), Packing::Rtu(0));
    let mut answers = Vec::new();
    for _ in 0..n {
        answers.push(link.ask(7, &TWO).await);
    }
    device.await.unwrap();
    answers
}

fn said(answer: &Result<Vec<u16>, Failure>) -> String {
    match answer {
        Ok(words) => format!("{words:?}"),
        Err(Failure::Heard(heard)) => format!("{heard:?}"),
        Err(Failure::Exception(code)) => format!("exception {code}"),
        Err(Failure::Line(_)) => "line".to_owned(),
    }
}

#[tokio::test(start_paused = true)]
async fn every_fault_has_its_name_and_the_next_answer_is_good() {
    let mut damaged = answer(1, 2);
    damaged[4] ^= 0x40;
    let faults = [
        (vec![], "Silence"),
        (answer(1, 2)[..6].to_vec(), "CutShort"),
        (damaged, "BadCrc"),
        (vec![0x55; 200], "Noise"),
        (frame(&[8, 3, 4, 0, 1, 0, 2]), "Noise"),
        (frame(&[7, 4, 4, 0, 1, 0, 2]), "Noise"),
        (frame(&[7, 3, 2, 0, 1]), "Noise"),
        (frame(&[7, 3, 6, 0, 1, 0, 2, 0, 3]), "Noise"),
        (frame(&[7, 0x83, 2]), "exception 2"),
        (frame(&[7, 0x83, 0x0B]), "exception 11"),
        ([&[0x00, 0xFF, 0x7F][..], &answer(1, 2)].concat(), "[1, 2]"),
    ];
    for (reply, name) in faults {
        let answers = asked(vec![reply.clone(), answer(3, 4)]).await;
        assert_eq!(said(&answers[0]), name, "{reply:?}");
        assert_eq!(said(&answers[1]), "[3, 4]", "after {reply:?}");
    }
}

#[tokio::test(start_paused = true)]
async fn an_answer_that_comes_too_late_is_never_the_answer_to_the_next_question() {
    let (here, mut there) = duplex(4096);
    let mut link = Link::new(Box::new(here), Packing::Rtu(0));
    let first = link.ask(7, &TWO).await;
    assert_eq!(said(&first), "Silence");
    // It comes when nobody waits for it; the next question finds it on the line, and its own answer behind it.
    there.write_all(&answer(1, 2)).await.unwrap();
    let second = link.ask(7, &TWO);
    let reply = async {
        let mut questions = [0; 16];
        there.read_exact(&mut questions).await.unwrap();
        there.write_all(&answer(3, 4)).await.unwrap();
    };
    let (second, ()) = tokio::join!(second, reply);
    assert_eq!(said(&second), "[3, 4]");
}

#[tokio::test(start_paused = true)]
async fn a_line_that_closes_is_a_fault_of_the_line() {
    let (here, there) = duplex(64);
    drop(there);
    let mut link = Link::new(Box::new(here), Packing::Rtu(0));
    assert_eq!(said(&link.ask(7, &TWO).await), "line");
}

#[tokio::test(start_paused = true)]
async fn bits_are_registers_of_one_bit() {
    let (here, mut there) = duplex(64);
    let mut link = Link::new(Box::new(here), Packing::Rtu(9600));
    let request = ReadRequest { function: Function::DiscreteInputs, address: 1, count: 10, every_s: 1.0 };
    let reply = async {
        let mut question = [0; 8];
        there.read_exact(&mut question).await.unwrap();
        there.write_all(&frame(&[7, 2, 2, 0b1000_0001, 0b10])).await.unwrap();
    };
    let (answer, ()) = tokio::join!(link.ask(7, &request), reply);
    assert_eq!(answer.unwrap(), [1, 0, 0, 0, 0, 0, 0, 1, 0, 1]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn whatever_a_device_sends(
        replies in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..300), 1..6),
        tcp: bool,
        frames: bool,
    ) {
        // As often with a good checksum, so that what is inside is looked at.
        let replies: Vec<Vec<u8>> = replies
            .into_iter()
            .map(|r| if frames { frame(&[&[7][..], &r].concat()) } else { r })
            .collect();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
        runtime.block_on(async {
            let (here, mut there) = duplex(4096);
            let packing = if tcp { Packing::Tcp } else { Packing::Rtu(0) };
            let mut link = Link::new(Box::new(here), packing);
            for reply in &replies {
                let answering = async {
                    let mut question = [0; 64];
                    let _ = there.read(&mut question).await;
                    let _ = there.write_all(reply).await;
                };
                let (answer, ()) = tokio::join!(link.ask(7, &TWO), answering);
                if let Ok(words) = answer {
                    assert_eq!(words.len(), 2);
                }
            }
        });
    }
}
