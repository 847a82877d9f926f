//! CANopen: what the protocol itself fixes (CiA 301, object lists from public implementations). A message's number
//! is its function code in the bits of the identifier; the node's number takes the place of the message in channel
//! addresses (`can0/canopen/10/nmt_state`).
//!
//! Process data has no fixed meaning: two devices send different things under the same identifier, so it belongs
//! into a description of the device (a DBC file) and is not guessed here.

use super::rows::{code, reserved, single};
use crate::message::{MessageDef, Protocol};

/// By rising number.
pub(super) static MESSAGES: &[&MessageDef] = &[&EMERGENCY, &HEARTBEAT];

/// Code 0 takes the last error back. The five bytes of the maker's own are left alone.
static EMERGENCY: MessageDef = single(
    0x080,
    "Emergency",
    1,
    &[code("emergency_error_code", 0, 16, &[]), code("error_register", 16, 8, &[]), reserved(24, 40)],
)
.of(Protocol::Canopen);

static HEARTBEAT: MessageDef = single(
    0x700,
    "Heartbeat",
    7,
    &[code("nmt_state", 0, 8, &[(0, "Boot-up"), (4, "Stopped"), (5, "Operational"), (127, "Pre-operational")])],
)
.of(Protocol::Canopen);
