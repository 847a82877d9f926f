//! Chargers, inverters and converters: what they are doing and how they are set. None of these messages carries
//! a charger's output current.

use super::super::rows::{code, fast, instance, percent, reserved, sid, single, unsigned};
use super::names::{
    CHARGER_MODE, CHARGER_STATE, CHARGING_ALGORITHM, CONVERTER_STATE, DEVICE_TEMP_STATE, GOOD_WARNING_ERROR,
    INVERTER_MODE, INVERTER_STATE, OFF_ON,
};
use crate::message::MessageDef;
use crate::quantity::Unit;

/// The C++ library writes the time in seconds but reads it in minutes; minutes it is.
pub(super) static CHARGER_STATUS: MessageDef = fast(
    127507,
    "Charger Status",
    6,
    &[
        instance("instance", 0),
        unsigned("battery_instance", 8, 8, 1.0, Unit::None),
        code("operating_state", 16, 4, CHARGER_STATE),
        code("charge_mode", 20, 4, CHARGER_MODE),
        code("enabled", 24, 2, OFF_ON),
        code("equalization_pending", 26, 2, OFF_ON),
        reserved(28, 4),
        unsigned("equalization_time_remaining", 32, 16, 60.0, Unit::Second),
    ],
);

pub(super) static INVERTER_STATUS: MessageDef = fast(
    127509,
    "Inverter Status",
    6,
    &[
        instance("instance", 0),
        unsigned("ac_instance", 8, 8, 1.0, Unit::None),
        unsigned("dc_instance", 16, 8, 1.0, Unit::None),
        code("operating_state", 24, 4, INVERTER_STATE),
        code("inverter_enable", 28, 2, OFF_ON),
        reserved(30, 2),
    ],
);

/// The C++ library sends the reserved bits as zeros and the equalise time in seconds, the database says minutes;
/// nobody can tell which a device means, so the time is informational.
pub(super) static CHARGER_CONFIGURATION: MessageDef = fast(
    127510,
    "Charger Configuration Status",
    6,
    &[
        instance("instance", 0),
        unsigned("battery_instance", 8, 8, 1.0, Unit::None),
        code("charger_enable_disable", 16, 2, OFF_ON),
        reserved(18, 6),
        percent("charge_current_limit", 24, 8),
        code("charging_algorithm", 32, 4, CHARGING_ALGORITHM),
        code("charger_mode", 36, 4, CHARGER_MODE),
        code("estimated_temperature", 40, 4, DEVICE_TEMP_STATE),
        code("equalize_one_time_enable_disable", 44, 2, OFF_ON),
        code("over_charge_enable_disable", 46, 2, OFF_ON),
        unsigned("equalize_time", 48, 16, 60.0, Unit::Second),
    ],
);

pub(super) static INVERTER_CONFIGURATION: MessageDef = fast(
    127511,
    "Inverter Configuration Status",
    6,
    &[
        instance("instance", 0),
        unsigned("ac_instance", 8, 8, 1.0, Unit::None),
        unsigned("dc_instance", 16, 8, 1.0, Unit::None),
        code("inverter_enable_disable", 24, 2, OFF_ON),
        code("inverter_mode", 26, 4, INVERTER_MODE),
        code("load_sense_enable_disable", 30, 2, OFF_ON),
        unsigned("load_sense_power_threshold", 32, 16, 1.0, Unit::Watt),
        unsigned("load_sense_interval", 48, 16, 0.01, Unit::Second),
    ],
);

/// Its states are not those of 127507: bulk is 3 here and 1 there.
pub(super) static CONVERTER_STATUS: MessageDef = single(
    127750,
    "Converter Status",
    6,
    &[
        sid(0),
        instance("connection_number", 8),
        code("operating_state", 16, 8, CONVERTER_STATE),
        code("temperature_state", 24, 2, GOOD_WARNING_ERROR),
        code("overload_state", 26, 2, GOOD_WARNING_ERROR),
        code("low_dc_voltage_state", 28, 2, GOOD_WARNING_ERROR),
        code("ripple_state", 30, 2, GOOD_WARNING_ERROR),
        reserved(32, 32),
    ],
);
