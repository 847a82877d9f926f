//! Numbers as people read them: how many digits, which unit text, how long something took.
//!
//! Owes its reader: every output and every summary sentence writes a figure through these functions, so that
//! the same figure looks the same everywhere. A value that is no number is written "unknown", never as zero.

use std::fmt::Write as _;

/// What stands where a figure is not known.
pub const UNKNOWN: &str = "unknown";

/// `value` with a fixed number of decimals and a true minus sign; what rounds to zero carries no sign.
///
/// The minus is U+2212: unlike the hyphen it does not let a line break between sign and figure.
pub fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    let text = format!("{:.*}", decimals, value.abs());
    let is_zero = text.bytes().all(|b| matches!(b, b'0' | b'.'));
    if value < 0.0 && !is_zero { format!("\u{2212}{text}") } else { text }
}

fn with_unit(value: f64, decimals: usize, unit: &str) -> String {
    if !value.is_finite() || unit.is_empty() {
        return fixed(value, decimals);
    }
    format!("{} {unit}", fixed(value, decimals))
}

/// A measured current: `79.6 A`.
pub fn amps(amperes: f64) -> String {
    with_unit(amperes, 1, "A")
}

/// A rating, setting or limit, without decimals that nobody wrote: `80 A`, `57.6 V`, `2.25 V`.
pub fn setting(value: f64, unit: &str) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    // Three decimals are the finest that any setting of the trade carries (V per cell).
    let text = fixed(value, 3);
    let text = text.trim_end_matches('0').trim_end_matches('.');
    let unit = unit_text(unit);
    if unit.is_empty() { text.to_owned() } else { format!("{text} {unit}") }
}

/// A measured voltage: `56.53 V`.
pub fn volts(volts: f64) -> String {
    with_unit(volts, 2, "V")
}

/// Charge: `74.0 Ah`, without a decimal from 100 Ah.
pub fn amp_hours(ah: f64) -> String {
    with_unit(ah, if ah.abs() < 99.95 { 1 } else { 0 }, "Ah")
}

/// Energy, given in Wh: `640 Wh`, `12.4 kWh`.
pub fn energy(wh: f64) -> String {
    if wh.abs() < 999.5 { with_unit(wh, 0, "Wh") } else { with_unit(wh / 1000.0, 1, "kWh") }
}

/// A temperature: `41.3 °C`.
pub fn celsius(degrees: f64) -> String {
    with_unit(degrees, 1, "°C")
}

/// A fraction 0..1 as percent: `97 %`; close to but not at the ends one decimal, so that `100 %` means all of it.
pub fn percent(fraction: f64) -> String {
    match fraction {
        f if (0.0005..0.00995).contains(&f) => with_unit(f * 100.0, 1, "%"),
        // Truncation at the upper end: 99.97 % seen is not "100 %".
        f if f > 0.99 && f < 1.0 => with_unit((f * 1000.0).floor() / 10.0, 1, "%"),
        f => with_unit(f * 100.0, 0, "%"),
    }
}

/// A duration in the two largest units that matter: `45 s`, `12 min`, `3 h 40 min`, `2 d 3 h`.
pub fn duration(seconds: f64) -> String {
    if !seconds.is_finite() {
        return UNKNOWN.to_owned();
    }
    let sign = if seconds <= -0.5 { "\u{2212}" } else { "" };
    let s = seconds.abs();
    // Rounding comes before the choice of units, else 3599.9 s reads "60 min".
    let (big, small) = if s < 89.5 {
        return format!("{sign}{} s", s.round());
    } else if s < 48.0 * 3600.0 - 30.0 {
        let minutes = (s / 60.0).round() as u64;
        ((minutes / 60, "h"), (minutes % 60, "min"))
    } else {
        let hours = (s / 3600.0).round().min(1e15) as u64;
        ((hours / 24, "d"), (hours % 24, "h"))
    };
    let mut out = sign.to_owned();
    if big.0 > 0 {
        let _ = write!(out, "{} {}", big.0, big.1);
    }
    if small.0 > 0 || big.0 == 0 {
        let gap = if big.0 > 0 { " " } else { "" };
        let _ = write!(out, "{gap}{} {}", small.0, small.1);
    }
    out
}

/// A unit as it is printed: `degC` becomes `°C`, `ohm` becomes `Ω`, `fraction` and `code` nothing.
pub fn unit_text(unit: &str) -> &str {
    match unit {
        "degC" => "°C",
        "ohm" => "Ω",
        "mohm" => "mΩ",
        "fraction" | "code" => "",
        other => other,
    }
}

/// Decimals for a measured value of a unit, where no uncertainty says better.
pub fn decimals(unit: &str, value: f64) -> usize {
    match unit {
        "A" | "degC" | "°C" | "K" | "%" | "min" | "kWh" | "kW" | "mohm" | "mΩ" => 1,
        "V" | "Hz" | "h" | "fraction" => 2,
        "Ah" => usize::from(value.abs() < 99.95),
        "W" | "Wh" | "rpm" | "s" | "g/kWh" | "deg" => 0,
        _ if value.abs() >= 100.0 => 0,
        _ if value.abs() >= 10.0 => 1,
        _ => 2,
    }
}

