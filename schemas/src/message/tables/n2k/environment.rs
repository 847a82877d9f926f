//! Temperatures, humidity and pressure.

use super::super::rows::{code, instance, kelvin, number, reserved, sid, single, unsigned};
use super::names::{HUMIDITY_SOURCE, TEMPERATURE_SOURCE};
use crate::message::MessageDef;
use crate::quantity::Unit;

/// Obsolete in the standard, still sent by older instruments.
pub(super) static OBSOLETE: MessageDef = single(
    130310,
    "Environmental Parameters (obsolete)",
    5,
    &[
        sid(0),
        kelvin("water_temperature", 8, 16, 0.01),
        kelvin("outside_ambient_air_temperature", 24, 16, 0.01),
        unsigned("atmospheric_pressure", 40, 16, 100.0, Unit::Pascal),
        reserved(56, 8),
    ],
);

pub(super) static PARAMETERS: MessageDef = single(
    130311,
    "Environmental Parameters",
    5,
    &[
        sid(0),
        code("temperature_source", 8, 6, TEMPERATURE_SOURCE),
        code("humidity_source", 14, 2, HUMIDITY_SOURCE),
        kelvin("temperature", 16, 16, 0.01),
        // 0.004 % per bit.
        number("humidity", 32, 16, true, 0.00004, 0.0, Unit::Fraction),
        unsigned("atmospheric_pressure", 48, 16, 100.0, Unit::Pascal),
    ],
);

/// The database calls the measurement "Actual Temperature" here and "Temperature" in 130316; it is one thing.
pub(super) static TEMPERATURE: MessageDef = single(
    130312,
    "Temperature",
    5,
    &[
        sid(0),
        instance("instance", 8),
        code("source", 16, 8, TEMPERATURE_SOURCE),
        kelvin("temperature", 24, 16, 0.01),
        kelvin("set_temperature", 40, 16, 0.01),
        reserved(56, 8),
    ],
);

pub(super) static TEMPERATURE_EXTENDED: MessageDef = single(
    130316,
    "Temperature Extended Range",
    5,
    &[
        sid(0),
        instance("instance", 8),
        code("source", 16, 8, TEMPERATURE_SOURCE),
        kelvin("temperature", 24, 24, 0.001),
        kelvin("set_temperature", 48, 16, 0.1),
    ],
);
