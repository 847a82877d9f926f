//! The daemon as a function: what its configuration says, until it is told to stop.

use crate::asking::Questions;
use crate::bus::modbus::{ModbusLine, Registers, UnitPlan};
use crate::bus::sentences::SentenceLine;
use crate::bus::socketcan::{CanError, CanInterface};
use crate::bus::source::Source;
use crate::config::maps::{self, MapErrors, Maps};
use crate::config::serial::{SerialLine, Speaks};
use crate::config::{self, CanBus, Config};
use crate::dialect::Dialect;
use crate::metrics::Metrics;
use crate::notify::Notifier;
use crate::raw::RawOptions;
use crate::record::{self, LOOK_EVERY, RecordOptions, RunReport};
use crate::reload::Present;
use crate::watch::Watch;
use ampwake_store::{Keep, Store, StoreError, raw};
use serde_json::json;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::{Arc, Once};
use std::time::Duration;
use tokio::sync::mpsc::{Receiver, channel};

/// Why the daemon cannot run, or had to end.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// None of the interfaces can be opened, or one of them is none; all that cannot be opened.
    #[error("{}", lines(.0))]
    Buses(Vec<CanError>),
    /// Register maps that cannot be used.
    #[error(transparent)]
    Maps(#[from] MapErrors),
    /// The database cannot be opened or written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

fn lines(errors: &[CanError]) -> String {
    errors.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

/// What a run is to be looked after by.
#[derive(Debug)]
pub struct Supervision {
    /// Who started it.
    pub notifier: Notifier,
    /// Configurations that were read again, or why one cannot be.
    pub configurations: Receiver<Result<Config, String>>,
}

impl Default for Supervision {
    /// By nobody.
    fn default() -> Self {
        Self { notifier: Notifier::default(), configurations: channel(1).1 }
    }
}

/// Records what `config` says until `shutdown`.
///
/// # Errors
/// An interface, a register map or the database cannot be opened, or the database cannot be written any more.
pub async fn run(config: &Config, shutdown: impl Future<Output = ()>) -> Result<RunReport, RunError> {
    run_under(config, Supervision::default(), shutdown).await
}

/// The same, looked after.
///
/// # Errors
/// As [`run`]; a configuration that comes later and cannot be followed is none, it is said in the log.
pub async fn run_under(
    config: &Config,
    supervision: Supervision,
    shutdown: impl Future<Output = ()>,
) -> Result<RunReport, RunError> {
    let maps = maps::load(config)?;
    let mut sources = sources(config)?;
    // A line that is not there yet is waited for: an adapter may be plugged in later, a gateway start later.
    sources.extend(config.serial.iter().map(|serial| line(serial, &maps)));
    let (store, set_aside) = Store::create_or_set_aside(&config.database)?;
    if let Some(aside) = &set_aside {
        tracing::error!("the database was damaged and is set aside as {}; recording into a new one", aside.display());
    }
    let Supervision { notifier, mut configurations } = supervision;
    let notifier = Arc::new(notifier);
    let every = notifier.watchdog().map_or(LOOK_EVERY, |patience| patience / 4);
    let (manager, ready) = (notifier.clone(), Once::new());
    let watch = Arc::new(Watch::new(move |figures| {
        let status = figures.line();
        ready.call_once(|| manager.ready(&status));
        manager.alive(&status);
    }));
    watch.tick();
    let options = RecordOptions { set_aside, ..options(config) };
    let (mut threads, recorder) = record::start(sources, store, options, Some((watch.clone(), every)));
    let mut recorder = tokio::task::spawn_blocking(recorder);
    let mut present = Present::new(config.clone(), maps);
    let mut metrics = shown(config.metrics, &watch);
    let mut shutdown = pin!(shutdown);
    let mut ticks = tokio::time::interval(every / 2);
    let result = loop {
        tokio::select! {
            ended = &mut recorder => break ended,
            () = &mut shutdown => {
                notifier.stopping();
                drop(threads);
                break recorder.await;
            }
            _ = ticks.tick() => watch.tick(),
            Some(next) = configurations.recv() => {
                notifier.reloading();
                let before = present.metrics();
                match next.and_then(|config| present.follow(config, &mut threads)) {
                    Ok(()) if present.metrics() != before => {
                        // The old one is closed first: it may be the same port.
                        drop(metrics.take());
                        metrics = shown(present.metrics(), &watch);
                    }
                    Ok(()) => {}
                    Err(text) => tracing::error!("the new configuration is refused and the old one kept:\n{text}"),
                }
                notifier.ready(&watch.figures().line());
            }
        }
    };
    Ok(result.unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic()))?)
}

