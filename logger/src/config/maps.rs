//! The register maps that a configuration names. Files of their own, so read apart from it; the mistakes of all of
//! them are reported together.

use super::Config;
use super::serial::Speaks;
use ampwake_schemas::modbus_map::{ModbusMap, read};
use ampwake_schemas::toml_read::{Mistakes, utf8};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Maps by the path that the configuration gives.
pub type Maps = BTreeMap<PathBuf, ModbusMap>;

/// What is wrong with maps.
#[derive(Debug, thiserror::Error)]
#[error("{}", .0.join("\n"))]
pub struct MapErrors(Vec<String>);

/// Reads every map once.
///
/// # Errors
/// Every mistake of every map, with its place.
pub fn load(config: &Config) -> Result<Maps, MapErrors> {
    let mut maps = Maps::new();
    let mut errors = Vec::new();
    let units = config.serial.iter().flat_map(|line| match &line.speaks {
        Speaks::Modbus(units) => units.as_slice(),
        Speaks::Nmea0183 => &[],
    });
    for path in units.filter_map(|unit| unit.map.as_ref()) {
        if maps.contains_key(path) {
            continue;
        }
        let name = path.display().to_string();
        let map = std::fs::read(path).map_err(|e| format!("{name}: cannot read the map: {e}")).and_then(|bytes| {
            utf8(&name, &bytes).and_then(|text| read(&name, text)).map_err(|m: Mistakes| m.to_string())
        });
        match map {
            Ok(map) => {
                maps.insert(path.clone(), map);
            }
            Err(error) if !errors.contains(&error) => errors.push(error),
            Err(_) => {}
        }
    }
    if errors.is_empty() { Ok(maps) } else { Err(MapErrors(errors)) }
}
