//! Repeatable noise. Not for secrets: the whole point is that the same seed gives the same numbers.

/// A pseudo-random sequence: xorshift64* (Vigna 2016, ACM Trans. Math. Softw. 42(4):30).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Noise(u64);

impl Noise {
    /// From any seed; `stream` gives independent sequences of one seed.
    pub fn new(seed: u64, stream: u64) -> Self {
        // One round of splitmix64 spreads neighbouring seeds; the generator must not start at zero.
        let mut z = seed.wrapping_add(stream.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        Self((z ^ (z >> 31)).max(1))
    }

    fn bits(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    /// Evenly in 0..1.
    pub fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Bell-shaped with mean 0 and standard deviation 1, never beyond 6: the sum of twelve uniform numbers
    /// (Irwin-Hall), which needs no function whose last digit depends on the platform.
    pub fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_of_the_bell() {
        let mut noise = Noise::new(7, 0);
        let n = 20_000;
        let values: Vec<f64> = (0..n).map(|_| noise.bell()).collect();
        let mean = values.iter().sum::<f64>() / f64::from(n);
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / f64::from(n);
        assert!(mean.abs() < 0.03, "{mean}");
        assert!((variance - 1.0).abs() < 0.05, "{variance}");
    }

    #[test]
    fn a_seed_repeats_and_streams_differ() {
        let first = |seed, stream| Noise::new(seed, stream).uniform();
        assert_eq!(first(1, 0), first(1, 0));
        assert_ne!(first(1, 0), first(1, 1));
        assert_ne!(first(1, 0), first(2, 0));
    }
}
