//! Engines and what hangs on them.

use super::super::rows::{code, fast, flags, instance, kelvin, reserved, signed, signed_percent, single, unsigned};
use super::names::{ENGINE_STATUS_1, ENGINE_STATUS_2, GEAR_STATUS};
use crate::message::MessageDef;
use crate::quantity::Unit;

pub(super) static RAPID: MessageDef = single(
    127488,
    "Engine Parameters, Rapid Update",
    2,
    &[
        instance("instance", 0),
        unsigned("engine_speed", 8, 16, 0.25, Unit::Rpm),
        unsigned("boost_pressure", 24, 16, 100.0, Unit::Pascal),
        signed_percent("tilt_trim", 40, 8),
        reserved(48, 16),
    ],
);

pub(super) static DYNAMIC: MessageDef = fast(
    127489,
    "Engine Parameters, Dynamic",
    2,
    &[
        instance("instance", 0),
        unsigned("oil_pressure", 8, 16, 100.0, Unit::Pascal),
        kelvin("oil_temperature", 24, 16, 0.1),
        kelvin("temperature", 40, 16, 0.01),
        signed("alternator_potential", 56, 16, 0.01, Unit::Volt),
        signed("fuel_rate", 72, 16, 0.1, Unit::LitrePerHour),
        unsigned("total_engine_hours", 88, 32, 1.0, Unit::Second),
        unsigned("coolant_pressure", 120, 16, 100.0, Unit::Pascal),
        unsigned("fuel_pressure", 136, 16, 1000.0, Unit::Pascal),
        reserved(152, 8),
        flags("discrete_status_1", 160, 16, ENGINE_STATUS_1),
        flags("discrete_status_2", 176, 16, ENGINE_STATUS_2),
        signed_percent("engine_load", 192, 8),
        signed_percent("engine_torque", 200, 8),
    ],
);

pub(super) static TRANSMISSION: MessageDef = single(
    127493,
    "Transmission Parameters, Dynamic",
    2,
    &[
        instance("instance", 0),
        code("transmission_gear", 8, 2, GEAR_STATUS),
        reserved(10, 6),
        unsigned("oil_pressure", 16, 16, 100.0, Unit::Pascal),
        kelvin("oil_temperature", 32, 16, 0.1),
        code("discrete_status_1", 48, 8, &[]),
        reserved(56, 8),
    ],
);

pub(super) static TRIP: MessageDef = fast(
    127497,
    "Trip Parameters, Engine",
    5,
    &[
        instance("instance", 0),
        unsigned("trip_fuel_used", 8, 16, 1.0, Unit::Litre),
        signed("fuel_rate_average", 24, 16, 0.1, Unit::LitrePerHour),
        signed("fuel_rate_economy", 40, 16, 0.1, Unit::LitrePerHour),
        signed("instantaneous_fuel_economy", 56, 16, 0.1, Unit::LitrePerHour),
    ],
);
