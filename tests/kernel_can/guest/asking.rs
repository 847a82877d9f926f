//! The scene with a serial adapter in normal mode, in which the kernel would send: what it sends is seen at its far end.

use crate::adapter::Adapter;
use crate::daemon::{Daemon, check, refused};
use crate::scenes::{VOLTAGE, leave};
use crate::sender::Sender;
use crate::{Outcome, wait_for};
use ampwake_logger::bus::Frame;
use ampwake_schemas::message::fast_packet::fragment;
use ampwake_schemas::message::{CanId, Protocol, encode, find};
use ampwake_tests::counter::Counter;
use ampwake_tests::kernel_can::{ANSWERS, NAME, SILENT};
use socketcan::CanInterface;
use socketcan::nl::CanCtrlMode;
use std::time::Duration;

const ASK: &str = "\"can0\"\nask = true";

/// First as every configuration is that does not say otherwise, then with `ask = true`, then listen-only.
pub fn play() -> Outcome {
    let mut adapter = Adapter::attach()?;
    let can0 = CanInterface::open("can0")?;
    check("down", "\"can0\"")?;
    can0.set_bitrate(250_000, None)?;
    can0.bring_up()?;
    wait_for("the adapter opened", || Ok(adapter.lines().iter().any(|l| l == "O")))?;
    check("normal", "\"can0\"")?;
    check("normal_ask", ASK)?;
    silent(&mut adapter)?;
    asking(&mut adapter)?;

    can0.bring_down()?;
    can0.set_ctrlmode(CanCtrlMode::ListenOnly, true)?;
    can0.bring_up()?;
    wait_for("the adapter opened listen-only", || Ok(adapter.lines().iter().any(|l| l == "L")))?;
    check("listen", "\"can0\"")?;
    check("listen_ask", ASK)?;
    refused("listen_ask", ASK)
}

/// Longer than it takes, below, until somebody is asked.
fn silent(adapter: &mut Adapter) -> Outcome {
    let daemon = Daemon::start("adapter", &["\"can0\""])?;
    for n in 0..400 {
        adapter.say(&line(&Counter::frame(n)))?;
        std::thread::sleep(Duration::from_millis(if n < 200 { 10 } else { 40 }));
    }
    daemon.wait_for_samples(&format!("can0/{VOLTAGE}"), 400)?;
    leave("adapter.silent", adapter.lines().join("\n"))?;
    // The positive control: somebody who does send is seen.
    Sender::on("can0")?.count(4711)?;
    wait_for("the control frame", || Ok(adapter.lines().iter().any(|l| l.starts_with('T'))))?;
    leave("adapter.control", adapter.lines().join("\n"))?;
    daemon.stop()
}

/// One device answers, another one does not.
fn asking(adapter: &mut Adapter) -> Outcome {
    let before = adapter.lines().len();
    let daemon = Daemon::start("asking", &[ASK])?;
    let (mut n, mut claimed, mut told) = (0, false, false);
    let is_asked = |line: &str, address: u8, pgn: u32| line == request(address, pgn);
    wait_for("every request", || {
        for source in [ANSWERS, SILENT] {
            let mut frame = Counter::frame(n);
            frame.id = frame.id & !0xFF | u32::from(source);
            adapter.say(&line(&frame))?;
        }
        n += 1;
        let lines = adapter.lines().split_off(before);
        let asked = |address, pgn| lines.iter().filter(|l| is_asked(l, address, pgn)).count();
        if !claimed && asked(ANSWERS, 60928) > 0 {
            claimed = true;
            adapter.say(&said(60928, &NAME.to_le_bytes())?)?;
        }
        if !told && asked(ANSWERS, 126996) > 0 {
            told = true;
            let def = find(Protocol::N2k, 126996).ok_or("no row")?;
            let payload = encode(def, None, &[("model_id", "test charger".into())])?;
            for part in fragment(1, &payload).into_iter().flatten() {
                adapter.say(&said(126996, &part)?)?;
            }
        }
        Ok(asked(SILENT, 60928) >= 2 && asked(SILENT, 126996) >= 2)
    })?;
    daemon.wait_for_product(NAME)?;
    leave("asking.lines", adapter.lines().split_off(before).join("\n"))?;
    daemon.stop()
}

/// What the kernel says to an adapter to have such a request sent.
fn request(address: u8, pgn: u32) -> String {
    let [a, b, c, _] = pgn.to_le_bytes();
    format!("T18EA{address:02X}FE3{a:02X}{b:02X}{c:02X}")
}

/// A frame from the device that answers.
fn said(pgn: u32, data: &[u8]) -> Outcome<String> {
    let id = CanId::broadcast(6, pgn, ANSWERS).to_raw();
    Ok(line(&Frame::new(Counter::frame(0).time, id, Counter::frame(0).flags, data).ok_or("too long")?))
}

/// A frame as an adapter tells that it came in.
fn line(frame: &Frame) -> String {
    let data: String = frame.data().iter().map(|b| format!("{b:02X}")).collect();
    format!("T{:08X}{}{data}", frame.id, frame.data().len())
}
