//! AC in and out.

use super::super::rows::{code, count, fast, instance, reserved, set_index, sid, signed, single, unsigned};
use super::names::{ACCEPTABILITY, WAVEFORM};
use crate::message::{Field, MessageDef};
use crate::quantity::Unit;

/// One set per line; the message does not say whether the lines are phases or legs.
pub(super) static INPUT_STATUS: MessageDef = fast(
    127503,
    "AC Input Status",
    6,
    &[
        instance("instance", 0),
        count("number_of_lines", 8),
        set_index("line", 16, 2),
        code("acceptability", 18, 2, ACCEPTABILITY),
        reserved(20, 4),
        unsigned("voltage", 24, 16, 0.01, Unit::Volt),
        unsigned("current", 40, 16, 0.1, Unit::Ampere),
        unsigned("frequency", 56, 16, 0.01, Unit::Hertz),
        unsigned("breaker_size", 72, 16, 0.1, Unit::Ampere),
        unsigned("real_power", 88, 32, 1.0, Unit::Watt),
        unsigned("reactive_power", 120, 32, 1.0, Unit::Var),
        signed("power_factor", 152, 8, 0.01, Unit::None),
    ],
)
.repeating_from(2);

pub(super) static OUTPUT_STATUS: MessageDef = fast(
    127504,
    "AC Output Status",
    6,
    &[
        instance("instance", 0),
        count("number_of_lines", 8),
        set_index("line", 16, 2),
        code("waveform", 18, 3, WAVEFORM),
        reserved(21, 3),
        unsigned("voltage", 24, 16, 0.01, Unit::Volt),
        unsigned("current", 40, 16, 0.1, Unit::Ampere),
        unsigned("frequency", 56, 16, 0.01, Unit::Hertz),
        unsigned("breaker_size", 72, 16, 0.1, Unit::Ampere),
        unsigned("real_power", 88, 32, 1.0, Unit::Watt),
        unsigned("reactive_power", 120, 32, 1.0, Unit::Var),
        signed("power_factor", 152, 8, 0.01, Unit::None),
    ],
)
.repeating_from(2);

const POWER: &[Field] = &[
    sid(0),
    instance("connection_number", 8),
    unsigned("ac_rms_current", 16, 16, 0.1, Unit::Ampere),
    signed("power", 32, 32, 1.0, Unit::Watt),
];
pub(super) static POWER_A: MessageDef = single(127744, "AC Power / Current - Phase A", 6, POWER);
pub(super) static POWER_B: MessageDef = single(127745, "AC Power / Current - Phase B", 6, POWER);
pub(super) static POWER_C: MessageDef = single(127746, "AC Power / Current - Phase C", 6, POWER);

const VOLTAGE: &[Field] = &[
    sid(0),
    instance("connection_number", 8),
    unsigned("ac_voltage_line_to_neutral", 16, 16, 0.1, Unit::Volt),
    unsigned("ac_voltage_line_to_line", 32, 16, 0.1, Unit::Volt),
    unsigned("frequency", 48, 16, 0.1, Unit::Hertz),
];
pub(super) static VOLTAGE_A: MessageDef = single(127747, "AC Voltage / Frequency - Phase A", 6, VOLTAGE);
pub(super) static VOLTAGE_B: MessageDef = single(127748, "AC Voltage / Frequency - Phase B", 6, VOLTAGE);
pub(super) static VOLTAGE_C: MessageDef = single(127749, "AC Voltage / Frequency - Phase C", 6, VOLTAGE);
