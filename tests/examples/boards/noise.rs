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

    /// Standard normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }

    /// Student's t with five degrees of freedom, at unit variance.
    pub(crate) fn heavy(&mut self) -> f64 {
        let squares: f64 = (0..5).map(|_| self.normal().powi(2)).sum();
        self.normal() / (squares / 5.0).sqrt() * 0.6_f64.sqrt()
    }
}
