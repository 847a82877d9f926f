//! A line that speaks NMEA 0183: a serial port, a TCP connection or datagrams. It only listens.

use super::nmea0183::readings;
use super::port::{Line, block_on, keep_open};
use super::source::{NOTICE, Outlet, Source};
use crate::config::serial::Port;
use crate::framing::sentence::{SentenceCounters, Sentences};
use crate::record::now;
use std::io::{Error, ErrorKind, Result};
use std::time::{Duration, Instant};
use tokio::time::timeout;

/// A connection that says nothing for so long is opened anew: the other end may be gone without a word.
const SILENCE: Duration = Duration::from_secs(60);

/// One line.
#[derive(Debug)]
pub struct SentenceLine {
    name: String,
    port: Port,
}

impl SentenceLine {
    /// The bus `name` at `port`; nothing is opened yet.
    pub fn new(name: &str, port: Port) -> Self {
        Self { name: name.to_owned(), port }
    }
}

impl Source for SentenceLine {
    fn name(&self) -> &str {
        &self.name
    }

    fn run(self: Box<Self>, out: &Outlet) {
        let connection = matches!(self.port, Port::Tcp(_));
        block_on(out, keep_open(&self.name, &self.port, out, async |line| listen(line, connection, out).await));
    }
}

/// Hands on sentences until the stop or until the line fails.
async fn listen(mut line: Line, connection: bool, out: &Outlet) -> Result<()> {
    let mut sentences = Sentences::default();
    let mut reported = SentenceCounters::default();
    let mut buffer = [0; 1024];
    let mut heard = Instant::now();
    while !out.is_over() {
        match timeout(NOTICE, line.read(&mut buffer)).await {
            Ok(Ok(bytes)) => {
                heard = Instant::now();
                let (mut unknown, mut unusable) = (0, 0);
                sentences.push(now(), bytes, |time, sentence| match readings(time, &sentence) {
                    Some((readings, n)) => {
                        unusable += n as u64;
                        out.readings(readings);
                    }
                    None => unknown += 1,
                });
                out.count("sentence_unknown", unknown);
                out.count("sentence_value_unusable", unusable);
                report(sentences.counters(), &mut reported, out);
            }
            Ok(Err(e)) if e.kind() == ErrorKind::Interrupted => {}
            Ok(Err(e)) => return Err(e),
            Err(_) if connection && heard.elapsed() > SILENCE => {
                return Err(Error::new(ErrorKind::TimedOut, "it has said nothing for a minute"));
            }
            Err(_) => {}
        }
    }
    Ok(())
}

/// Counts what the framing had to drop since the last time.
fn report(now: SentenceCounters, reported: &mut SentenceCounters, out: &Outlet) {
    let before = std::mem::replace(reported, now);
    for (name, n) in [
        ("sentence_over_length", now.over_length - before.over_length),
        ("sentence_checksum", now.bad_checksum - before.bad_checksum),
        ("sentence_without_checksum", now.no_checksum - before.no_checksum),
        ("sentence_cut", now.cut - before.cut),
        ("sentence_noise_bytes", now.dropped_bytes - before.dropped_bytes),
    ] {
        out.count(name, n);
    }
}
