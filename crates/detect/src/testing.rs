//! Seeded noise for tests: the same numbers on every machine.

/// A seeded generator (`SplitMix64`, Steele, Lea and Flood 2014).
#[derive(Debug)]
pub(crate) struct Noise {
    state: u64,
    spare: Option<f64>,
}

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        Self { state: seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5DEE_CE66, spare: None }
    }

    /// Uniform in (0, 1).
    pub(crate) fn uniform(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        #[expect(clippy::cast_precision_loss, reason = "53 bits fit")]
        let u = (z >> 11) as f64;
        (u + 0.5) / 9_007_199_254_740_992.0
    }

    /// Standard normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let (r, angle) = ((-2.0 * self.uniform().ln()).sqrt(), std::f64::consts::TAU * self.uniform());
        self.spare = Some(r * angle.sin());
        r * angle.cos()
    }
}
