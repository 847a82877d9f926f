//! AC side of chargers, inverters and generators, and the generator itself.
//!
//! One message is about one line and one side of a device: line 2 is `rms_voltage_2`. A charger's AC message is about
//! its input, an inverter's and a generator's about the output; the other side says so in its channels' names.

use super::super::rows::{code, instance, narrow_instance, number, reserved, set_index, side, unsigned};
use super::names::{GENERATOR_STATUS, INVERTER_STATUS as STATUS, NO_YES};
use super::{amperes, degrees, fine_degrees, half_percent, message, volts};
use crate::message::{Field, MessageDef};
use crate::quantity::Unit;

const INSTANCE: Field = narrow_instance("instance", 0, 4);
const LINE: Field = set_index("line", 4, 2);
const INPUT: Field = side("input_output", 6, 2, 0);
const OUTPUT: Field = side("input_output", 6, 2, 1);

/// The last byte holds faults of the wiring whose bits the sources do not agree on.
const fn first(direction: Field) -> [Field; 7] {
    let frequency = unsigned("frequency", 40, 16, 0.007_812_5, Unit::Hertz);
    [INSTANCE, LINE, direction, volts("rms_voltage", 8), amperes("rms_current", 24), frequency, reserved(56, 8)]
}

const fn second(direction: Field) -> [Field; 7] {
    let ground = amperes("ground_current", 40);
    [INSTANCE, LINE, direction, volts("peak_voltage", 8), amperes("peak_current", 24), ground, reserved(56, 8)]
}

/// The second byte (waveform, phase) is not sure.
const fn third(direction: Field) -> [Field; 8] {
    let real = number("real_power", 16, 16, false, 1.0, -32_000.0, Unit::Watt);
    let reactive = number("reactive_power", 32, 16, false, 1.0, -32_000.0, Unit::Var);
    let distortion = half_percent("harmonic_distortion", 48);
    [INSTANCE, LINE, direction, reserved(8, 8), real, reactive, distortion, code("complementary_leg", 56, 8, &[])]
}

pub(super) static CHARGER_1: MessageDef = message(0x1FFCA, "CHARGER_AC_STATUS_1", &first(INPUT));
pub(super) static CHARGER_2: MessageDef = message(0x1FFC9, "CHARGER_AC_STATUS_2", &second(INPUT));
pub(super) static CHARGER_3: MessageDef = message(0x1FFC8, "CHARGER_AC_STATUS_3", &third(INPUT));
pub(super) static INVERTER_1: MessageDef = message(0x1FFD7, "INVERTER_AC_STATUS_1", &first(OUTPUT));
pub(super) static INVERTER_2: MessageDef = message(0x1FFD6, "INVERTER_AC_STATUS_2", &second(OUTPUT));
pub(super) static INVERTER_3: MessageDef = message(0x1FFD5, "INVERTER_AC_STATUS_3", &third(OUTPUT));
// A field table gives a generator's line all four upper bits, which reads alike while the side is not said.
pub(super) static GENERATOR_AC_1: MessageDef = message(0x1FFDF, "GENERATOR_AC_STATUS_1", &first(OUTPUT));
pub(super) static GENERATOR_AC_2: MessageDef = message(0x1FFDE, "GENERATOR_AC_STATUS_2", &second(OUTPUT));
pub(super) static GENERATOR_AC_3: MessageDef = message(0x1FFDD, "GENERATOR_AC_STATUS_3", &third(OUTPUT));

/// One source, a field table.
pub(super) static INVERTER_STATUS: MessageDef = message(
    0x1FFD4,
    "INVERTER_STATUS",
    &[
        instance("instance", 0),
        code("status", 8, 8, STATUS),
        code("battery_temperature_sensor_present", 16, 2, NO_YES),
        code("load_sense_enabled", 18, 2, NO_YES),
        code("inverter_enabled", 20, 2, NO_YES),
        code("pass_through_enabled", 22, 2, NO_YES),
        code("generator_support_enabled", 24, 2, NO_YES),
        reserved(26, 38),
    ],
);

/// One source, a field table.
pub(super) static INVERTER_TEMPERATURE: MessageDef = message(
    0x1FEBD,
    "INVERTER_TEMPERATURE_STATUS",
    &[
        instance("instance", 0),
        fine_degrees("fet_1_temperature", 8),
        fine_degrees("transformer_temperature", 24),
        fine_degrees("fet_2_temperature", 40),
        reserved(56, 8),
    ],
);

/// A generator has no instance: a second one is told by its address.
pub(super) static GENERATOR_1: MessageDef = message(
    0x1FFDC,
    "GENERATOR_STATUS_1",
    &[
        code("status", 0, 8, GENERATOR_STATUS),
        unsigned("engine_run_time", 8, 32, 60.0, Unit::Second),
        half_percent("engine_load", 40),
        volts("start_battery_voltage", 48),
    ],
);

pub(super) static GENERATOR_2: MessageDef = message(
    0x1FFDB,
    "GENERATOR_STATUS_2",
    &[
        code("temperature_shutdown", 0, 2, NO_YES),
        code("oil_pressure_shutdown", 2, 2, NO_YES),
        code("oil_level_switch", 4, 2, NO_YES),
        code("caution_light", 6, 2, NO_YES),
        degrees("engine_coolant_temperature", 8),
        unsigned("engine_oil_pressure", 16, 8, 4000.0, Unit::Pascal),
        unsigned("engine_speed", 24, 16, 0.125, Unit::Rpm),
        unsigned("engine_fuel_rate", 40, 16, 0.05, Unit::LitrePerHour),
        reserved(56, 8),
    ],
);
