//! Noisy: a channel that jumps from sample to sample much more than it used to, as a loose connector makes it.
//!
//! The descriptor is the mean absolute difference of successive residuals in a block (the moving range of individual
//! charts, NIST/SEMATECH e-Handbook 6.3.2.2), on a logarithmic scale against its own past.

use serde::{Deserialize, Serialize};

/// Blocks that the usual roughness is learned from.
const LEARN: u32 = 12;
/// Smallest roughness told apart, in spreads: rounding makes less look like nothing.
const FLOOR: f64 = 0.1;
/// Roughness must be this many times the usual one.
const TIMES: f64 = 3.0;
/// ... and this many of its own spreads above it.
const SPREADS: f64 = 6.0;
/// Smallest spread of the logarithm: 15 independent differences give about 0.2.
const LEAST_SPREAD: f64 = 0.2;
/// Blocks in a row, to raise and to clear.
const BLOCKS: u8 = 3;
/// Memory in blocks: 30 days of quarter hours.
const MEMORY: f64 = 2880.0;

/// Roughness of a channel against its own past.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Noisy {
    before: Option<f64>,
    sum: f64,
    pairs: u32,
    mean: f64,
    variance: f64,
    blocks: u32,
    streak: u8,
    /// Whether it is noisy now.
    pub(crate) on: bool,
    /// Roughness of the last block, in spreads.
    pub(crate) last: f64,
}

impl Noisy {
    /// Takes a residual in spreads. `joined`: the sample before was of the same operating state, without a gap.
    pub(crate) fn take(&mut self, z: f64, joined: bool) {
        if let Some(before) = self.before.replace(z).filter(|_| joined) {
            self.sum += (z - before).abs();
            self.pairs += 1;
        }
    }

    /// Ends a block. Returns the new state when it changed.
    pub(crate) fn close(&mut self, learning: bool) -> Option<bool> {
        if self.pairs == 0 {
            return None;
        }
        self.last = self.sum / f64::from(self.pairs);
        (self.sum, self.pairs) = (0.0, 0);
        let log = self.last.max(FLOOR).ln();
        let excess = log - self.mean;
        let rough = self.blocks >= LEARN && excess > TIMES.ln().max(SPREADS * self.spread());
        if learning && !rough {
            self.learn(log);
        }
        let turns = if self.on { !rough } else { rough };
        self.streak = if turns { self.streak + 1 } else { 0 };
        if self.streak < BLOCKS {
            return None;
        }
        self.streak = 0;
        self.on = !self.on;
        Some(self.on)
    }

    /// Usual roughness, in spreads.
    pub(crate) fn usual(&self) -> f64 {
        self.mean.exp()
    }

    /// How far the last block lies above the usual, in spreads of the logarithm.
    pub(crate) fn excess(&self) -> f64 {
        (self.last.max(FLOOR).ln() - self.mean) / self.spread()
    }

    fn spread(&self) -> f64 {
        self.variance.sqrt().max(LEAST_SPREAD)
    }

    fn learn(&mut self, log: f64) {
        let gain = (1.0 / (f64::from(self.blocks) + 1.0)).max(1.0 / MEMORY);
        let off = log - self.mean;
        self.mean += gain * off;
        self.variance = (1.0 - gain) * (self.variance + gain * off * off);
        self.blocks = self.blocks.saturating_add(1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    #[test]
    fn fourfold_noise_is_seen_and_a_level_change_is_not() {
        let mut noise = Noise::new(8);
        let mut rough = Noisy::default();
        let mut run = |noisy: &mut Noisy, blocks: usize, size: f64, level: f64| {
            (0..blocks).find_map(|_| {
                for _ in 0..15 {
                    noisy.take(level + size * noise.normal(), true);
                }
                noisy.close(true)
            })
        };
        assert_eq!(run(&mut rough, 40, 1.0, 0.0), None);
        assert_eq!(run(&mut rough, 40, 1.0, 12.0), None);
        assert_eq!(run(&mut rough, 6, 5.0, 12.0), Some(true));
        assert!(rough.excess() > SPREADS && rough.usual() < rough.last);
        assert_eq!(run(&mut rough, 6, 1.0, 12.0), Some(false));
    }
}
