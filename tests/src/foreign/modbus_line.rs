//! A Modbus line with a hostile device at its other end, through the library that asks. Needs a runtime whose time
//! does not pass by itself: a device that does not answer is given up after more than a second.
//!
//! Input: a byte (RTU or TCP), then what the device answers to each question: a byte (kind and number of bytes), then
//! bytes. Kinds: as they stand; in a sound frame; a sound answer with these registers; an exception; the marker of
//! SunSpec; nothing; two answers at once; the end of the line.

use super::feed::Feed;
use ampwake_logger::bus::modbus::discover::discover;
use ampwake_logger::bus::modbus::link::{Failure, Link, Packing};
use ampwake_logger::framing::modbus::crc16;
use ampwake_schemas::modbus_map::sunspec::{MARKER, MOST_MODELS};
use ampwake_schemas::modbus_map::{Function, ReadRequest};
use std::io::Result;
use std::pin::Pin;
use std::task::{Context, Poll, Waker};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::runtime::Runtime;

const UNIT: u8 = 7;
/// Questions after the search for models.
const QUESTIONS: usize = 12;

/// Asks a device that answers from the bytes.
pub fn run(paused: &Runtime, bytes: &[u8]) {
    let mut feed = Feed::new(bytes);
    let packing = [Packing::Rtu(0), Packing::Rtu(9600), Packing::Tcp][usize::from(feed.byte() % 3)];
    let device = Device {
        answers: bytes[bytes.len().min(1)..].to_vec(),
        at: 0,
        ready: Vec::new(),
        over: false,
        tcp: packing == Packing::Tcp,
        waker: None,
    };
    paused.block_on(async {
        let mut link = Link::new(Box::new(device), packing);
        match discover(&mut link, UNIT).await {
            Ok(Some(heads)) => {
                assert!(heads.len() <= MOST_MODELS);
                assert!(heads.is_sorted_by_key(|h| h.address), "{heads:?}");
            }
            Ok(None) | Err(Failure::Exception(_) | Failure::Heard(_)) => {}
            Err(Failure::Line(_)) => return,
        }
        for i in 0..QUESTIONS {
            use Function::{Coils, DiscreteInputs, HoldingRegisters, InputRegisters};
            let function = [HoldingRegisters, InputRegisters, Coils, DiscreteInputs][i % 4];
            let most = if function.reads_bits() { 2000 } else { 125 };
            let count = [1, 2, 9, most][i / 4 % 4];
            let request = ReadRequest { function, address: 256, count, every_s: 1.0 };
            match link.ask(UNIT, &request).await {
                Ok(words) => {
                    assert_eq!(words.len(), usize::from(count), "{request:?}");
                    assert!(!function.reads_bits() || words.iter().all(|w| *w <= 1), "{words:?}");
                }
                Err(Failure::Line(_)) => return,
                Err(Failure::Exception(_) | Failure::Heard(_)) => {}
            }
        }
    });
}

/// The other end of the line.
struct Device {
    answers: Vec<u8>,
    at: usize,
    /// What it has said and nobody has read yet.
    ready: Vec<u8>,
    over: bool,
    tcp: bool,
    waker: Option<Waker>,
}

impl Device {
    fn answer(&mut self, question: &[u8]) {
        let tail = self.answers.get(self.at..).unwrap_or_default();
        let mut feed = Feed::new(tail);
        if feed.is_empty() {
            return;
        }
        let kind = feed.byte();
        let bytes = match kind & 7 {
            5 | 7 => &[],
            _ => feed.take(usize::from(kind >> 3)),
        };
        self.at += 1 + bytes.len();
        let function = question.get(if self.tcp { 7 } else { 1 }).copied().unwrap_or(3);
        let registers: Vec<u8> = bytes.iter().copied().cycle().take(self.wanted(question)).collect();
        let sound = [&[function, registers.len() as u8][..], &registers].concat();
        let said = match kind & 7 {
            0 => bytes.to_vec(),
            1 => self.packed(question, bytes),
            2 => self.packed(question, &sound),
            3 => self.packed(question, &[function | 0x80, bytes.first().copied().unwrap_or(2)]),
            4 => {
                let marker: Vec<u8> = MARKER.iter().flat_map(|w| w.to_be_bytes()).collect();
                self.packed(question, &[&[function, 4][..], &marker].concat())
            }
            5 => Vec::new(),
            6 => [self.packed(question, &sound), self.packed(question, bytes)].concat(),
            _ => {
                self.over = true;
                Vec::new()
            }
        };
        self.ready.extend(said);
    }

    /// Bytes of data that the question asks for.
    fn wanted(&self, question: &[u8]) -> usize {
        let at = if self.tcp { 7 } else { 1 };
        match question.get(at..at + 5) {
            Some([1 | 2, _, _, high, low]) => usize::from(u16::from_be_bytes([*high, *low]).div_ceil(8)),
            Some([_, _, _, high, low]) => usize::from(u16::from_be_bytes([*high, *low])) * 2,
            _ => 0,
        }
    }

    /// In a frame as the line has it.
    fn packed(&self, question: &[u8], body: &[u8]) -> Vec<u8> {
        if self.tcp {
            let number = question.get(..2).unwrap_or(&[0, 0]);
            let length = (body.len() as u16 + 1).to_be_bytes();
            return [number, &[0, 0], &length, &[UNIT], body].concat();
        }
        let frame = [&[UNIT], body].concat();
        let sum = crc16(&frame).to_le_bytes();
        [&frame[..], &sum].concat()
    }
}

impl AsyncRead for Device {
    fn poll_read(mut self: Pin<&mut Self>, task: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<Result<()>> {
        if self.ready.is_empty() && !self.over {
            self.waker = Some(task.waker().clone());
            return Poll::Pending;
        }
        let n = self.ready.len().min(buffer.remaining());
        buffer.put_slice(&self.ready[..n]);
        self.ready.drain(..n);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Device {
    fn poll_write(mut self: Pin<&mut Self>, _: &mut Context<'_>, question: &[u8]) -> Poll<Result<usize>> {
        let at = if self.tcp { 7 } else { 1 };
        assert!(matches!(question.get(at), Some(1..=4)), "something else than a read was sent: {question:02x?}");
        self.answer(question);
        if let Some(waker) = self.waker.take() {
            waker.wake();
        }
        Poll::Ready(Ok(question.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<Result<()>> {
        Poll::Ready(Ok(()))
    }
}
