//! One question and its answer over a line, through `tokio-modbus`, with what that library does not tell.
//!
//! The library owns the transport and says "too many retries" or nothing at all, whatever came. So it is given a
//! tap on the line: what was read since the question names the fault, and after a fault the line is read empty, so
//! that an answer which comes too late is never taken for the answer to the next question. The typed calls of the
//! library assert what a device sends (its `read_holding_registers` panics in a debug build on a short answer);
//! only its untyped `call` is used.

use crate::bus::port::Duplex;
use crate::framing::modbus::{Heard, heard};
use ampwake_schemas::modbus_map::{Function, ReadRequest};
use std::future::poll_fn;
use std::io::{Error, ErrorKind};
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context as Task, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, ReadBuf};
use tokio::time::{sleep, timeout};
use tokio_modbus::client::{Client, Context, rtu, tcp};
use tokio_modbus::slave::{Slave, SlaveContext};
use tokio_modbus::{Request, Response};

/// What a device may take before it answers.
const THINKING: Duration = Duration::from_millis(700);
/// A line without a byte for so long is empty.
const QUIET: Duration = Duration::from_millis(50);
/// A line that is never empty is no reason to wait for ever.
const NEVER_QUIET: Duration = Duration::from_secs(1);
/// Reads of 256 bytes before a question: what a full system buffer holds.
const MOST_DISCARDED: usize = 64;
/// Bytes kept of what came: an answer has at most 256.
const MOST_KEPT: usize = 512;

/// Why there is no answer.
#[derive(Debug)]
pub enum Failure {
    /// The device refuses, with this code.
    Exception(u8),
    /// What came is no good answer.
    Heard(Heard),
    /// The line itself has failed.
    Line(Error),
}

/// How frames are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Packing {
    /// RTU frames at this many bit/s (0: over a network).
    Rtu(u32),
    /// Modbus TCP.
    Tcp,
}

/// A line with its tap.
struct Tapped {
    line: Box<dyn Duplex>,
    received: Vec<u8>,
}

/// The library's end.
struct Tap(Arc<Mutex<Tapped>>);

impl std::fmt::Debug for Tap {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Tap")
    }
}

fn locked(shared: &Mutex<Tapped>) -> MutexGuard<'_, Tapped> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

impl AsyncRead for Tap {
    fn poll_read(self: Pin<&mut Self>, task: &mut Task<'_>, buffer: &mut ReadBuf<'_>) -> Poll<std::io::Result<()>> {
        let mut tapped = locked(&self.0);
        let before = buffer.filled().len();
        let read = Pin::new(&mut tapped.line).poll_read(task, buffer);
        let room = MOST_KEPT - tapped.received.len().min(MOST_KEPT);
        let came = &buffer.filled()[before..];
        tapped.received.extend_from_slice(&came[..came.len().min(room)]);
        read
    }
}

impl AsyncWrite for Tap {
    fn poll_write(self: Pin<&mut Self>, task: &mut Task<'_>, bytes: &[u8]) -> Poll<std::io::Result<usize>> {
        Pin::new(&mut locked(&self.0).line).poll_write(task, bytes)
    }
    fn poll_flush(self: Pin<&mut Self>, task: &mut Task<'_>) -> Poll<std::io::Result<()>> {
        Pin::new(&mut locked(&self.0).line).poll_flush(task)
    }
    fn poll_shutdown(self: Pin<&mut Self>, task: &mut Task<'_>) -> Poll<std::io::Result<()>> {
        Pin::new(&mut locked(&self.0).line).poll_shutdown(task)
    }
}

/// An open line.
pub struct Link {
    shared: Arc<Mutex<Tapped>>,
    context: Context,
    packing: Packing,
}

impl Link {
    /// Over an open line.
    pub fn new(line: Box<dyn Duplex>, packing: Packing) -> Self {
        let shared = Arc::new(Mutex::new(Tapped { line, received: Vec::new() }));
        Self { context: context(&shared, packing), shared, packing }
    }

