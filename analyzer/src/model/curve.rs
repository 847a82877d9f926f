//! A curve through given points, for everything the model knows as a table.

/// Points (x, y) joined by straight lines; constant before the first and after the last point.
///
/// Two points with the same x are a step, and the curve takes the later one there: with time as x, a curve
/// is also a programme of events.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve(Vec<(f64, f64)>);

impl Curve {
    /// Through `points`, which are put in order of x (points of equal x keep their order). No points at all
    /// is the constant zero.
    pub fn new(points: impl Into<Vec<(f64, f64)>>) -> Self {
        let mut points = points.into();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self(points)
    }

    /// The same value everywhere.
    pub fn constant(y: f64) -> Self {
        Self(vec![(0.0, y)])
    }

    /// `first` until the first step, then the value of the last step passed.
    pub fn steps(first: f64, steps: impl IntoIterator<Item = (f64, f64)>) -> Self {
        let mut level = first;
        let mut points = Vec::new();
        for (x, y) in steps {
            points.extend([(x, level), (x, y)]);
            level = y;
        }
        if points.is_empty() { Self::constant(first) } else { Self::new(points) }
    }

    /// Its value at `x`.
    pub fn at(&self, x: f64) -> f64 {
        let after = self.0.partition_point(|p| p.0 <= x);
        match (after.checked_sub(1).map(|i| self.0[i]), self.0.get(after)) {
            (Some((x0, y0)), Some(&(x1, y1))) => y0 + (y1 - y0) * (x - x0) / (x1 - x0),
            (Some((_, y)), None) | (None, Some(&(_, y))) => y,
            (None, None) => 0.0,
        }
    }

    /// Its points, ascending in x.
    pub fn points(&self) -> &[(f64, f64)] {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn straight_between_points_and_flat_outside() {
        let c = Curve::new([(10.0, 1.0), (20.0, 3.0)]);
        assert_eq!([0.0, 10.0, 15.0, 20.0, 99.0].map(|x| c.at(x)), [1.0, 1.0, 2.0, 3.0, 3.0]);
        assert_eq!(Curve::new([]).at(5.0), 0.0);
    }

    #[test]
    fn a_step_takes_its_new_value_at_once() {
        let c = Curve::new([(0.0, 1.0), (10.0, 1.0), (10.0, 7.0)]);
        assert_eq!([9.0, 10.0, 11.0].map(|x| c.at(x)), [1.0, 7.0, 7.0]);
        let c = Curve::steps(2.0, [(10.0, 5.0), (20.0, 0.0)]);
        assert_eq!([-9.0, 9.0, 10.0, 19.0, 20.0, 99.0].map(|x| c.at(x)), [2.0, 2.0, 5.0, 5.0, 0.0, 0.0]);
        assert_eq!(Curve::steps(2.0, []).at(7.0), 2.0);
    }
}
