//! DC sources (a bank as seen from the outside) and the packs within one.
//!
//! Several devices may speak of the same DC source; each says with its device priority how much it is to be believed
//! (120 a battery's state-of-charge device, 100 an inverter/charger, 80 a charger, 60 an inverter, 40 a volt and
//! ammeter, 20 a voltmeter; one public field table). The sign of the current is not reliable across devices (common
//! practice, no source): the intent gives it.

use super::super::rows::{code, instance, number, rank, reserved, unsigned};
use super::names::{BATTERY_TYPE, NO_YES, OFF_ON, OPERATING_STATE, TIME_REMAINING};
use super::{ampere_hours, amperes, fine_degrees, half_percent, message, volts};
use crate::message::{Field, MessageDef};
use crate::quantity::Unit;

const PRIORITY: Field = rank("device_priority", 8);
/// A pack has no rank; it belongs to a DC source.
const DC_INSTANCE: Field = unsigned("dc_instance", 8, 8, 1.0, Unit::None);
const DC_VOLTAGE: Field = volts("dc_voltage", 16);
/// Milliamperes from -2 000 000 A.
const DC_CURRENT: Field = number("dc_current", 32, 32, false, 0.001, -2_000_000.0, Unit::Ampere);
const TEMPERATURE: Field = fine_degrees("source_temperature", 16);
const STATE_OF_CHARGE: Field = half_percent("state_of_charge", 32);
const REMAINING: Field = super::minutes("time_remaining", 40);
const INTERPRETATION: Field = code("time_remaining_interpretation", 56, 2, TIME_REMAINING);
const DESIRED_STATE: Field = code("desired_charge_state", 16, 8, OPERATING_STATE);
const DESIRED_VOLTAGE: Field = volts("desired_dc_voltage", 24);
const DESIRED_CURRENT: Field = amperes("desired_dc_current", 40);
const TYPE: Field = code("battery_type", 56, 4, BATTERY_TYPE);
const DISCHARGE: Field = code("discharge_on_off_status", 16, 2, OFF_ON);
const CHARGE: Field = code("charge_on_off_status", 18, 2, OFF_ON);
const DETECTED: Field = code("charge_detected", 20, 2, NO_YES);
const RESERVE: Field = code("reserve_status", 22, 2, NO_YES);
const FULL: Field = ampere_hours("full_capacity", 24);
/// Without a sign.
const POWER: Field = unsigned("dc_power", 40, 16, 1.0, Unit::Watt);

pub(super) static SOURCE_1: MessageDef =
    message(0x1FFFD, "DC_SOURCE_STATUS_1", &[instance("instance", 0), PRIORITY, DC_VOLTAGE, DC_CURRENT]);

pub(super) static SOURCE_2: MessageDef = message(
    0x1FFFC,
    "DC_SOURCE_STATUS_2",
    &[instance("instance", 0), PRIORITY, TEMPERATURE, STATE_OF_CHARGE, REMAINING, INTERPRETATION, reserved(58, 6)],
);

pub(super) static SOURCE_3: MessageDef = message(
    0x1FFFB,
    "DC_SOURCE_STATUS_3",
    &[
        instance("instance", 0),
        PRIORITY,
        half_percent("state_of_health", 16),
        ampere_hours("capacity_remaining", 24),
        half_percent("relative_capacity", 40),
        unsigned("ac_rms_ripple", 48, 16, 0.001, Unit::Volt),
    ],
);

pub(super) static SOURCE_4: MessageDef = message(
    0x1FEC9,
    "DC_SOURCE_STATUS_4",
    &[instance("instance", 0), PRIORITY, DESIRED_STATE, DESIRED_VOLTAGE, DESIRED_CURRENT, TYPE, reserved(60, 4)],
);

pub(super) static SOURCE_5: MessageDef = message(
    0x1FEC8,
    "DC_SOURCE_STATUS_5",
    &[
        instance("instance", 0),
        PRIORITY,
        unsigned("high_precision_dc_voltage", 16, 32, 0.001, Unit::Volt),
        number("dc_voltage_rate_mv_per_s", 48, 16, false, 1.0, -32_000.0, Unit::None),
    ],
);

pub(super) static SOURCE_6: MessageDef = message(
    0x1FEC7,
    "DC_SOURCE_STATUS_6",
    &[
        instance("instance", 0),
        PRIORITY,
        code("high_voltage_limit_status", 16, 2, NO_YES),
        code("high_voltage_disconnect_status", 18, 2, NO_YES),
        code("low_voltage_limit_status", 20, 2, NO_YES),
        code("low_voltage_disconnect_status", 22, 2, NO_YES),
        reserved(24, 40),
    ],
);

pub(super) static SOURCE_11: MessageDef = message(
    0x1FEA5,
    "DC_SOURCE_STATUS_11",
    &[instance("instance", 0), PRIORITY, DISCHARGE, CHARGE, DETECTED, RESERVE, FULL, POWER, reserved(56, 8)],
);

// The packs' messages: one public source, a field table.

pub(super) static BATTERY_1: MessageDef =
    message(0x1FE95, "BATTERY_STATUS_1", &[instance("instance", 0), DC_INSTANCE, DC_VOLTAGE, DC_CURRENT]);

pub(super) static BATTERY_2: MessageDef = message(
    0x1FE94,
    "BATTERY_STATUS_2",
    &[instance("instance", 0), DC_INSTANCE, TEMPERATURE, STATE_OF_CHARGE, REMAINING, INTERPRETATION, reserved(58, 6)],
);

pub(super) static BATTERY_4: MessageDef = message(
    0x1FE92,
    "BATTERY_STATUS_4",
    &[instance("instance", 0), DC_INSTANCE, DESIRED_STATE, DESIRED_VOLTAGE, DESIRED_CURRENT, TYPE, reserved(60, 4)],
);

pub(super) static BATTERY_11: MessageDef = message(
    0x1FE8B,
    "BATTERY_STATUS_11",
    &[instance("instance", 0), DC_INSTANCE, DISCHARGE, CHARGE, DETECTED, RESERVE, FULL, POWER, reserved(56, 8)],
);
