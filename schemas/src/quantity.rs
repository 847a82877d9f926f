//! Units. [`Unit`] names the unit of a channel; the newtypes are what the analysis computes with, so that
//! a volt cannot be added to an ampere.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The unit of a channel. Values are SI-derived; `Code` is an enumeration's number, `None` a pure number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs)] // each variant is its own text, see `Unit::text`
pub enum Unit {
    #[serde(rename = "V")]
    Volt,
    #[serde(rename = "A")]
    Ampere,
    #[serde(rename = "W")]
    Watt,
    #[serde(rename = "var")]
    Var,
    #[serde(rename = "VA")]
    VoltAmpere,
    #[serde(rename = "Wh")]
    WattHour,
    #[serde(rename = "Ah")]
    AmpereHour,
    #[serde(rename = "degC")]
    Celsius,
    #[serde(rename = "Hz")]
    Hertz,
    #[serde(rename = "rpm")]
    Rpm,
    #[serde(rename = "m/s")]
    MetrePerSecond,
    #[serde(rename = "fraction")]
    Fraction,
    #[serde(rename = "s")]
    Second,
    #[serde(rename = "d")]
    Day,
    #[serde(rename = "deg")]
    Degree,
    #[serde(rename = "rad")]
    Radian,
    #[serde(rename = "m")]
    Metre,
    #[serde(rename = "Pa")]
    Pascal,
    #[serde(rename = "L")]
    Litre,
    #[serde(rename = "L/h")]
    LitrePerHour,
    #[serde(rename = "ohm")]
    Ohm,
    #[serde(rename = "code")]
    Code,
    #[serde(rename = "")]
    None,
}

impl Unit {
    /// Every unit, in the order of the variants.
    pub const ALL: [Unit; 23] = [
        Unit::Volt,
        Unit::Ampere,
        Unit::Watt,
        Unit::Var,
        Unit::VoltAmpere,
        Unit::WattHour,
        Unit::AmpereHour,
        Unit::Celsius,
        Unit::Hertz,
        Unit::Rpm,
        Unit::MetrePerSecond,
        Unit::Fraction,
        Unit::Second,
        Unit::Day,
        Unit::Degree,
        Unit::Radian,
        Unit::Metre,
        Unit::Pascal,
        Unit::Litre,
        Unit::LitrePerHour,
        Unit::Ohm,
        Unit::Code,
        Unit::None,
    ];

    /// The unit as text, as it stands in the store, in CLI output and in findings.
    pub const fn text(self) -> &'static str {
        match self {
            Unit::Volt => "V",
            Unit::Ampere => "A",
            Unit::Watt => "W",
            Unit::Var => "var",
            Unit::VoltAmpere => "VA",
            Unit::WattHour => "Wh",
            Unit::AmpereHour => "Ah",
            Unit::Celsius => "degC",
            Unit::Hertz => "Hz",
            Unit::Rpm => "rpm",
            Unit::MetrePerSecond => "m/s",
            Unit::Fraction => "fraction",
            Unit::Second => "s",
            Unit::Day => "d",
            Unit::Degree => "deg",
            Unit::Radian => "rad",
            Unit::Metre => "m",
            Unit::Pascal => "Pa",
            Unit::Litre => "L",
            Unit::LitrePerHour => "L/h",
            Unit::Ohm => "ohm",
            Unit::Code => "code",
            Unit::None => "",
        }
    }

    /// Back from [`Unit::text`].
    pub fn parse(text: &str) -> Option<Unit> {
        Unit::ALL.into_iter().find(|u| u.text() == text)
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize, JsonSchema)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The unit's text.
            pub const UNIT: &'static str = $unit;
            /// The larger of two.
            pub fn max(self, other: Self) -> Self { Self(self.0.max(other.0)) }
            /// The smaller of two.
            pub fn min(self, other: Self) -> Self { Self(self.0.min(other.0)) }
            /// Without its sign.
            pub fn abs(self) -> Self { Self(self.0.abs()) }
        }
        impl std::ops::Add for $name { type Output = Self; fn add(self, o: Self) -> Self { Self(self.0 + o.0) } }
        impl std::ops::Sub for $name { type Output = Self; fn sub(self, o: Self) -> Self { Self(self.0 - o.0) } }
        impl std::ops::Neg for $name { type Output = Self; fn neg(self) -> Self { Self(-self.0) } }
        impl std::ops::Mul<f64> for $name { type Output = Self; fn mul(self, k: f64) -> Self { Self(self.0 * k) } }
        impl std::ops::Div<f64> for $name { type Output = Self; fn div(self, k: f64) -> Self { Self(self.0 / k) } }
        impl std::ops::AddAssign for $name { fn add_assign(&mut self, o: Self) { self.0 += o.0; } }
        impl std::iter::Sum for $name { fn sum<I: Iterator<Item = Self>>(i: I) -> Self { Self(i.map(|q| q.0).sum()) } }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                match f.precision() {
                    Some(p) => write!(f, "{:.p$} {}", self.0, $unit),
                    None => write!(f, "{} {}", self.0, $unit),
                }
            }
        }
    };
}

quantity!(
    /// Electric potential.
    Volts, "V"
);
quantity!(
    /// Electric current; into the bank is positive.
    Amperes, "A"
);
quantity!(
    /// Power.
    Watts, "W"
);
quantity!(
    /// Resistance.
    Ohms, "ohm"
);
quantity!(
    /// Charge.
    AmpereHours, "Ah"
);
quantity!(
    /// Energy.
    WattHours, "Wh"
);
quantity!(
    /// Temperature in degrees Celsius.
    Celsius, "degC"
);
quantity!(
    /// Duration.
    Seconds, "s"
);

impl std::ops::Mul<Amperes> for Volts {
    type Output = Watts;
    fn mul(self, i: Amperes) -> Watts {
        Watts(self.0 * i.0)
    }
}
impl std::ops::Mul<Ohms> for Amperes {
    type Output = Volts;
    fn mul(self, r: Ohms) -> Volts {
        Volts(self.0 * r.0)
    }
}
impl std::ops::Div<Ohms> for Volts {
    type Output = Amperes;
    fn div(self, r: Ohms) -> Amperes {
        Amperes(self.0 / r.0)
    }
}
impl std::ops::Mul<Seconds> for Amperes {
    type Output = AmpereHours;
    fn mul(self, t: Seconds) -> AmpereHours {
        AmpereHours(self.0 * t.0 / 3600.0)
    }
}
impl std::ops::Mul<Seconds> for Watts {
    type Output = WattHours;
    fn mul(self, t: Seconds) -> WattHours {
        WattHours(self.0 * t.0 / 3600.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unit_text_and_back() {
        for unit in Unit::ALL {
            assert_eq!(Unit::parse(unit.text()), Some(unit));
        }
        assert_eq!(Unit::parse("furlong"), None);
    }

    #[test]
    fn products_carry_units() {
        // 56.8 V x 100 A = 5680 W.
        assert_eq!(Volts(56.8) * Amperes(100.0), Watts(5680.0));
        assert_eq!(Amperes(100.0) * Seconds(1800.0), AmpereHours(50.0));
    }
}
