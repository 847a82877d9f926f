//! One lump of heat with a path to its surroundings.

use ampwake_schemas::quantity::{Celsius, Seconds, Watts};

/// A body of one temperature: it stores heat and loses it in proportion to its excess over ambient.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Body {
    /// Mass times specific heat, J/K.
    pub capacity_j_per_k: f64,
    /// Heat lost per kelvin above ambient, W/K.
    pub loss_w_per_k: f64,
}

impl Body {
    /// The temperature `dt` after `now` with `heat` put in steadily; `cooling` scales the loss (1 normal,
    /// less when air cannot pass).
    ///
    /// Exact solution of C dT/dt = P - k (T - Tamb) (Newton's law of cooling), so any step is stable.
    pub fn after(&self, now: Celsius, heat: Watts, ambient: Celsius, cooling: f64, dt: Seconds) -> Celsius {
        let k = self.loss_w_per_k * cooling;
        if k <= 0.0 {
            return now + Celsius(heat.0 * dt.0 / self.capacity_j_per_k);
        }
        let end = ambient.0 + heat.0 / k;
        Celsius(end + (now.0 - end) * (-k * dt.0 / self.capacity_j_per_k).exp())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CASE: Body = Body { capacity_j_per_k: 6000.0, loss_w_per_k: 10.0 };

    #[test]
    fn settles_at_power_over_loss() {
        let t = CASE.after(Celsius(20.0), Watts(400.0), Celsius(20.0), 1.0, Seconds(1e6));
        assert!((t.0 - 60.0).abs() < 1e-9);
        // One time constant, 600 s, brings it 1 - 1/e of the way.
        let t = CASE.after(Celsius(20.0), Watts(400.0), Celsius(20.0), 1.0, Seconds(600.0));
        assert!((t.0 - (20.0 + 40.0 * (1.0 - (-1.0f64).exp()))).abs() < 1e-9);
    }

    #[test]
    fn without_cooling_all_heat_stays() {
        let t = CASE.after(Celsius(20.0), Watts(600.0), Celsius(20.0), 0.0, Seconds(60.0));
        assert_eq!(t, Celsius(26.0));
    }

    #[test]
    fn many_small_steps_equal_one_large() {
        let mut t = Celsius(80.0);
        for _ in 0..100 {
            t = CASE.after(t, Watts(100.0), Celsius(20.0), 0.5, Seconds(3.0));
        }
        let once = CASE.after(Celsius(80.0), Watts(100.0), Celsius(20.0), 0.5, Seconds(300.0));
        assert!((t.0 - once.0).abs() < 1e-9);
    }
}
