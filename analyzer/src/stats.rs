//! The few statistics that the analysis uses, each with its source.

/// Median of the finite values; `None` without any.
pub fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    quantile(values, 0.5)
}

/// Quantile `q` (0..1) of the finite values by the nearest rank.
pub fn quantile(values: impl IntoIterator<Item = f64>, q: f64) -> Option<f64> {
    let mut v: Vec<f64> = values.into_iter().filter(|x| x.is_finite()).collect();
    if v.is_empty() {
        return None;
    }
    let k = ((v.len() - 1) as f64 * q.clamp(0.0, 1.0)).round() as usize;
    Some(*v.select_nth_unstable_by(k, f64::total_cmp).1)
}

/// Mean of the finite values; `None` without any.
pub fn mean(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let (mut sum, mut n) = (0.0, 0_u64);
    for v in values.into_iter().filter(|v| v.is_finite()) {
        sum += v;
        n += 1;
    }
    (n > 0).then(|| sum / n as f64)
}

/// A straight line through points, by ordinary least squares (any textbook of regression).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Change of y per x.
    pub slope: f64,
    /// y at x = 0.
    pub intercept: f64,
    /// Pearson's correlation coefficient, −1..1.
    pub correlation: f64,
    /// Number of points.
    pub n: usize,
}

/// Fits y = intercept + slope·x to the pairs in which both are finite; `None` with fewer than three or
/// without spread in x.
pub fn line(points: impl IntoIterator<Item = (f64, f64)>) -> Option<Line> {
    let p: Vec<(f64, f64)> = points.into_iter().filter(|(x, y)| x.is_finite() && y.is_finite()).collect();
    if p.len() < 3 {
        return None;
    }
    let n = p.len() as f64;
    let (mx, my) = (p.iter().map(|q| q.0).sum::<f64>() / n, p.iter().map(|q| q.1).sum::<f64>() / n);
    let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
    for (x, y) in &p {
        sxx += (x - mx).powi(2);
        sxy += (x - mx) * (y - my);
        syy += (y - my).powi(2);
    }
    if sxx <= f64::EPSILON * n {
        return None;
    }
    let correlation = if syy > 0.0 { sxy / (sxx * syy).sqrt() } else { 0.0 };
    Some(Line { slope: sxy / sxx, intercept: my - sxy / sxx * mx, correlation, n: p.len() })
}

/// Piecewise linear interpolation in ascending (x, y) points, held constant beyond the ends.
pub fn interpolate(points: &[(f64, f64)], x: f64) -> Option<f64> {
    let (first, last) = (points.first()?, points.last()?);
    if x <= first.0 {
        return Some(first.1);
    }
    if x >= last.0 {
        return Some(last.1);
    }
    points.windows(2).find(|w| x <= w[1].0).map(|w| {
        let span = w[1].0 - w[0].0;
        if span <= 0.0 { w[1].1 } else { w[0].1 + (w[1].1 - w[0].1) * (x - w[0].0) / span }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check value D3: t = 0..5 min, 30, 30.5, 31.4, 32.6, 34.1, 35.5 degC: 1.128571 K/min (least squares).
    #[test]
    fn rate_of_rise() {
        let t = [30.0, 30.5, 31.4, 32.6, 34.1, 35.5];
        let fit = line(t.iter().enumerate().map(|(k, y)| (k as f64, *y))).unwrap();
        assert!((fit.slope - 1.128_571_428_571_428).abs() < 1e-6);
    }

    /// Check value D4: 100 A, derating from 50 degC to nothing at 70 degC, at 58 degC: 60.0 A (linear derating,
    /// common practice).
    #[test]
    fn derating_is_linear_between_its_points() {
        assert_eq!(interpolate(&[(50.0, 1.0), (70.0, 0.0)], 58.0).map(|f| f * 100.0), Some(60.0));
        assert_eq!(interpolate(&[(50.0, 1.0), (70.0, 0.0)], 20.0), Some(1.0));
        assert_eq!(interpolate(&[], 20.0), None);
    }

    #[test]
    fn no_spread_no_line() {
        assert_eq!(line([(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
    }
}
