//! Trends without assumptions about the noise: the Theil-Sen slope with its interval, and the Mann-Kendall test.

/// A line through points, robust against outliers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Per unit of x: the median of all pairwise slopes (Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63:1379).
    pub slope: f64,
    /// Lower end of its interval at the level asked for.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// median(y) - slope · median(x), as in SciPy's `theilslopes`.
    pub intercept: f64,
}

/// The Theil-Sen slope of points (x, y) with an interval of `z` standard deviations of Kendall's S (Sen 1968, equation
/// 2.6, ties in y corrected); `None` with fewer than two different x.
pub fn theil_sen(points: &[(f64, f64)], z: f64) -> Option<Slope> {
    let mut slopes = Vec::new();
    for (n, a) in points.iter().enumerate() {
        for b in &points[n + 1..] {
            let dx = b.0 - a.0;
            if dx != 0.0 {
                slopes.push((b.1 - a.1) / dx);
            }
        }
    }
    slopes.retain(|s| s.is_finite());
    slopes.sort_by(f64::total_cmp);
    let slope = middle(&slopes)?;
    let sigma = variance_of_s(points.iter().map(|p| p.1), points.len()).sqrt();
    let (count, half) = (slopes.len() as f64, z * sigma);
    // Ranks as in SciPy's `theilslopes`.
    let upper = (((count + half) / 2.0).round_ties_even() as usize).min(slopes.len() - 1);
    let lower = ((((count - half) / 2.0).round_ties_even() - 1.0).max(0.0)) as usize;
    let mut x: Vec<f64> = points.iter().map(|p| p.0).collect();
    let mut y: Vec<f64> = points.iter().map(|p| p.1).collect();
    x.sort_by(f64::total_cmp);
    y.sort_by(f64::total_cmp);
    Some(Slope { slope, low: slopes[lower], high: slopes[upper], intercept: middle(&y)? - slope * middle(&x)? })
}

fn middle(sorted: &[f64]) -> Option<f64> {
    let n = sorted.len();
    match n {
        0 => None,
        _ if n % 2 == 1 => Some(sorted[n / 2]),
        _ => Some(0.5 * (sorted[n / 2 - 1] + sorted[n / 2])),
    }
}

/// What the Mann-Kendall test says of values in order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Kendall's S: pairs that rise less pairs that fall.
    pub s: f64,
    /// Its variance without a trend, ties corrected.
    pub variance: f64,
    /// The normal statistic, with the continuity correction.
    pub z: f64,
    /// Two-sided probability of so large a |z| without a trend (normal approximation).
    pub p: f64,
}

/// The Mann-Kendall test (Mann 1945, Econometrica 13:245; Kendall 1975) on values in the order of time.
pub fn mann_kendall(y: &[f64]) -> MannKendall {
    let mut s = 0.0;
    for (n, a) in y.iter().enumerate() {
        s += y[n + 1..]
            .iter()
            .map(|b| {
                if b > a {
                    1.0
                } else if b < a {
                    -1.0
                } else {
                    0.0
                }
            })
            .sum::<f64>();
    }
    let variance = variance_of_s(y.iter().copied(), y.len());
    let z = if s == 0.0 || variance <= 0.0 { 0.0 } else { (s - s.signum()) / variance.sqrt() };
    MannKendall { s, variance, z, p: crate::verdict::erfc(z.abs() / std::f64::consts::SQRT_2) }
}

/// n(n-1)(2n+5)/18 less the same for every group of equal values (Kendall 1975).
fn variance_of_s(y: impl Iterator<Item = f64>, n: usize) -> f64 {
    let term = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let mut sorted: Vec<f64> = y.collect();
    sorted.sort_by(f64::total_cmp);
    let ties: f64 = sorted.chunk_by(|a, b| a == b).map(|group| term(group.len() as f64)).sum();
    (term(n as f64) - ties) / 18.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published figures for `x = 0..9`: see `tests/vectors/trend.json` (SciPy 1.17.1, pymannkendall 1.4.3), which the
    /// whole-program tests read; these are the plain ones.
    #[test]
    fn a_falling_capacity() {
        let y = [100.0, 99.1, 98.6, 97.2, 97.5, 96.0, 95.1, 94.9, 93.2, 92.8];
        let points: Vec<(f64, f64)> = y.iter().enumerate().map(|(k, y)| (k as f64, *y)).collect();
        let t = theil_sen(&points, 1.959_964).expect("a slope");
        assert!((t.slope + 0.8).abs() < 1e-9 && (t.low + 0.9).abs() < 1e-9 && (t.high + 0.7).abs() < 1e-9, "{t:?}");
        assert!((t.intercept - 100.2).abs() < 1e-9);
        let m = mann_kendall(&y);
        assert_eq!((m.s, m.variance), (-43.0, 125.0));
        assert!((m.z + 3.756_594_202).abs() < 1e-8 && (m.p - 0.000_172_241_453).abs() < 1e-8, "{m:?}");
    }

    #[test]
    fn nothing_to_go_by() {
        assert_eq!(theil_sen(&[], 2.0), None);
        assert_eq!(theil_sen(&[(1.0, 2.0), (1.0, 3.0)], 2.0), None);
        assert_eq!(mann_kendall(&[5.0, 5.0, 5.0]).z, 0.0);
    }
}