/// Shows figures where the configuration says. That they cannot be shown costs no recording.
fn shown(address: Option<SocketAddr>, watch: &Arc<Watch>) -> Option<Metrics> {
    let address = address?;
    match Metrics::start(address, watch.clone()) {
        Ok(metrics) => {
            tracing::info!("figures are at http://{}/metrics", metrics.address());
            Some(metrics)
        }
        Err(e) => {
            tracing::error!("no figures at {address}: {e}; it is recorded all the same");
            None
        }
    }
}

/// What is asked on a bus: nothing unless the configuration says so.
pub(crate) fn questions(bus: &CanBus) -> Option<Questions> {
    let tables: Vec<_> = bus.protocols.iter().filter_map(|p| p.table()).collect();
    if bus.ask { Questions::on(&tables) } else { None }
}

/// The interfaces that can be opened, and those that are waited for beside them: one adapter that is not plugged in
/// must not cost the recording of the others. With none at all somebody has to be told at once.
fn sources(config: &Config) -> Result<Vec<Box<dyn Source>>, RunError> {
    let opened: Vec<_> = config.can.iter().map(|bus| (bus, CanInterface::open(&bus.name, questions(bus)))).collect();
    let hopeless = |e: &CanError| !e.may_pass();
    let alone = config.serial.is_empty();
    if alone && opened.iter().all(|(_, o)| o.is_err()) || opened.iter().any(|(_, o)| o.as_ref().is_err_and(hopeless)) {
        return Err(RunError::Buses(opened.into_iter().filter_map(|(_, o)| o.err()).collect()));
    }
    let source = |(bus, opened): (&CanBus, Result<_, _>)| -> Box<dyn Source> {
        Box::new(opened.unwrap_or_else(|e| CanInterface::waiting(&bus.name, questions(bus), e)))
    };
    Ok(opened.into_iter().map(source).collect())
}

/// What reads a line. A unit whose map is not among `maps` is left out; [`maps::load`] has refused that before.
pub(crate) fn line(line: &SerialLine, maps: &Maps) -> Box<dyn Source> {
    match &line.speaks {
        Speaks::Nmea0183 => Box::new(SentenceLine::new(&line.name, line.port.clone())),
        Speaks::Modbus(units) => {
            let plan = |unit: &config::serial::UnitConfig| {
                let registers = match &unit.map {
                    Some(path) => Registers::Map(maps.get(path)?.clone()),
                    None => Registers::SunSpec,
                };
                Some(UnitPlan { address: unit.unit, registers, every_s: unit.every_s })
            };
            Box::new(ModbusLine::new(&line.name, line.port.clone(), units.iter().filter_map(plan).collect()))
        }
    }
}

fn max_bytes(config: &Config) -> u64 {
    (config.keep.max_gb * 1e9) as u64
}

/// Where raw frames are kept, if they are: only what CAN buses carry is.
fn raw_of(config: &Config) -> Option<RawOptions> {
    let days = config.keep.raw_days;
    let wanted = days > 0 && !config.can.is_empty();
    wanted.then(|| RawOptions { path: raw::beside(&config.database), days, max_bytes: max_bytes(config) })
}

/// What raw frames of an earlier configuration still take. Those that are kept give way by themselves.
fn beside(config: &Config) -> u64 {
    let old = raw::beside(&config.database);
    if raw_of(config).is_some() { 0 } else { std::fs::metadata(old).map_or(0, |m| m.len()) }
}

/// What a bus speaks, in the order of the configuration.
pub(crate) fn dialects_of(bus: &CanBus) -> Vec<Dialect> {
    let spoken = bus.protocols.iter().map(|p| match p.table() {
        Some(table) => Dialect::from(table),
        None => Dialect::Frames(bus.definitions.clone()),
    });
    spoken.collect()
}

/// The recorder's options of a configuration.
pub fn options(config: &Config) -> RecordOptions {
    let dialects = config.can.iter().map(|bus| (bus.name.clone(), dialects_of(bus)));
    let buses: Vec<_> = config
        .can
        .iter()
        .map(|bus| {
            let protocols: Vec<_> = bus.protocols.iter().map(|p| p.text()).collect();
            json!({ "name": bus.name, "protocols": protocols, "ask": bus.ask })
        })
        .collect();
    let lines: Vec<_> = config
        .serial
        .iter()
        .map(|line| json!({ "name": line.name, "port": line.port.to_string(), "protocol": line.speaks.text() }))
        .collect();
    RecordOptions {
        bus_protocols: dialects.collect(),
        commit_every: Duration::from_secs(config.commit_every_s.into()),
        keep: Some(Keep { full_days: config.keep.full_days, max_bytes: max_bytes(config), beside: beside(config) }),
        raw: raw_of(config),
        set_aside: None,
        configuration: json!({
            "database": config.database.display().to_string(), "commit_every_s": config.commit_every_s, "can": buses,
            "serial": lines, "raw_days": config.keep.raw_days, "full_days": config.keep.full_days, "max_gb": config.keep.max_gb
        }),
    }
}
