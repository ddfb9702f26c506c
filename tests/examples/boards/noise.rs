//! Seeded random numbers for generated series.

/// A seeded generator (`SplitMix64`, Steele, Lea and Flood 2014).
pub(crate) struct Noise(pub(crate) u64);

impl Noise {
    #[expect(clippy::cast_precision_loss, reason = "53 bits")]
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (((z ^ (z >> 31)) >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    /// Uniform in a range.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// A row of the range, uniformly.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "rows of a series"
    )]
    pub(crate) fn row(&mut self, low: usize, high: usize) -> usize {
        self.between(low as f64, high as f64) as usize
    }

    /// Standard normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }

    /// Student's t with five degrees of freedom, at unit variance.
    pub(crate) fn heavy(&mut self) -> f64 {
        let squares: f64 = (0..5).map(|_| self.normal().powi(2)).sum();
        self.normal() / (squares / 5.0).sqrt() * 0.6_f64.sqrt()
    }

    /// Pareto, from nought, with this tail.
    pub(crate) fn pareto(&mut self, tail: f64) -> f64 {
        self.uniform().powf(-1.0 / tail) - 1.0
    }
}
