//! Serial ports and their like over a network, and keeping them open.
//!
//! Owes its reader: a port that fails, is unplugged or was never there is tried again for ever, ever more slowly,
//! and the user hears once that it is gone and once that it is back. Other buses do not notice.

use super::source::{BUS_BACK, BUS_LOST, NOTICE, Outlet};
use crate::config::serial::{Parity, Port};
use std::io::{Error, ErrorKind, Result};
use std::time::{Duration, Instant};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite};
use tokio::net::{TcpStream, UdpSocket};
use tokio::time::timeout;
use tokio_serial::{DataBits, SerialPortBuilderExt, SerialStream, StopBits};

/// Between two attempts to open a port: the first and the longest wait.
const WAIT: [Duration; 2] = [Duration::from_secs(1), Duration::from_secs(30)];
/// A port that worked for so long is tried again as quickly as a new one.
const WORKED: Duration = Duration::from_secs(10);
/// A host that does not answer.
const CONNECT: Duration = Duration::from_secs(10);
/// Longest datagram.
const DATAGRAM: usize = 65_536;

/// A serial line or a connection, for both directions.
pub trait Duplex: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Duplex for T {}

/// An open port.
pub enum Line {
    /// Bytes in order.
    Stream(Box<dyn Duplex>),
    /// Datagrams, for listening only.
    Datagrams(UdpSocket, Box<[u8; DATAGRAM]>),
}

impl Line {
    /// The bytes of one read, at most `buffer` (of a datagram: what fits).
    pub async fn read<'b>(&'b mut self, buffer: &'b mut [u8]) -> Result<&'b [u8]> {
        match self {
            Self::Stream(stream) => match stream.read(buffer).await? {
                0 => Err(Error::new(ErrorKind::UnexpectedEof, "it was closed")),
                n => Ok(&buffer[..n]),
            },
            Self::Datagrams(socket, whole) => {
                let n = socket.recv(&mut whole[..]).await?;
                Ok(&whole[..n])
            }
        }
    }
}

/// Opens a port.
///
/// # Errors
/// What the system says.
pub async fn open(port: &Port) -> Result<Line> {
    Ok(match port {
        Port::Device(settings) => Line::Stream(Box::new(serial(settings)?)),
        Port::Tcp(host) | Port::RtuOverTcp(host) => {
            let connected = timeout(CONNECT, TcpStream::connect(host)).await;
            let stream = connected.map_err(|_| Error::new(ErrorKind::TimedOut, "it does not answer"))??;
            stream.set_nodelay(true)?;
            Line::Stream(Box::new(stream))
        }
        Port::Udp(address) => Line::Datagrams(UdpSocket::bind(address).await?, Box::new([0; DATAGRAM])),
    })
}

fn serial(settings: &crate::config::serial::Device) -> Result<SerialStream> {
    let parity = match settings.parity {
        Parity::None => tokio_serial::Parity::None,
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
    };
    let stop_bits = if settings.stop_bits == 2 { StopBits::Two } else { StopBits::One };
    let builder = tokio_serial::new(settings.path.to_string_lossy(), settings.baud)
        .data_bits(DataBits::Eight)
        .parity(parity)
        .stop_bits(stop_bits);
    Ok(builder.open_native_async()?)
}

/// Runs `session` on the open port, again and again, until the stop.
pub async fn keep_open(name: &str, port: &Port, out: &Outlet, mut session: impl AsyncFnMut(Line) -> Result<()>) {
    let mut wait = WAIT[0];
    let mut lost = false;
    let mut said = String::new();
    while !out.is_over() {
        let opened = open(port).await;
        let was_open = opened.is_ok();
        let began = Instant::now();
        if std::mem::take(&mut lost) && was_open {
            out.note(BUS_BACK, format!("{name} ({port}) is back"));
        }
        let failed = match opened {
            Ok(line) => session(line).await,
            Err(e) => Err(e),
        };
        let Err(e) = failed else { return };
        if began.elapsed() >= WORKED {
            wait = WAIT[0];
        }
        let what = if was_open { "failed" } else { "cannot be opened" };
        let text = format!("{name} ({port}) {what}: {e}; it is tried again");
        // Said once for all attempts that fail alike.
        if was_open || text != said {
            out.note(BUS_LOST, text.clone());
            said = text;
        }
        lost = true;
        pause(wait, out).await;
        wait = (wait * 2).min(WAIT[1]);
    }
}

/// Sleeps, but not beyond the stop.
pub async fn pause(time: Duration, out: &Outlet) {
    let end = Instant::now() + time;
    while !out.is_over() && Instant::now() < end {
        tokio::time::sleep(NOTICE.min(end.saturating_duration_since(Instant::now()))).await;
    }
}

/// Runs an asynchronous source on the thread that it was given.
pub(super) fn block_on(out: &Outlet, what: impl Future<Output = ()>) {
    match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime.block_on(what),
        Err(e) => {
            out.note(BUS_LOST, format!("the system grants no more resources: {e}"));
        }
    }
}
