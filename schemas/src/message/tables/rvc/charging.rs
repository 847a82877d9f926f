//! Chargers and DC generators. Unlike NMEA 2000's, an RV-C charger says how much current it gives.
//!
//! The instance is a plain byte; a form of 2015 puts the sort of charger into its upper half (0 from AC, 1 solar,
//! 3 alternator, ...), which the address shows as the byte that it is.

use super::super::rows::{code, instance, reserved, unsigned};
use super::names::{ALGORITHM, BATTERY_TYPE, CHARGER_MODE, FORCE_CHARGE, NO_YES, OPERATING_STATE};
use super::{ampere_hours, amperes, degrees, half_percent, message, minutes, volts};
use crate::message::{Field, MessageDef};
use crate::quantity::Unit;

pub(super) const VOLTAGE: Field = volts("charge_voltage", 8);
pub(super) const CURRENT: Field = amperes("charge_current", 24);
pub(super) const PERCENT: Field = half_percent("charge_current_percent_of_maximum", 40);
pub(super) const STATE: Field = code("operating_state", 48, 8, OPERATING_STATE);
pub(super) const POWER_UP: Field = code("default_state_on_power_up", 56, 2, NO_YES);
pub(super) const FORCE: Field = code("force_charge", 60, 4, FORCE_CHARGE);

pub(super) static STATUS: MessageDef = message(
    0x1FFC7,
    "CHARGER_STATUS",
    &[
        instance("instance", 0),
        VOLTAGE,
        CURRENT,
        PERCENT,
        STATE,
        POWER_UP,
        code("auto_recharge_enable", 58, 2, NO_YES),
        FORCE,
    ],
);

pub(super) static STATUS_2: MessageDef = message(
    0x1FEA3,
    "CHARGER_STATUS_2",
    &[
        instance("instance", 0),
        unsigned("dc_source_instance", 8, 8, 1.0, Unit::None),
        code("device_priority", 16, 8, &[]),
        volts("charge_voltage", 24),
        amperes("charge_current", 40),
        degrees("charger_temperature", 56),
    ],
);

/// The sources differ on the last field: 16 bits of current here, as in the field table; a library has one byte.
pub(super) static CONFIGURATION: MessageDef = message(
    0x1FFC6,
    "CHARGER_CONFIGURATION_STATUS",
    &[
        instance("instance", 0),
        code("charging_algorithm", 8, 8, ALGORITHM),
        code("charger_mode", 16, 8, CHARGER_MODE),
        code("battery_sensor_present", 24, 2, NO_YES),
        code("charger_installation_line", 26, 2, &[]),
        code("battery_type", 28, 4, BATTERY_TYPE),
        ampere_hours("battery_bank_size", 32),
        amperes("maximum_charging_current", 48),
    ],
);

pub(super) static CONFIGURATION_2: MessageDef = message(
    0x1FF96,
    "CHARGER_CONFIGURATION_STATUS_2",
    &[
        instance("instance", 0),
        half_percent("maximum_charge_current_percent", 8),
        half_percent("charge_rate_limit_percent_of_bank_size", 16),
        unsigned("shore_breaker_size", 24, 8, 1.0, Unit::Ampere),
        degrees("default_battery_temperature", 32),
        volts("recharge_voltage", 40),
        reserved(56, 8),
    ],
);

pub(super) static CONFIGURATION_3: MessageDef = message(
    0x1FECC,
    "CHARGER_CONFIGURATION_STATUS_3",
    &[
        instance("instance", 0),
        volts("bulk_voltage", 8),
        volts("absorption_voltage", 24),
        volts("float_voltage", 40),
        unsigned("temperature_compensation_mv_per_k", 56, 8, 1.0, Unit::None),
    ],
);

pub(super) static CONFIGURATION_4: MessageDef = message(
    0x1FEBF,
    "CHARGER_CONFIGURATION_STATUS_4",
    &[
        instance("instance", 0),
        minutes("bulk_time", 8),
        minutes("absorption_time", 24),
        minutes("float_time", 40),
        reserved(56, 8),
    ],
);

pub(super) static EQUALIZATION: MessageDef = message(
    0x1FF99,
    "CHARGER_EQUALIZATION_STATUS",
    &[
        instance("instance", 0),
        minutes("equalization_time_remaining", 8),
        code("pre_charging_status", 24, 2, NO_YES),
        reserved(26, 38),
    ],
);

pub(super) static EQUALIZATION_CONFIGURATION: MessageDef = message(
    0x1FF98,
    "CHARGER_EQUALIZATION_CONFIGURATION_STATUS",
    &[instance("instance", 0), volts("equalization_voltage", 8), minutes("equalization_time", 24), reserved(40, 24)],
);

/// An alternator or DC generator; the codes of its state are in no public source. One source, a field table.
pub(super) static GENERATOR_DC: MessageDef = message(
    0x1FEC6,
    "GENERATOR_DC_STATUS_1",
    &[
        instance("instance", 0),
        volts("dc_voltage", 8),
        amperes("dc_current", 24),
        half_percent("dc_current_percent_of_maximum", 40),
        code("operating_state", 48, 8, &[]),
        reserved(56, 8),
    ],
);
