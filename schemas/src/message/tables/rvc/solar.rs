//! Solar controllers. The first status is in two public sources, the others in one, a field table.

use super::super::rows::{code, flags, instance, reserved, unsigned};
use super::charging::{CURRENT, FORCE, PERCENT, POWER_UP, STATE, VOLTAGE};
use super::names::NO_YES;
use super::{ampere_hours, amperes, degrees, fine_degrees, message, volts};
use crate::message::MessageDef;
use crate::quantity::Unit;

pub(super) static STATUS: MessageDef = message(
    0x1FEB3,
    "SOLAR_CONTROLLER_STATUS",
    &[instance("instance", 0), VOLTAGE, CURRENT, PERCENT, STATE, POWER_UP, code("clear_history", 58, 2, NO_YES), FORCE],
);

/// Another public decoder calls the first two output voltage and current.
pub(super) static STATUS_2: MessageDef = message(
    0x1FE85,
    "SOLAR_CONTROLLER_STATUS_2",
    &[
        instance("instance", 0),
        volts("rated_battery_voltage", 8),
        amperes("rated_charging_current", 24),
        flags("supported_battery_types", 40, 16, &[]),
        reserved(56, 8),
    ],
);

/// The rated over-power that follows has no certain scale.
pub(super) static STATUS_3: MessageDef = message(
    0x1FE84,
    "SOLAR_CONTROLLER_STATUS_3",
    &[
        instance("instance", 0),
        volts("rated_solar_input_voltage", 8),
        amperes("rated_solar_input_current", 24),
        reserved(40, 24),
    ],
);

pub(super) static STATUS_4: MessageDef = message(
    0x1FE83,
    "SOLAR_CONTROLLER_STATUS_4",
    &[
        instance("instance", 0),
        ampere_hours("charge_today", 8),
        ampere_hours("charge_yesterday", 24),
        ampere_hours("charge_day_before_yesterday", 40),
        reserved(56, 8),
    ],
);

pub(super) static STATUS_5: MessageDef = message(
    0x1FE82,
    "SOLAR_CONTROLLER_STATUS_5",
    &[
        instance("instance", 0),
        ampere_hours("charge_last_7_days", 8),
        unsigned("cumulative_power_generation", 24, 32, 1000.0, Unit::WattHour),
        reserved(56, 8),
    ],
);

pub(super) static STATUS_6: MessageDef = message(
    0x1FE81,
    "SOLAR_CONTROLLER_STATUS_6",
    &[
        instance("instance", 0),
        unsigned("operating_days", 8, 16, 1.0, Unit::Day),
        fine_degrees("controller_temperature", 24),
        reserved(40, 24),
    ],
);

pub(super) static BATTERY_STATUS: MessageDef = message(
    0x1FE80,
    "SOLAR_CONTROLLER_BATTERY_STATUS",
    &[
        instance("instance", 0),
        unsigned("dc_source_instance", 8, 8, 1.0, Unit::None),
        code("device_priority", 16, 8, &[]),
        volts("measured_voltage", 24),
        amperes("measured_current", 40),
        degrees("measured_temperature", 56),
    ],
);

pub(super) static ARRAY_STATUS: MessageDef = message(
    0x1FDFF,
    "SOLAR_CONTROLLER_SOLAR_ARRAY_STATUS",
    &[instance("instance", 0), volts("array_voltage", 8), amperes("array_current", 24), reserved(40, 24)],
);
