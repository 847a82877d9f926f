//! Draws from a seed, in the words of somebody who makes up a voyage.

use ampwake_analyzer::demo::Noise;

/// A sequence of draws; the same seed and stream give the same ones.
#[derive(Debug, Clone)]
pub struct Dice(Noise);

impl Dice {
    /// `stream` gives independent sequences of one seed.
    pub fn new(seed: u64, stream: u64) -> Self {
        // Far from the low streams, which the recording's sensors use.
        Self(Noise::new(seed, (1 << 32) + stream))
    }

    /// Evenly in `low..high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.uniform()
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.0.uniform() < probability
    }

    /// One of `among`, which is not empty.
    pub fn pick<T: Copy>(&mut self, among: &[T]) -> T {
        among[((self.0.uniform() * among.len() as f64) as usize).min(among.len() - 1)]
    }

    /// Evenly in `low..high`, as a whole multiple of `unit`.
    pub fn rounded(&mut self, low: f64, high: f64, unit: f64) -> f64 {
        (self.between(low, high) / unit).round() * unit
    }
}
