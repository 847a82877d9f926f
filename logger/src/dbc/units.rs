//! Unit texts of DBC files: what they mean in the units of channels. Files are free in their spelling; what is not
//! on the list has no unit, and is not guessed.

use ampwake_schemas::quantity::Unit;

/// From a value in the file's unit to the channel's: `(value + shift) * factor / divisor`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Conversion {
    pub(super) unit: Unit,
    shift: f64,
    factor: f64,
    divisor: f64,
}

impl Conversion {
    /// The value in the channel's unit.
    pub(super) fn apply(&self, value: f64) -> f64 {
        (value + self.shift) * self.factor / self.divisor
    }
}

const fn same(unit: Unit) -> Conversion {
    times(unit, 1.0)
}

const fn times(unit: Unit, factor: f64) -> Conversion {
    Conversion { unit, shift: 0.0, factor, divisor: 1.0 }
}

/// Division keeps decimal values exact where a factor of 0.001 would not.
const fn over(unit: Unit, divisor: f64) -> Conversion {
    Conversion { unit, shift: 0.0, factor: 1.0, divisor }
}

/// Nothing known.
pub(super) const NONE: Conversion = same(Unit::None);

/// What a unit text means; `None` for one that is not known. Blanks, `_` and the many signs for degrees do not
/// matter, capitals do (mW is not MW) except in words.
pub(super) fn conversion(text: &str) -> Option<Conversion> {
    let text: String = text
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '_')
        .map(|c| match c {
            // Degree, masculine ordinal, ring above; the two omegas; both signs for a thousandth.
            '\u{00B0}' | '\u{00BA}' | '\u{02DA}' => '\u{00B0}',
            '\u{2126}' | '\u{03A9}' => '\u{03A9}',
            '\u{03BC}' | '\u{00B5}' => 'u',
            c => c,
        })
        .collect();
    Some(match text.as_str() {
        "V" | "Volt" | "Volts" | "volt" | "Vdc" | "VDC" | "Vac" | "VAC" => same(Unit::Volt),
        "mV" => over(Unit::Volt, 1e3),
        "kV" => times(Unit::Volt, 1e3),
        "A" | "Amp" | "Amps" | "amp" | "Ampere" | "Adc" | "ADC" => same(Unit::Ampere),
        "mA" => over(Unit::Ampere, 1e3),
        "kA" => times(Unit::Ampere, 1e3),
        "W" | "Watt" | "watt" => same(Unit::Watt),
        "kW" | "KW" => times(Unit::Watt, 1e3),
        "Wh" => same(Unit::WattHour),
        "kWh" | "KWh" | "kwh" | "kW*h" => times(Unit::WattHour, 1e3),
        "VA" => same(Unit::VoltAmpere),
        "kVA" => times(Unit::VoltAmpere, 1e3),
        "var" | "VAr" | "VAR" => same(Unit::Var),
        "kvar" | "kVAr" | "kVAR" => times(Unit::Var, 1e3),
        "Ah" | "AH" | "A*h" => same(Unit::AmpereHour),
        "mAh" => over(Unit::AmpereHour, 1e3),
        "\u{00B0}C" | "\u{2103}" | "degC" | "DegC" | "deg.C" | "Celsius" | "celsius" | "grdC" => same(Unit::Celsius),
        "K" | "Kelvin" | "kelvin" | "degK" => {
            Conversion { unit: Unit::Celsius, shift: -273.15, factor: 1.0, divisor: 1.0 }
        }
        "\u{00B0}F" | "\u{2109}" | "degF" => {
            Conversion { unit: Unit::Celsius, shift: -32.0, factor: 5.0, divisor: 9.0 }
        }
        "%" | "percent" | "Percent" | "pct" | "%SOC" | "%SoC" => over(Unit::Fraction, 100.0),
        "rpm" | "RPM" | "Rpm" | "1/min" | "U/min" | "r/min" => same(Unit::Rpm),
        "Hz" | "hz" => same(Unit::Hertz),
        "kHz" => times(Unit::Hertz, 1e3),
        "s" | "sec" | "Sec" | "second" | "seconds" => same(Unit::Second),
        "ms" => over(Unit::Second, 1e3),
        "min" | "minute" | "minutes" | "Min" => times(Unit::Second, 60.0),
        "h" | "hr" | "hrs" | "hour" | "hours" | "Hours" => times(Unit::Second, 3600.0),
        "d" | "day" | "days" => same(Unit::Day),
        "\u{00B0}" | "deg" | "degree" | "degrees" => same(Unit::Degree),
        "rad" => same(Unit::Radian),
        "m" => same(Unit::Metre),
        "mm" => over(Unit::Metre, 1e3),
        "cm" => over(Unit::Metre, 1e2),
        "km" => times(Unit::Metre, 1e3),
        "m/s" => same(Unit::MetrePerSecond),
        "km/h" | "kph" | "Km/h" => over(Unit::MetrePerSecond, 3.6),
        // The international knot: 1852 m/h (ISO 80000-3).
        "kn" | "kt" | "kts" | "knot" | "knots" => {
            Conversion { unit: Unit::MetrePerSecond, shift: 0.0, factor: 1852.0, divisor: 3600.0 }
        }
        "Pa" => same(Unit::Pascal),
        "hPa" | "mbar" => times(Unit::Pascal, 1e2),
        "kPa" | "kpa" => times(Unit::Pascal, 1e3),
        "bar" | "Bar" => times(Unit::Pascal, 1e5),
        "MPa" => times(Unit::Pascal, 1e6),
        "L" | "l" | "litre" | "liter" => same(Unit::Litre),
        "L/h" | "l/h" => same(Unit::LitrePerHour),
        "\u{03A9}" | "ohm" | "Ohm" | "ohms" | "Ohms" => same(Unit::Ohm),
        "m\u{03A9}" | "mohm" | "mOhm" => over(Unit::Ohm, 1e3),
        "u\u{03A9}" | "uohm" | "uOhm" => over(Unit::Ohm, 1e6),
        "k\u{03A9}" | "kohm" | "kOhm" | "KOhm" => times(Unit::Ohm, 1e3),
        "M\u{03A9}" | "Mohm" | "MOhm" => times(Unit::Ohm, 1e6),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn common_spellings() {
        for (text, value, unit, expect) in [
            ("V", 53.2, Unit::Volt, 53.2),
            ("mV", 3312.0, Unit::Volt, 3.312),
            ("\u{00B0}C", 21.5, Unit::Celsius, 21.5),
            ("\u{00BA} C", 21.5, Unit::Celsius, 21.5),
            ("deg C", -4.0, Unit::Celsius, -4.0),
            ("K", 273.15, Unit::Celsius, 0.0),
            ("\u{00B0}F", 212.0, Unit::Celsius, 100.0),
            ("%", 56.0, Unit::Fraction, 0.56),
            ("kWh", 1.5, Unit::WattHour, 1500.0),
            ("k\u{2126}", 120.0, Unit::Ohm, 120_000.0),
            ("km/h", 36.0, Unit::MetrePerSecond, 10.0),
        ] {
            let c = conversion(text).unwrap();
            assert_eq!((c.unit, c.apply(value)), (unit, expect), "{text}");
        }
    }

    #[test]
    fn what_is_not_known_or_has_two_meanings_is_not_guessed() {
        // C is coulomb, or degrees in some files, or a rate of charge.
        for text in ["C", "furlong", "mW.", "bit", "", "MW"] {
            assert_eq!(conversion(text), None, "{text}");
        }
    }
}
