//! Where the vessel is, how fast it goes, and what time the receiver says it is.

use super::super::rows::{code, count, fast, ident, reserved, sid, signed, single, unsigned};
use super::names::{DIRECTION_REFERENCE, GNS, GNS_INTEGRITY, GNS_METHOD, WATER_REFERENCE};
use crate::message::MessageDef;
use crate::quantity::Unit;

pub(super) static SPEED: MessageDef = single(
    128259,
    "Speed",
    2,
    &[
        sid(0),
        unsigned("speed_water_referenced", 8, 16, 0.01, Unit::MetrePerSecond),
        unsigned("speed_ground_referenced", 24, 16, 0.01, Unit::MetrePerSecond),
        code("speed_water_referenced_type", 40, 8, WATER_REFERENCE),
        code("speed_direction", 48, 4, &[]),
        reserved(52, 12),
    ],
);

pub(super) static POSITION: MessageDef = single(
    129025,
    "Position, Rapid Update",
    2,
    &[signed("latitude", 0, 32, 1e-7, Unit::Degree), signed("longitude", 32, 32, 1e-7, Unit::Degree)],
);

pub(super) static COG_SOG: MessageDef = single(
    129026,
    "COG & SOG, Rapid Update",
    2,
    &[
        sid(0),
        code("cog_reference", 8, 2, DIRECTION_REFERENCE),
        reserved(10, 6),
        unsigned("cog", 16, 16, 0.0001, Unit::Radian),
        unsigned("sog", 32, 16, 0.01, Unit::MetrePerSecond),
        reserved(48, 16),
    ],
);

/// Date and time are those of the fix: days since 1970-01-01 and seconds since midnight, UTC.
pub(super) static GNSS: MessageDef = fast(
    129029,
    "GNSS Position Data",
    3,
    &[
        sid(0),
        unsigned("date", 8, 16, 1.0, Unit::Day),
        unsigned("time", 24, 32, 0.0001, Unit::Second),
        signed("latitude", 56, 64, 1e-16, Unit::Degree),
        signed("longitude", 120, 64, 1e-16, Unit::Degree),
        signed("altitude", 184, 64, 1e-6, Unit::Metre),
        code("gnss_type", 248, 4, GNS),
        code("method", 252, 4, GNS_METHOD),
        code("integrity", 256, 2, GNS_INTEGRITY),
        reserved(258, 6),
        unsigned("number_of_svs", 264, 8, 1.0, Unit::None),
        signed("hdop", 272, 16, 0.01, Unit::None),
        signed("pdop", 288, 16, 0.01, Unit::None),
        signed("geoidal_separation", 304, 32, 0.01, Unit::Metre),
        count("reference_stations", 336),
        code("reference_station_type", 344, 4, GNS),
        ident("reference_station_id", 348, 12),
        unsigned("age_of_dgnss_corrections", 360, 16, 0.01, Unit::Second),
    ],
)
.repeating_from(15);

pub(super) static TIME_DATE: MessageDef = single(
    129033,
    "Time & Date",
    3,
    &[
        unsigned("date", 0, 16, 1.0, Unit::Day),
        unsigned("time", 16, 32, 0.0001, Unit::Second),
        signed("local_offset", 48, 16, 60.0, Unit::Second),
    ],
);
