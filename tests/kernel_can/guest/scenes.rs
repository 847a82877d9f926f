//! The scenes, in their order.

use crate::daemon::Daemon;
use crate::sender::Sender;
use crate::{OUT, Outcome, wait_for};
use ampwake_tests::kernel_can::{CROWD, HELD_BACK, PACED, PER_SECOND, UNBROKEN};
use nix::sys::signal::Signal;
use socketcan::CanInterface;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// A scene.
type Scene = fn() -> Outcome;

/// All of them.
pub const ALL: &[(&str, Scene)] = &[
    ("rate", rate),
    ("drops", drops),
    ("errors", errors),
    ("away", away),
    ("reload", reload),
    ("adapter", crate::asking::play),
];

/// What the counting device says, behind the name of the bus.
pub const VOLTAGE: &str = "n2k/127508/0/battery_voltage";

fn up(name: &str) -> Outcome<CanInterface> {
    let interface = CanInterface::create_vcan(name, None)?;
    interface.bring_up()?;
    Ok(interface)
}

fn now_ms() -> u128 {
    SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_millis()
}

/// Leaves a file for the judge.
pub fn leave(file: &str, text: String) -> Outcome {
    Ok(std::fs::write(format!("{OUT}/{file}"), text)?)
}

/// Frames faster than any bus of 250 or 500 kbit/s carries them.
fn rate() -> Outcome {
    up("vcan0")?;
    let daemon = Daemon::start("rate", &["\"vcan0\""])?;
    let sender = Sender::on("vcan0")?;
    let start = now_ms();
    sender.count_through(0..PACED, Some(PER_SECOND))?;
    let end = now_ms();
    daemon.wait_for_samples(&format!("vcan0/{VOLTAGE}"), u64::from(PACED))?;
    leave("rate.times", format!("{start} {end}"))?;
    crate::said(&format!("{PACED} frames in {} ms", end - start));
    daemon.stop()
}

/// The daemon is held while frames come in: few, whose times show who took them, then more than the kernel keeps.
fn drops() -> Outcome {
    let daemon = Daemon::start("drops", &["\"vcan0\""])?;
    let sender = Sender::on("vcan0")?;
    daemon.signal(Signal::SIGSTOP)?;
    std::thread::sleep(Duration::from_millis(300));
    let start = now_ms();
    sender.count_through(0..HELD_BACK, None)?;
    let end = now_ms();
    std::thread::sleep(Duration::from_secs(2));
    daemon.signal(Signal::SIGCONT)?;
    daemon.wait_for_samples(&format!("vcan0/{VOLTAGE}"), HELD_BACK.into())?;
    leave("drops.times", format!("{start} {end}"))?;
    daemon.signal(Signal::SIGSTOP)?;
    std::thread::sleep(Duration::from_millis(300));
    sender.count_through(0..CROWD, None)?;
    daemon.signal(Signal::SIGCONT)?;
    // The kernel says how many it threw away beside the next frame that it keeps.
    daemon.wait_for_samples(&format!("vcan0/{VOLTAGE}"), u64::from(HELD_BACK) + 100)?;
    // That number comes beside the last frame that there is: once this is recorded, all of them are. It may itself find the
    // queue full, and is held back until the next shows that no clock has jumped: hence several, two at a time.
    let mut sent = CROWD;
    wait_for("an empty queue", || {
        sender.count_through(sent..sent + 2, None)?;
        sent += 2;
        std::thread::sleep(Duration::from_secs(3));
        Ok(daemon.latest(&format!("vcan0/{VOLTAGE}"))? == Some(sent - 1))
    })?;
    leave("drops.sent", sent.to_string())?;
    daemon.stop()
}

/// What a controller says of the bus.
fn errors() -> Outcome {
    let daemon = Daemon::start("errors", &["\"vcan0\""])?;
    let sender = Sender::on("vcan0")?;
    sender.report_error(0x4, [0, 0x10, 0, 0, 0, 0, 0, 0])?;
    sender.report_error(0x40, [0; 8])?;
    sender.report_error(0x20, [0; 8])?;
    sender.count(1)?;
    daemon.wait_for_events("bus_error", "bus off", 1)?;
    daemon.wait_for_samples(&format!("vcan0/{VOLTAGE}"), 1)?;
    daemon.stop()
}

/// Interfaces that are not there yet, go down, and are unplugged.
fn away() -> Outcome {
    let daemon = Daemon::start("away", &["\"vcan0\"", "\"vcan7\""])?;
    daemon.wait_for_events("bus_lost", "no interface `vcan7`", 1)?;
    up("vcan7")?;
    daemon.wait_for_events("bus_back", "vcan7", 1)?;
    hear(&daemon, "vcan7", 0)?;

    hear(&daemon, "vcan0", 0)?;
    let vcan0 = CanInterface::open("vcan0")?;
    vcan0.bring_down()?;
    daemon.wait_for_events("bus_lost", "vcan0 failed", 1)?;
    vcan0.bring_up()?;
    daemon.wait_for_events("bus_back", "vcan0", 1)?;
    hear(&daemon, "vcan0", 1000)?;

    CanInterface::open("vcan7")?.delete().map_err(|(_, e)| e)?;
    daemon.wait_for_events("bus_lost", "vcan7 failed", 1)?;
    up("vcan7")?;
    daemon.wait_for_events("bus_back", "vcan7", 2)?;
    hear(&daemon, "vcan7", 1000)?;
    daemon.stop()
}

/// The configuration changes while a bus speaks: it is decoded anew, its interface is opened anew to ask on it, another bus
/// comes and goes.
fn reload() -> Outcome {
    let daemon = Daemon::start("reload", &["\"vcan0\""])?;
    let sender = std::thread::spawn(|| -> Result<(), String> {
        let sender = Sender::on("vcan0").map_err(|e| e.to_string())?;
        for n in 0..UNBROKEN {
            sender.count(n).map_err(|e| e.to_string())?;
            // Apart, as on a real bus: no two frames come in one microsecond.
            std::thread::sleep(Duration::from_millis(1));
        }
        Ok(())
    });
    let two = "\"vcan0\"\nprotocols = [\"n2k\", \"j1939\"]";
    let asking = format!("{two}\nask = true");
    daemon.reload(&[two], "decoded in another way: vcan0")?;
    daemon.reload(&[&asking], "opened anew: vcan0")?;
    daemon.reload(&[&asking, "\"vcan7\""], "new: vcan7")?;
    daemon.reload(&[two], "no more recorded: vcan7; opened anew: vcan0")?;
    sender.join().map_err(|_| "the sender panicked")??;
    daemon.wait_for_samples(&format!("vcan0/{VOLTAGE}"), UNBROKEN.into())?;
    daemon.stop()
}

/// Sends numbers from `n` on until the daemon has one more sample than it had.
fn hear(daemon: &Daemon, bus: &str, mut n: u32) -> Outcome {
    let channel = format!("{bus}/{VOLTAGE}");
    let (sender, before) = (Sender::on(bus)?, daemon.samples(&channel)?);
    // More than one: the first after a pause is held back until the next shows that no clock has jumped.
    wait_for(&format!("{bus} to be heard"), || {
        sender.count(n)?;
        n += 1;
        Ok(daemon.samples(&channel)? > before)
    })
}
