//! RV-C messages (open specification of the recreation vehicle industry association). Numbers and layouts as at
//! least two of three public decoders give them (a C++ library, a generated field table, a generated C header);
//! where only one carries a layout the row says so. Scales are the specification's generic data types.
//!
//! Left out because no public source makes them sure: DC_SOURCE_STATUS_7 to 10, 12 and 13, transfer switches, DC-DC
//! converters, the fourth AC messages, the fault bits of the first and the phase bits of the third.

mod ac;
mod charging;
mod dc;
mod names;
mod solar;
mod system;

use super::rows::{number, unsigned};
use crate::message::{Field, MessageDef, Protocol};
use crate::quantity::Unit;

/// By rising number.
pub(super) static MESSAGES: &[&MessageDef] = &[
    &system::ADDRESS_CLAIM,
    &solar::ARRAY_STATUS,
    &solar::BATTERY_STATUS,
    &solar::STATUS_6,
    &solar::STATUS_5,
    &solar::STATUS_4,
    &solar::STATUS_3,
    &solar::STATUS_2,
    &dc::BATTERY_11,
    &dc::BATTERY_4,
    &dc::BATTERY_2,
    &dc::BATTERY_1,
    &charging::STATUS_2,
    &dc::SOURCE_11,
    &solar::STATUS,
    &ac::INVERTER_TEMPERATURE,
    &charging::CONFIGURATION_4,
    &charging::GENERATOR_DC,
    &dc::SOURCE_6,
    &dc::SOURCE_5,
    &dc::SOURCE_4,
    &system::DIAGNOSTIC,
    &charging::CONFIGURATION_3,
    &charging::CONFIGURATION_2,
    &charging::EQUALIZATION_CONFIGURATION,
    &charging::EQUALIZATION,
    &charging::CONFIGURATION,
    &charging::STATUS,
    &ac::CHARGER_3,
    &ac::CHARGER_2,
    &ac::CHARGER_1,
    &ac::INVERTER_STATUS,
    &ac::INVERTER_3,
    &ac::INVERTER_2,
    &ac::INVERTER_1,
    &ac::GENERATOR_2,
    &ac::GENERATOR_1,
    &ac::GENERATOR_AC_3,
    &ac::GENERATOR_AC_2,
    &ac::GENERATOR_AC_1,
    &dc::SOURCE_3,
    &dc::SOURCE_2,
    &dc::SOURCE_1,
];

/// A message of one frame; all are, and all of those here are sent with priority 6.
const fn message(number: u32, title: &'static str, fields: &'static [Field]) -> MessageDef {
    super::rows::single(number, title, 6, fields).of(Protocol::Rvc)
}

/// Volts, 16 bits of 0.05 V.
const fn volts(name: &'static str, bit: u16) -> Field {
    unsigned(name, bit, 16, 0.05, Unit::Volt)
}

/// Amperes, 16 bits of 0.05 A from -1600 A.
const fn amperes(name: &'static str, bit: u16) -> Field {
    number(name, bit, 16, false, 0.05, -1600.0, Unit::Ampere)
}

/// Ampere-hours, 16 bits.
const fn ampere_hours(name: &'static str, bit: u16) -> Field {
    unsigned(name, bit, 16, 1.0, Unit::AmpereHour)
}

/// Minutes on the bus, seconds in the channel.
const fn minutes(name: &'static str, bit: u16) -> Field {
    unsigned(name, bit, 16, 60.0, Unit::Second)
}

/// Half per cent in 8 bits, a fraction in the channel.
const fn half_percent(name: &'static str, bit: u16) -> Field {
    unsigned(name, bit, 8, 0.005, Unit::Fraction)
}

/// Whole degrees Celsius from -40 in 8 bits.
const fn degrees(name: &'static str, bit: u16) -> Field {
    number(name, bit, 8, false, 1.0, -40.0, Unit::Celsius)
}

/// Degrees Celsius, 16 bits of 1/32 from -273.
const fn fine_degrees(name: &'static str, bit: u16) -> Field {
    number(name, bit, 16, false, 0.03125, -273.0, Unit::Celsius)
}
