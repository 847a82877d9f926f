//! SAE J1939 messages of engines and alternators. Byte positions and scales of VEP1, EEC1, ET1 and LFE1 as public
//! decoders agree on them; hours, diagnostic messages and default periods from memory of SAE J1939-71 and -73.
//! Names are the titles of the suspect parameters.
//!
//! Alternator currents beyond 250 A (VEP3) and the battery charger's message (64789) are left out: no public source
//! gives their layout.

use super::n2k::ADDRESS_CLAIM_FIELDS;
use super::rows::{code, ident, joined, number, piece, reserved, single, spare, unsigned};
use crate::message::{MessageDef, Protocol};
use crate::quantity::Unit;

/// By rising number.
pub(super) static MESSAGES: &[&MessageDef] = &[
    &ADDRESS_CLAIM,
    &ENGINE_CONTROLLER_1,
    &DIAGNOSTIC_1,
    &ALTERNATOR_SPEED,
    &COMMANDED_ADDRESS,
    &ENGINE_HOURS,
    &ENGINE_TEMPERATURE_1,
    &FUEL_ECONOMY,
    &VEHICLE_ELECTRICAL_POWER_1,
];

/// The NAME, as in NMEA 2000, which took it from here.
static ADDRESS_CLAIM: MessageDef = single(60928, "Address Claimed", 6, ADDRESS_CLAIM_FIELDS).of(Protocol::J1939);

static ENGINE_CONTROLLER_1: MessageDef = single(
    61444,
    "Electronic Engine Controller 1",
    3,
    &[
        reserved(0, 16),
        number("actual_engine_percent_torque", 16, 8, false, 0.01, -1.25, Unit::Fraction), // SPN 513
        unsigned("engine_speed", 24, 16, 0.125, Unit::Rpm),                                // SPN 190
        reserved(40, 24),
    ],
)
.of(Protocol::J1939);

const LAMP: &[(u8, &str)] = &[(0, "Off"), (1, "On")];

/// Lamps, then four bytes per trouble code: the number of the suspect parameter (19 bits around the failure mode),
/// the failure mode, how often it came. One that has no fault says parameter 0 and failure mode 0.
static DIAGNOSTIC_1: MessageDef = single(
    65226,
    "Active Diagnostic Trouble Codes",
    6,
    &[
        code("protect_lamp", 0, 2, LAMP),
        code("amber_warning_lamp", 2, 2, LAMP),
        code("red_stop_lamp", 4, 2, LAMP),
        code("malfunction_indicator_lamp", 6, 2, LAMP),
        reserved(8, 8), // how the lamps flash
        piece(16, 16),
        code("failure_mode_identifier", 32, 5, &[]),
        joined("suspect_parameter_number", 37, 3, 16, &[(16, 16, 0)]),
        unsigned("occurrence_count", 40, 7, 1.0, Unit::None),
        ident("conversion_method", 47, 1),
    ],
)
.of(Protocol::J1939)
.repeating_from(5);

const CHARGING: &[(u8, &str)] = &[(0, "Not charging"), (1, "Charging"), (2, "Error")];

/// Public sources number the four alternators from either end of the byte, so the states (SPN 3353 to 3356) are
/// named after their bits, counted from 1.
static ALTERNATOR_SPEED: MessageDef = single(
    65237,
    "Alternator Information",
    6,
    &[
        unsigned("alternator_speed", 0, 16, 0.5, Unit::Rpm), // SPN 589
        code("charging_state_bits_1_2", 16, 2, CHARGING),
        code("charging_state_bits_3_4", 18, 2, CHARGING),
        code("charging_state_bits_5_6", 20, 2, CHARGING),
        code("charging_state_bits_7_8", 22, 2, CHARGING),
        reserved(24, 40),
    ],
)
.of(Protocol::J1939);

/// Gives a device another address, which it then claims. Nine bytes, so always by transport protocol.
static COMMANDED_ADDRESS: MessageDef = single(
    65240,
    "Commanded Address",
    6,
    &[
        ident("unique_number", 0, 21),
        ident("manufacturer_code", 21, 11),
        ident("device_instance_lower", 32, 3),
        ident("device_instance_upper", 35, 5),
        ident("device_function", 40, 8),
        spare(48, 1),
        ident("device_class", 49, 7),
        ident("system_instance", 56, 4),
        ident("industry_group", 60, 3),
        ident("arbitrary_address_capable", 63, 1),
        ident("new_source_address", 64, 8),
    ],
)
.of(Protocol::J1939);

static ENGINE_HOURS: MessageDef = single(
    65253,
    "Engine Hours, Revolutions",
    6,
    &[
        unsigned("engine_total_hours_of_operation", 0, 32, 180.0, Unit::Second), // SPN 247, 0.05 h
        unsigned("engine_total_revolutions", 32, 32, 1000.0, Unit::None),        // SPN 249
    ],
)
.of(Protocol::J1939);

static ENGINE_TEMPERATURE_1: MessageDef = single(
    65262,
    "Engine Temperature 1",
    6,
    &[
        number("engine_coolant_temperature", 0, 8, false, 1.0, -40.0, Unit::Celsius), // SPN 110
        number("engine_fuel_temperature", 8, 8, false, 1.0, -40.0, Unit::Celsius),    // SPN 174
        number("engine_oil_temperature", 16, 16, false, 0.03125, -273.0, Unit::Celsius), // SPN 175
        reserved(32, 32),
    ],
)
.of(Protocol::J1939);

static FUEL_ECONOMY: MessageDef = single(
    65266,
    "Fuel Economy (Liquid)",
    6,
    &[unsigned("engine_fuel_rate", 0, 16, 0.05, Unit::LitrePerHour), reserved(16, 48)], // SPN 183
)
.of(Protocol::J1939);

static VEHICLE_ELECTRICAL_POWER_1: MessageDef = single(
    65271,
    "Vehicle Electrical Power 1",
    6,
    &[
        number("net_battery_current", 0, 8, false, 1.0, -125.0, Unit::Ampere), // SPN 114
        unsigned("alternator_current", 8, 8, 1.0, Unit::Ampere),               // SPN 115
        unsigned("charging_system_potential", 16, 16, 0.05, Unit::Volt),       // SPN 167
        unsigned("battery_potential", 32, 16, 0.05, Unit::Volt),               // SPN 168
        unsigned("keyswitch_battery_potential", 48, 16, 0.05, Unit::Volt),     // SPN 158
    ],
)
.of(Protocol::J1939);