    /// Asks `unit`; the registers (bits as 0 and 1), as many as were asked for.
    ///
    /// # Errors
    /// See [`Failure`]. After one the line is empty.
    pub async fn ask(&mut self, unit: u8, request: &ReadRequest) -> Result<Vec<u16>, Failure> {
        self.discard().await.map_err(Failure::Line)?;
        self.context.set_slave(Slave(unit));
        let (address, count) = (request.address, request.count);
        let question = match request.function {
            Function::Coils => Request::ReadCoils(address, count),
            Function::DiscreteInputs => Request::ReadDiscreteInputs(address, count),
            Function::HoldingRegisters => Request::ReadHoldingRegisters(address, count),
            Function::InputRegisters => Request::ReadInputRegisters(address, count),
        };
        let bytes = if request.function.reads_bits() { count.div_ceil(8) } else { count.saturating_mul(2) };
        let failure = match timeout(self.patience(bytes), self.context.call(question)).await {
            Ok(Ok(Ok(response))) => match words(response, usize::from(count)) {
                Some(words) => {
                    self.silence().await;
                    return Ok(words);
                }
                // A good frame with another number of registers.
                None => Failure::Heard(Heard::Noise),
            },
            Ok(Ok(Err(exception))) => {
                self.silence().await;
                return Err(Failure::Exception(exception.into()));
            }
            Ok(Err(tokio_modbus::Error::Transport(e))) if e.kind() != ErrorKind::InvalidData => {
                return Err(Failure::Line(e));
            }
            _ if self.packing == Packing::Tcp && locked(&self.shared).received.is_empty() => {
                Failure::Heard(Heard::Silence)
            }
            _ if self.packing == Packing::Tcp => Failure::Heard(Heard::Noise),
            _ => {
                let payload = u8::try_from(bytes).unwrap_or(u8::MAX);
                Failure::Heard(heard(&locked(&self.shared).received, unit, request.function.code(), payload))
            }
        };
        self.empty().await.map_err(Failure::Line)?;
        if matches!(self.packing, Packing::Rtu(_)) {
            // Once it has given up, the library's reader stays at its end.
            self.context = context(&self.shared, self.packing);
        }
        Err(failure)
    }

    /// Throws away what came since the last answer, without waiting for more: it answers nothing that will be asked.
    async fn discard(&self) -> std::io::Result<()> {
        let mut buffer = [0; 256];
        for _ in 0..MOST_DISCARDED {
            let mut read = ReadBuf::new(&mut buffer);
            let came = poll_fn(|task| Poll::Ready(Pin::new(&mut Tap(self.shared.clone())).poll_read(task, &mut read)));
            match came.await {
                Poll::Ready(result) => result?,
                Poll::Pending => break,
            }
            if read.filled().is_empty() {
                return Err(Error::new(ErrorKind::UnexpectedEof, "it was closed"));
            }
        }
        locked(&self.shared).received.clear();
        Ok(())
    }

    /// Reads until nothing comes any more.
    async fn empty(&self) -> std::io::Result<()> {
        let reading = async {
            let mut buffer = [0; 256];
            let mut tap = Tap(self.shared.clone());
            loop {
                match timeout(QUIET, tap.read(&mut buffer)).await {
                    Ok(Ok(0)) => return Err(Error::new(ErrorKind::UnexpectedEof, "it was closed")),
                    Ok(read) => read?,
                    Err(_) => return Ok(()),
                };
            }
        };
        timeout(NEVER_QUIET, reading).await.unwrap_or(Ok(()))
    }

    /// Question and answer on the wire, and what the device may take to think; twice as long, to be sure.
    fn patience(&self, bytes: u16) -> Duration {
        match self.packing {
            Packing::Rtu(baud) if baud > 0 => THINKING + 2 * characters(u32::from(bytes) + 13, baud),
            _ => 2 * THINKING,
        }
    }

    /// Between two frames there must be three and a half characters, 1.75 ms above 19200 bit/s (MODBUS over serial
    /// line V1.02, 2.5.1.1).
    async fn silence(&self) {
        if let Packing::Rtu(baud) = self.packing
            && baud > 0
        {
            sleep(characters(4, baud).max(Duration::from_micros(1750))).await;
        }
    }
}

/// So many characters of eleven bits.
fn characters(n: u32, baud: u32) -> Duration {
    Duration::from_secs_f64(f64::from(n) * 11.0 / f64::from(baud))
}

fn context(shared: &Arc<Mutex<Tapped>>, packing: Packing) -> Context {
    match packing {
        Packing::Rtu(_) => rtu::attach(Tap(shared.clone())),
        Packing::Tcp => tcp::attach(Tap(shared.clone())),
    }
}

/// `count` registers of an answer; bits come in whole bytes, so there may be more of them.
fn words(response: Response, count: usize) -> Option<Vec<u16>> {
    match response {
        Response::ReadCoils(bits) | Response::ReadDiscreteInputs(bits) => {
            let bits = bits.get(..count)?;
            Some(bits.iter().map(|b| u16::from(*b)).collect())
        }
        Response::ReadHoldingRegisters(words) | Response::ReadInputRegisters(words) => {
            (words.len() == count).then_some(words)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests;
