//! Batteries and DC measurements.

use super::super::rows::{
    code, fast, instance, kelvin, number, percent, reserved, sid, signed, signed_percent, single, unsigned,
};
use super::names::{BATTERY_CHEMISTRY, BATTERY_TYPE, BATTERY_VOLTAGE, DC_SOURCE, YES_NO};
use crate::message::MessageDef;
use crate::quantity::Unit;

/// The C++ library gives the remaining capacity in units of 3600 C, which is the same number of Ah.
pub(super) static DETAILED_STATUS: MessageDef = fast(
    127506,
    "DC Detailed Status",
    6,
    &[
        sid(0),
        instance("instance", 8),
        code("dc_type", 16, 8, DC_SOURCE),
        percent("state_of_charge", 24, 8),
        percent("state_of_health", 32, 8),
        unsigned("time_remaining", 40, 16, 60.0, Unit::Second),
        unsigned("ripple_voltage", 56, 16, 0.001, Unit::Volt),
        unsigned("remaining_capacity", 72, 16, 1.0, Unit::AmpereHour),
    ],
);

pub(super) static BATTERY_STATUS: MessageDef = single(
    127508,
    "Battery Status",
    6,
    &[
        instance("instance", 0),
        signed("battery_voltage", 8, 16, 0.01, Unit::Volt),
        signed("battery_current", 24, 16, 0.1, Unit::Ampere),
        kelvin("battery_temperature", 40, 16, 0.01),
        sid(56),
    ],
);

/// The C++ library writes FF where a signed byte is not available.
pub(super) static BATTERY_CONFIGURATION: MessageDef = fast(
    127513,
    "Battery Configuration Status",
    6,
    &[
        instance("instance", 0),
        code("battery_type", 8, 4, BATTERY_TYPE),
        code("supports_equalization", 12, 2, YES_NO),
        reserved(14, 2),
        code("nominal_voltage", 16, 4, BATTERY_VOLTAGE),
        code("chemistry", 20, 4, BATTERY_CHEMISTRY),
        unsigned("capacity", 24, 16, 1.0, Unit::AmpereHour),
        signed_percent("temperature_coefficient", 40, 8).also_missing(0xFF),
        number("peukert_exponent", 48, 8, false, 0.002, 1.0, Unit::None),
        signed_percent("charge_efficiency_factor", 56, 8).also_missing(0xFF),
    ],
);

/// The C++ library takes the voltage as signed, so that its "not available" is 7FFF; below 3276.7 V the bytes are
/// the same. It also writes a ninth byte, which no single frame carries.
pub(super) static VOLTAGE_CURRENT: MessageDef = single(
    127751,
    "DC Voltage/Current",
    6,
    &[
        sid(0),
        instance("connection_number", 8),
        unsigned("dc_voltage", 16, 16, 0.1, Unit::Volt).also_missing(0x7FFF),
        signed("dc_current", 32, 24, 0.01, Unit::Ampere),
        reserved(56, 8),
    ],
);