/// A measured value in any unit of the project, with the digits that suit the unit.
pub fn quantity(value: f64, unit: &str) -> String {
    with_unit(value, decimals(unit, value), unit_text(unit))
}

/// An interval between samples: `0.1 s`, `1.5 s`, `60 s`.
pub fn interval(seconds: f64) -> String {
    if seconds.abs() < 9.95 { with_unit(seconds, 1, "s") } else { duration(seconds) }
}

/// `0.0 ± 0.5 A`: the value to the last place that its uncertainty supports.
///
/// The uncertainty keeps one significant digit, two when it begins with 1 or 2 (at most two digits: JCGM 100
/// (GUM), 7.2.6). Which coverage factor it has is the caller's to say. No or no usable uncertainty: [`quantity`].
pub fn with_uncertainty(value: f64, uncertainty: f64, unit: &str) -> String {
    let u = uncertainty.abs();
    if !u.is_finite() || u < 1e-9 || !value.is_finite() {
        return quantity(value, unit);
    }
    let exponent = u.log10().floor();
    let leading = u / 10f64.powf(exponent);
    let digits = if leading < 3.0 { 2 } else { 1 };
    // Three decimals at most: no instrument on board is finer. Above 10 whole numbers are enough.
    let places = (digits - 1 - exponent as i64).clamp(0, 3) as usize;
    let unit = unit_text(unit);
    let gap = if unit.is_empty() { "" } else { " " };
    format!("{} \u{b1} {}{gap}{unit}", fixed(value, places), fixed(u, places))
}

/// The head of a sentence about a source that gave too little:
/// `Port shore charger gave 0.0 ± 0.5 A for 3 h 40 min in which it could have given 80 A`.
///
/// `mean_a` and `could_a` in A, `u_a` as the caller quotes it, `seconds` the opportunity. No full stop: the cause follows.
pub fn source_clause(name: &str, mean_a: f64, u_a: f64, seconds: f64, could_a: f64) -> String {
    format!(
        "{} gave {} for {} in which it could have given {}",
        sentence_start(name),
        with_uncertainty(mean_a, u_a, "A"),
        duration(seconds),
        with_unit(could_a, if could_a.abs() < 10.0 { 1 } else { 0 }, "A"),
    )
}

/// A name made fit for a text: [`plain`], with its first letter in upper case.
pub fn sentence_start(name: &str) -> String {
    let clean = plain(name);
    let mut chars = clean.chars();
    match chars.next() {
        Some(first) => first.to_uppercase().chain(chars).collect(),
        None => String::new(),
    }
}

/// A sentence from the analysis or the designer, fit to be shown: [`glued`], with a capital and a full stop.
pub fn sentence(text: &str) -> String {
    let glued = glued(text.trim());
    let stop = if glued.is_empty() || glued.ends_with(['.', '!', '?', '\u{2026}']) { "" } else { "." };
    format!("{}{stop}", sentence_start(&glued))
}

/// [`plain`], with no-break spaces between figures and their units, so that no line ends in "80".
pub fn glued(text: &str) -> String {
    const UNITS: [&str; 21] = [
        "A", "V", "Ah", "Wh", "kWh", "W", "kW", "s", "min", "h", "d", "°C", "K", "%", "Hz", "rpm", "mΩ", "Ω", "mV",
        "ms", "kn",
    ];
    let clean = plain(text);
    let mut out = String::with_capacity(clean.len());
    let (mut figure_before, mut hours_before) = (false, false);
    for word in clean.split(' ') {
        let word =
            if word.trim_end_matches(['.', ',', ';', ')']) == "degC" { &word.replace("degC", "°C") } else { word };
        let bare = word.trim_end_matches(['.', ',', ':', ';', ')', '?']);
        let glued = figure_before && (bare == "\u{b1}" || UNITS.contains(&bare)) || out.ends_with('\u{b1}');
        // "3 h 40 min" is one figure.
        let glued = glued || hours_before && word.starts_with(|c: char| c.is_ascii_digit());
        hours_before = glued && matches!(word, "h" | "d");
        if !out.is_empty() {
            out.push(if glued { '\u{a0}' } else { ' ' });
        }
        out.push_str(word);
        figure_before = word.ends_with(|c: char| c.is_ascii_digit());
    }
    out
}

