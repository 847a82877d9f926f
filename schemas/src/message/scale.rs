//! Scaling between raw integers and channel units, kept as decimal integers so that 1275 hundredths are
//! 12.75 and not 12.750000000000002: one division of two exact numbers rounds once.

/// `value = (raw × step + offset) / 10^decimals`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Scale {
    /// Units of the last decimal per raw bit.
    pub step: i64,
    /// In units of the last decimal.
    pub offset: i64,
    /// Decimals of every value in this scale, at most 16.
    pub decimals: u8,
}

const POWERS: [f64; 17] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16];

const fn round(x: f64) -> i64 {
    (if x < 0.0 { x - 0.5 } else { x + 0.5 }) as i64
}

const fn is_whole(x: f64) -> bool {
    let error = x - round(x) as f64;
    let bound = if x.abs() > 1.0 { x.abs() * 1e-9 } else { 1e-9 };
    error.abs() <= bound
}

impl Scale {
    /// From a resolution per bit and an offset, both in the channel's unit and both finite decimals of at most
    /// 16 places. Meant for tables: `const` evaluation fails on anything else.
    pub const fn new(resolution: f64, offset: f64) -> Self {
        let mut decimals = 0;
        while decimals < POWERS.len() {
            let (step, shift) = (resolution * POWERS[decimals], offset * POWERS[decimals]);
            if is_whole(step) && round(step) != 0 && is_whole(shift) {
                return Self { step: round(step), offset: round(shift), decimals: decimals as u8 };
            }
            decimals += 1;
        }
        panic!("resolution or offset has more than 16 decimals")
    }

    /// Ten to the decimals: what the whole numbers are divided by.
    pub fn power(self) -> f64 {
        POWERS[usize::from(self.decimals).min(POWERS.len() - 1)]
    }

    /// The value of a raw integer, in the channel's unit.
    pub fn value(self, raw: i64) -> f64 {
        raw.saturating_mul(self.step).saturating_add(self.offset) as f64 / self.power()
    }

    /// The raw integer nearest to a value, or `None` where there is none (not finite, beyond 64 bits).
    pub fn raw(self, value: f64) -> Option<i64> {
        let raw = ((value * self.power() - self.offset as f64) / self.step as f64).round();
        // 2^63 itself is representable as f64 and is the first that does not fit.
        (raw >= i64::MIN as f64 && raw < i64::MAX as f64).then_some(raw as i64)
    }

    /// Per raw bit, in the channel's unit.
    pub fn resolution(self) -> f64 {
        self.step as f64 / self.power()
    }

    /// The value of raw zero, in the channel's unit.
    pub fn zero(self) -> f64 {
        self.offset as f64 / self.power()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_are_clean() {
        let centi = Scale::new(0.01, 0.0);
        assert_eq!(centi, Scale { step: 1, offset: 0, decimals: 2 });
        assert_eq!(centi.value(2731).to_string(), "27.31");
        // 273.15 K is 0 degC by definition (SI brochure, 9th edition, 2.3.1).
        assert_eq!(Scale::new(0.1, -273.15), Scale { step: 10, offset: -27315, decimals: 2 });
        assert_eq!(Scale::new(0.1, -273.15).value(3000), 26.85);
        assert_eq!(Scale::new(0.25, 0.0).value(9601), 2400.25);
        assert_eq!(Scale::new(60.0, 0.0), Scale { step: 60, offset: 0, decimals: 0 });
        assert_eq!(Scale::new(1e-16, 0.0), Scale { step: 1, offset: 0, decimals: 16 });
        assert_eq!(Scale::new(0.00004, 0.0), Scale { step: 4, offset: 0, decimals: 5 });
        assert_eq!(Scale::new(0.002, 1.0).value(125), 1.25);
    }

    #[test]
    fn raw_is_the_nearest_or_none() {
        let centi = Scale::new(0.01, -273.15);
        assert_eq!(centi.raw(25.0), Some(29815));
        assert_eq!(centi.raw(f64::NAN), None);
        assert_eq!(centi.raw(f64::INFINITY), None);
        assert_eq!(Scale::new(1e-16, 0.0).raw(1e6), None);
    }
}
