//! Who is on the bus, and what it complains about.

use super::super::n2k::ADDRESS_CLAIM_FIELDS;
use super::super::rows::{code, ident, joined, piece, reserved, unsigned};
use super::message;
use super::names::OFF_ON;
use crate::message::MessageDef;
use crate::quantity::Unit;

/// The NAME, as in SAE J1939.
pub(super) static ADDRESS_CLAIM: MessageDef = message(0x0EE00, "ADDRESS_CLAIM", ADDRESS_CLAIM_FIELDS);

/// One fault of one sender, or none. The parameter's number lies in three bytes, highest first, around the failure
/// mode.
pub(super) static DIAGNOSTIC: MessageDef = message(
    0x1FECA,
    "DM_RV",
    &[
        code("operating_status_on", 0, 2, OFF_ON),
        code("operating_status_active", 2, 2, OFF_ON),
        code("yellow_lamp", 4, 2, OFF_ON),
        code("red_lamp", 6, 2, OFF_ON),
        ident("default_source_address", 8, 8),
        piece(16, 8),
        piece(24, 8),
        code("failure_mode_identifier", 32, 5, &[]),
        joined("suspect_parameter_number", 37, 3, 0, &[(16, 8, 11), (24, 8, 3)]),
        unsigned("occurrence_count", 40, 7, 1.0, Unit::None),
        reserved(47, 1),
        ident("default_source_address_extension", 48, 8),
        code("bank_select", 56, 4, &[]),
        reserved(60, 4),
    ],
);
