//! The daemon as a process of the guest, with its database on the guest's own memory disk.

use crate::{OUT, Outcome, wait_for};
use ampwake_store::{Event, Store};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use std::fs::File;
use std::path::PathBuf;
use std::process::{Child, Command};

const PROGRAM: &str = "/programs/kernel-can-ampwaked";

/// A running daemon.
pub struct Daemon {
    name: String,
    child: Child,
    database: PathBuf,
}

/// Writes a configuration for these interfaces, each with further lines.
fn configure(name: &str, buses: &[&str]) -> Outcome<String> {
    let mut text = format!("schema = \"ampwake-logger/1\"\ndatabase = \"/tmp/{name}.db\"\ncommit_every_s = 1\n");
    for bus in buses {
        text.push_str(&format!("[[can]]\nname = {bus}\n"));
    }
    let path = format!("/tmp/{name}.toml");
    std::fs::write(&path, text)?;
    Ok(path)
}

/// Leaves what the daemon says that is expected not to start, as `NAME.refused`, with its exit status before it.
pub fn refused(name: &str, bus: &str) -> Outcome {
    let output = Command::new(PROGRAM).args(["--config", &configure(name, &[bus])?]).output()?;
    let status = format!("{:?} ", output.status.code());
    std::fs::write(format!("{OUT}/{name}.refused"), [status.into_bytes(), output.stdout, output.stderr].concat())?;
    Ok(())
}

/// Leaves what `ampwaked check` says, as `NAME.check`.
pub fn check(name: &str, bus: &str) -> Outcome {
    let output = Command::new(PROGRAM).args(["check", "--config", &configure(name, &[bus])?]).output()?;
    std::fs::write(format!("{OUT}/{name}.check"), [output.stdout, output.stderr].concat())?;
    Ok(())
}

impl Daemon {
    /// Starts one on these interfaces, and waits until it records.
    pub fn start(name: &str, buses: &[&str]) -> Outcome<Self> {
        let log = File::create(format!("{OUT}/{name}.log"))?;
        let child = Command::new(PROGRAM)
            .args(["--config", &configure(name, buses)?])
            .stdout(log.try_clone()?)
            .stderr(log)
            .spawn()?;
        let daemon = Self { name: name.to_owned(), child, database: format!("/tmp/{name}.db").into() };
        daemon.wait_for_events("recording_started", "", 1)?;
        Ok(daemon)
    }

    /// Waits until `done` says yes to what is committed.
    fn wait_for(&self, what: &str, done: impl Fn(&Store) -> Outcome<bool>) -> Outcome {
        // Not there yet is no mistake.
        wait_for(what, || Store::open(&self.database).map_or(Ok(false), |store| done(&store)))
    }

    /// Waits for so many events of this kind whose text holds `words`.
    pub fn wait_for_events(&self, kind: &str, words: &str, n: usize) -> Outcome {
        let fits = |e: &&Event| e.kind == kind && e.text.contains(words);
        self.wait_for(&format!("{n} events {kind} {words}"), |store| {
            Ok(store.events()?.iter().filter(fits).count() >= n)
        })
    }

    /// Waits until the device with this NAME is known with what it says about itself.
    pub fn wait_for_product(&self, name: u64) -> Outcome {
        self.wait_for("product information", |store| {
            Ok(store.devices()?.iter().any(|d| d.name == Some(name) && d.product.contains("model_id")))
        })
    }

    /// How many samples of a channel are committed.
    pub fn samples(&self, channel: &str) -> Outcome<u64> {
        let address = channel.parse().map_err(|_| "no address")?;
        Ok(Store::open(&self.database)?.find(&address)?.map_or(0, |c| c.samples))
    }

    /// The number that a channel holds last, as far as it is committed.
    pub fn latest(&self, channel: &str) -> Outcome<Option<u32>> {
        let address = channel.parse().map_err(|_| "no address")?;
        let latest = Store::open(&self.database)?.find(&address)?.and_then(|c| c.latest);
        Ok(latest.map(|v| (v * 100.0).round() as u32))
    }

    /// Waits until a channel has so many samples.
    pub fn wait_for_samples(&self, channel: &str, samples: u64) -> Outcome {
        wait_for(&format!("{samples} samples of {channel}"), || Ok(self.samples(channel)? >= samples))
    }

    /// Gives it another configuration, and waits until it says that it follows.
    pub fn reload(&self, buses: &[&str], words: &str) -> Outcome {
        configure(&self.name, buses)?;
        self.signal(Signal::SIGHUP)?;
        self.wait_for_events("configuration_changed", words, 1)
    }

    /// Sends it a signal.
    pub fn signal(&self, signal: Signal) -> Outcome {
        Ok(kill(Pid::from_raw(i32::try_from(self.child.id())?), signal)?)
    }

    /// Stops it as a service manager does, and leaves its database for the host.
    pub fn stop(mut self) -> Outcome {
        self.signal(Signal::SIGTERM)?;
        let status = self.child.wait()?;
        std::fs::copy(&self.database, format!("{OUT}/{}.db", self.name))?;
        if status.success() { Ok(()) } else { Err(format!("the daemon ended with {status}").into()) }
    }
}
