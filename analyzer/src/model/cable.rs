//! Copper between a source and the bank.

use ampwake_schemas::quantity::{Celsius, Ohms};

/// Resistivity of annealed copper at 20 degC (100 % IACS), ohm mm2 / m, and its temperature coefficient, 1/K.
/// IEC 60028, from memory.
const COPPER: (f64, f64) = (0.017241, 0.00393);

/// The resistance of a copper lead of `length_m`, **there and back**, with `area_mm2` at `temperature`.
///
/// R = rho20 [1 + alpha (T - 20)] L / A. Standard tables of finished conductors (IEC 60228) allow about a
/// tenth more; joints and fuses come on top.
pub fn copper_resistance(length_m: f64, area_mm2: f64, temperature: Celsius) -> Ohms {
    let (rho, alpha) = COPPER;
    Ohms(rho * (1.0 + alpha * (temperature.0 - 20.0)) * length_m / area_mm2)
}
