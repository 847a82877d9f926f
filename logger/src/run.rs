//! The daemon as a function: what its configuration says, until it is told to stop.

use crate::bus::socketcan::{CanError, CanInterface};
use crate::bus::source::Source;
use crate::config::Config;
use crate::dialect::Dialect;
use crate::record::{RecordOptions, RunReport, record};
use ampwake_store::{Store, StoreError};
use serde_json::json;
use std::time::Duration;

/// Why the daemon cannot run, or had to end.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// Interfaces that cannot be opened, all of them.
    #[error("{}", lines(.0))]
    Buses(Vec<CanError>),
    /// The database cannot be opened or written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

fn lines(errors: &[CanError]) -> String {
    errors.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

/// Records what `config` says until `shutdown`.
///
/// # Errors
/// An interface or the database cannot be opened, or the database cannot be written any more.
pub async fn run(config: &Config, shutdown: impl Future<Output = ()>) -> Result<RunReport, RunError> {
    let mut sources: Vec<Box<dyn Source>> = Vec::new();
    let mut errors = Vec::new();
    for bus in &config.can {
        match CanInterface::open(&bus.name) {
            Ok(interface) => sources.push(Box::new(interface)),
            Err(e) => errors.push(e),
        }
    }
    if !errors.is_empty() {
        return Err(RunError::Buses(errors));
    }
    let store = Store::create(&config.database)?;
    Ok(record(sources, store, options(config), shutdown).await?)
}

/// The recorder's options of a configuration.
pub fn options(config: &Config) -> RecordOptions {
    // In the order of the configuration.
    let dialects = config.can.iter().map(|bus| {
        let spoken = bus.protocols.iter().map(|p| match p.table() {
            Some(table) => Dialect::from(table),
            None => Dialect::Frames(bus.definitions.clone()),
        });
        (bus.name.clone(), spoken.collect())
    });
    let buses: Vec<_> = config
        .can
        .iter()
        .map(|bus| json!({ "name": bus.name, "protocols": bus.protocols.iter().map(|p| p.text()).collect::<Vec<_>>() }))
        .collect();
    RecordOptions {
        bus_protocols: dialects.collect(),
        commit_every: Duration::from_secs(config.commit_every_s.into()),
        configuration: json!({
            "database": config.database.display().to_string(), "commit_every_s": config.commit_every_s, "can": buses
        }),
    }
}
