//! The rows.

use super::{Beside, SentenceDef, TimeFields, ValueDef};
use crate::quantity::Unit;

/// One international knot, m/s (BIPM SI brochure, 8th edition, table 8: 1852 m an hour).
const KNOT: f64 = 1852.0 / 3600.0;
const KM_PER_HOUR: f64 = 1.0 / 3.6;
/// Mode indicators that mean "not valid": N data not valid.
const NOT_VALID: &str = "N";

const fn value(name: &'static str, unit: Unit, at: usize, scale: f64, beside: Beside) -> ValueDef {
    ValueDef { name, unit, at, scale, beside }
}

const fn degrees(name: &'static str, at: usize, letter: &'static str) -> ValueDef {
    value(name, Unit::Degree, at, 1.0, Beside::Is(letter))
}

const fn speed(name: &'static str, at: usize, scale: f64, letter: &'static str) -> ValueDef {
    value(name, Unit::MetrePerSecond, at, scale, Beside::Is(letter))
}

const PLAIN: SentenceDef =
    SentenceDef { formatter: "", message: "", title: "", invalid: &[], instance: None, values: &[], time: None };

/// Every sentence but `XDR`, which describes itself.
pub static SENTENCES: &[SentenceDef] = &[
    SentenceDef {
        formatter: "RPM",
        message: "rpm",
        title: "Revolutions",
        invalid: &[(4, "V")],
        instance: Some((0, 1)),
        values: &[
            value("speed", Unit::Rpm, 2, 1.0, Beside::Nothing),
            value("propeller_pitch", Unit::Fraction, 3, 0.01, Beside::Nothing),
        ],
        ..PLAIN
    },
    SentenceDef {
        formatter: "MTW",
        message: "mtw",
        title: "Water temperature",
        values: &[value("water_temperature", Unit::Celsius, 0, 1.0, Beside::Is("C"))],
        ..PLAIN
    },
    SentenceDef {
        formatter: "VTG",
        message: "vtg",
        title: "Course over ground and ground speed",
        invalid: &[(8, NOT_VALID)],
        values: &[
            degrees("course_over_ground_true", 0, "T"),
            degrees("course_over_ground_magnetic", 2, "M"),
            speed("speed_over_ground", 4, KNOT, "N"),
            speed("speed_over_ground", 6, KM_PER_HOUR, "K"),
        ],
        ..PLAIN
    },
    SentenceDef {
        formatter: "VHW",
        message: "vhw",
        title: "Water speed and heading",
        values: &[
            degrees("heading_true", 0, "T"),
            degrees("heading_magnetic", 2, "M"),
            speed("water_speed", 4, KNOT, "N"),
            speed("water_speed", 6, KM_PER_HOUR, "K"),
        ],
        ..PLAIN
    },
    SentenceDef {
        formatter: "HDT",
        message: "hdt",
        title: "Heading, true",
        values: &[degrees("heading_true", 0, "T")],
        ..PLAIN
    },
    SentenceDef {
        formatter: "HDG",
        message: "hdg",
        title: "Heading, deviation and variation",
        values: &[
            value("magnetic_sensor_heading", Unit::Degree, 0, 1.0, Beside::Nothing),
            value("magnetic_deviation", Unit::Degree, 1, 1.0, Beside::Negative("W")),
            value("magnetic_variation", Unit::Degree, 3, 1.0, Beside::Negative("W")),
        ],
        ..PLAIN
    },
    SentenceDef {
        formatter: "RMC",
        message: "rmc",
        title: "Recommended minimum specific GNSS data",
        invalid: &[(1, "V"), (11, NOT_VALID)],
        values: &[
            value("latitude", Unit::Degree, 2, 1.0, Beside::Hemisphere("S")),
            value("longitude", Unit::Degree, 4, 1.0, Beside::Hemisphere("W")),
            value("speed_over_ground", Unit::MetrePerSecond, 6, KNOT, Beside::Nothing),
            value("course_over_ground_true", Unit::Degree, 7, 1.0, Beside::Nothing),
            value("magnetic_variation", Unit::Degree, 9, 1.0, Beside::Negative("W")),
        ],
        time: Some(TimeFields::Date(8)),
        ..PLAIN
    },
    SentenceDef {
        formatter: "ZDA",
        message: "zda",
        title: "Time and date",
        time: Some(TimeFields::DayMonthYear),
        ..PLAIN
    },
];

/// The row of a formatter.
pub fn find(formatter: &str) -> Option<&'static SentenceDef> {
    SENTENCES.iter().find(|def| def.formatter == formatter)
}
