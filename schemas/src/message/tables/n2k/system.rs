//! Who is on the bus, what it is, and what time it thinks it is.

use super::super::rows::{code, fast, ident, reserved, sid, single, spare, text, unsigned};
use super::names::{CONTROLLER_STATE, EQUIPMENT_STATUS, SYSTEM_TIME as TIME_SOURCE};
use crate::message::{Field, MessageDef};
use crate::quantity::Unit;

/// The whole payload, little-endian, is the 64-bit NAME. The manufacturer code stays a number.
pub(super) static ADDRESS_CLAIM: MessageDef = single(60928, "ISO Address Claim", 6, ADDRESS_CLAIM_FIELDS);

/// SAE J1939 and RV-C have the same.
pub(in crate::message::tables) const ADDRESS_CLAIM_FIELDS: &[Field] = &[
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
];

/// The sender's own clock: days since 1970-01-01 and seconds since midnight, UTC.
pub(super) static SYSTEM_TIME: MessageDef = single(
    126992,
    "System Time",
    3,
    &[
        sid(0),
        code("source", 8, 4, TIME_SOURCE),
        reserved(12, 4),
        unsigned("date", 16, 16, 1.0, Unit::Day),
        unsigned("time", 32, 32, 0.0001, Unit::Second),
    ],
);

pub(super) static HEARTBEAT: MessageDef = single(
    126993,
    "Heartbeat",
    7,
    &[
        unsigned("data_transmit_offset", 0, 16, 0.01, Unit::Second),
        unsigned("sequence_counter", 16, 8, 1.0, Unit::None),
        code("controller_1_state", 24, 2, CONTROLLER_STATE),
        code("controller_2_state", 26, 2, CONTROLLER_STATE),
        code("equipment_status", 28, 2, EQUIPMENT_STATUS),
        reserved(30, 34),
    ],
);

/// The version is in thousandths. No field of it is a channel: a device says this once, when asked.
pub(super) static PRODUCT_INFORMATION: MessageDef = fast(
    126996,
    "Product Information",
    6,
    &[
        ident("nmea_2000_version", 0, 16),
        ident("product_code", 16, 16),
        text("model_id", 32, 256),
        text("software_version_code", 288, 256),
        text("model_version", 544, 256),
        text("model_serial_code", 800, 256),
        ident("certification_level", 1056, 8),
        ident("load_equivalency", 1064, 8),
    ],
);
