//! NMEA 2000 messages. Bits, scales and titles follow the CANboat PGN database 6.2.0 (Apache-2.0, as carried by
//! npm `@canboat/ts-pgns` 1.11.18); where it and the NMEA2000 C++ library 4.24.1 differ, the row says so.
//!
//! Field names are the database's in snake_case, except where a channel needs a name that stands for itself
//! (`engine_speed`, `battery_voltage`). 127744 to 127751 are marked in the database as not confirmed by samples.

mod ac;
mod charging;
mod dc;
mod engine;
mod environment;
mod names;
mod navigation;
mod system;

use crate::message::MessageDef;

pub(super) use system::ADDRESS_CLAIM_FIELDS;

/// By rising number.
pub(super) static MESSAGES: &[&MessageDef] = &[
    &system::ADDRESS_CLAIM,
    &system::SYSTEM_TIME,
    &system::HEARTBEAT,
    &system::PRODUCT_INFORMATION,
    &engine::RAPID,
    &engine::DYNAMIC,
    &engine::TRANSMISSION,
    &engine::TRIP,
    &ac::INPUT_STATUS,
    &ac::OUTPUT_STATUS,
    &dc::DETAILED_STATUS,
    &charging::CHARGER_STATUS,
    &dc::BATTERY_STATUS,
    &charging::INVERTER_STATUS,
    &charging::CHARGER_CONFIGURATION,
    &charging::INVERTER_CONFIGURATION,
    &dc::BATTERY_CONFIGURATION,
    &ac::POWER_A,
    &ac::POWER_B,
    &ac::POWER_C,
    &ac::VOLTAGE_A,
    &ac::VOLTAGE_B,
    &ac::VOLTAGE_C,
    &charging::CONVERTER_STATUS,
    &dc::VOLTAGE_CURRENT,
    &navigation::SPEED,
    &navigation::POSITION,
    &navigation::COG_SOG,
    &navigation::GNSS,
    &navigation::TIME_DATE,
    &environment::OBSOLETE,
    &environment::PARAMETERS,
    &environment::TEMPERATURE,
    &environment::TEMPERATURE_EXTENDED,
];