/// Text from a bus or a file without what could deceive the eye or a terminal: control characters become spaces,
/// bidirectional controls and invisible characters go (the Bidi_Control and default-ignorable characters that
/// Unicode Technical Report 36 warns of), and what is longer than 2,000 characters is cut.
pub fn plain(text: &str) -> String {
    const LONGEST: usize = 2000;
    let mut out = String::with_capacity(text.len().min(LONGEST));
    for (n, c) in text.chars().enumerate() {
        if n == LONGEST {
            out.push('\u{2026}');
            break;
        }
        match c {
            '\u{61c}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}' => {}
            '\u{ad}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}' => {}
            '\u{2028}' | '\u{2029}' => out.push(' '),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn durations_round_before_they_choose_units() {
        for (seconds, text) in [
            (0.0, "0 s"),
            (45.2, "45 s"),
            (90.0, "2 min"),
            (3599.9, "1 h"),
            (13_200.0, "3 h 40 min"),
            (172_799.0, "2 d"),
            (183_600.0, "2 d 3 h"),
            (-600.0, "\u{2212}10 min"),
            (f64::NAN, "unknown"),
        ] {
            assert_eq!(duration(seconds), text, "{seconds}");
        }
    }

    #[test]
    fn figures_carry_the_digits_of_their_unit() {
        assert_eq!(amps(79.64), "79.6 A");
        assert_eq!(amps(-0.04), "0.0 A");
        assert_eq!(amps(-3.0), "\u{2212}3.0 A");
        assert_eq!(volts(56.533), "56.53 V");
        assert_eq!(amp_hours(74.049), "74.0 Ah");
        assert_eq!(amp_hours(216.342), "216 Ah");
        assert_eq!(energy(640.0), "640 Wh");
        assert_eq!(energy(12_360.0), "12.4 kWh");
        assert_eq!(celsius(f64::INFINITY), "unknown");
        assert_eq!(setting(80.0, "A"), "80 A");
        assert_eq!(setting(2.25, "V"), "2.25 V");
        assert_eq!(setting(45.0, "degC"), "45 °C");
    }

    #[test]
    fn only_all_of_it_is_100_percent() {
        assert_eq!(percent(1.0), "100 %");
        assert_eq!(percent(0.9997), "99.9 %");
        assert_eq!(percent(0.456), "46 %");
        assert_eq!(percent(0.004), "0.4 %");
        assert_eq!(percent(0.00056), "0.1 %");
        assert_eq!(percent(0.0001), "0 %");
        assert_eq!(percent(0.0), "0 %");
    }

    #[test]
    fn the_uncertainty_sets_the_last_place() {
        assert_eq!(with_uncertainty(0.02, 0.5, "A"), "0.0 ± 0.5 A");
        // 2 x sqrt(0.433013^2 + 0.288675^2 + 0.028868^2 + 0.2^2) = 1.116542 A (root sum of squares, JCGM 100, 5.1.2).
        assert_eq!(with_uncertainty(150.0, 1.116542, "A"), "150.0 ± 1.1 A");
        assert_eq!(with_uncertainty(380.0, 19.88, "Ah"), "380 ± 20 Ah");
        assert_eq!(with_uncertainty(56.8, 0.05, "V"), "56.80 ± 0.05 V");
        assert_eq!(with_uncertainty(41.26, 0.0, "degC"), "41.3 °C");
        assert_eq!(with_uncertainty(0.5, 0.04, "fraction"), "0.50 ± 0.04");
    }

    #[test]
    fn the_clause_says_what_was_given_and_what_could_have_been() {
        assert_eq!(
            source_clause("port shore charger", 0.0, 0.5, 13_200.0, 80.0),
            "Port shore charger gave 0.0 ± 0.5 A for 3 h 40 min in which it could have given 80 A"
        );
    }

    #[test]
    fn figures_stay_with_their_units() {
        assert_eq!(
            glued("gave 0.0 ± 0.5 A for 3 h 40 min, not 80 A: R2 A"),
            "gave 0.0\u{a0}±\u{a0}0.5\u{a0}A for 3\u{a0}h\u{a0}40\u{a0}min, not 80\u{a0}A: R2\u{a0}A"
        );
    }

    #[test]
    fn a_sentence_begins_with_a_capital_and_ends_with_a_stop() {
        assert_eq!(sentence("the best 30 min held 100 A"), "The best 30\u{a0}min held 100\u{a0}A.");
        assert_eq!(sentence("it reached 40 degC, then fell"), "It reached 40\u{a0}°C, then fell.");
        assert_eq!(sentence("Really?"), "Really?");
        assert_eq!(sentence(" "), "");
    }

    #[test]
    fn deceiving_characters_are_taken_out() {
        assert_eq!(plain("a\u{202e}b\u{1b}[31m\nc\u{200b}"), "ab [31m c");
        assert_eq!(plain(&"x".repeat(5000)).chars().count(), 2001);
    }

    proptest! {
        #[test]
        fn no_figure_panics(v in proptest::num::f64::ANY, u in proptest::num::f64::ANY, unit in ".{0,6}") {
            for text in [duration(v), percent(v), energy(v), setting(v, &unit), with_uncertainty(v, u, &unit)] {
                prop_assert!(!text.is_empty());
            }
        }

        #[test]
        fn plain_text_holds_no_control(text in ".{0,200}") {
            prop_assert!(!plain(&text).chars().any(char::is_control));
        }
    }
}
