//! Random numbers: one small generator per stream, seeded, the same on every machine.
//!
//! Owns the generator. Refuses a seed from outside: a stream's seed comes from the scenario.
//! Source: `SplitMix64`, Steele, Lea and Flood 2014, "Fast splittable pseudorandom number generators".

/// One stream of random numbers.
#[derive(Clone, Debug)]
pub(crate) struct Rng(u64);

/// Scales the sum of four uniforms in -0.5..0.5 (variance 4/12) to variance 1.
const SUM_OF_FOUR: f64 = 1.732_050_807_568_877_2;

impl Rng {
    /// A stream of its own for every combination of seed, owner and purpose.
    pub(crate) fn new(seed: u64, owner: u64, purpose: u64) -> Self {
        let mut mixed = Rng(seed ^ owner.wrapping_mul(0xA24B_AED4_963E_E407) ^ (purpose << 56));
        // Neighbouring seeds part only after a few steps of the generator.
        let _first = mixed.bits();
        let second = mixed.bits();
        Rng(second)
    }

    /// 64 random bits.
    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in 0..1.
    pub(crate) fn uniform(&mut self) -> f64 {
        let high = u32::try_from(self.bits() >> 32).unwrap_or(0);
        f64::from(high) / 4_294_967_296.0
    }

    /// Uniform between two numbers.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Mean 0, spread 1, bell-shaped, never beyond 3.5: the sum of four uniforms from one draw. A bounded
    /// bell suits sensor noise, and costs a few nanoseconds.
    pub(crate) fn bell(&mut self) -> f64 {
        let bits = self.bits();
        let part = |shift: u32| f64::from(u16::try_from((bits >> shift) & 0xFFFF).unwrap_or(0));
        ((part(0) + part(16) + part(32) + part(48)) / 65_535.0 - 2.0) * SUM_OF_FOUR
    }

    /// Exponential with the given mean.
    pub(crate) fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.uniform()).max(1e-12).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_are_repeatable_and_apart() {
        let draw = |owner, purpose| Rng::new(7, owner, purpose).bits();
        assert_eq!(draw(1, 1), draw(1, 1));
        assert_ne!(draw(1, 1), draw(2, 1));
        assert_ne!(draw(1, 1), draw(1, 2));
    }

    #[test]
    fn the_bell_has_mean_zero_and_spread_one() {
        let mut rng = Rng::new(1, 1, 1);
        let draws: Vec<f64> = (0..20_000).map(|_| rng.bell()).collect();
        let mean = draws.iter().sum::<f64>() / 20_000.0;
        let variance = draws.iter().map(|d| d * d).sum::<f64>() / 20_000.0;
        assert!(mean.abs() < 0.03 && (variance - 1.0).abs() < 0.05, "{mean} {variance}");
    }

    #[test]
    fn the_exponential_has_its_mean() {
        let mut rng = Rng::new(3, 1, 1);
        let mean = (0..20_000).map(|_| rng.exponential(5.0)).sum::<f64>() / 20_000.0;
        assert!((mean - 5.0).abs() < 0.2, "{mean}");
    }
}
