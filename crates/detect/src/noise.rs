//! How much block means wander when nothing is wrong, at several time scales.
//!
//! Textbook run lengths hold for independent values; measurements of a machine are not independent. Averages of 1,
//! 4, 16 and 64 blocks are watched (batch means; the idea of Allan 1966): where a channel wanders, `m` times the
//! variance of means of `m` blocks grows with `m`. The largest of these stands for the long-run variance of one
//! block, so that a CUSUM keeps its false-alarm rate on autocorrelated data.

use serde::{Deserialize, Serialize};

/// Each scale averages this many of the scale below.
const RATIO: u8 = 4;
const SCALES: usize = 4;

/// Variance of a block mean assumed before any was seen, in squared sample spreads: half of that of a single
/// sample, as for strongly autocorrelated samples.
const PRIOR: f64 = 0.5;
/// How many blocks that assumption is worth.
const PRIOR_WORTH: f64 = 4.0;
/// A scale takes part from this many means on.
const FEWEST: u32 = 4;
/// Means are cut at this many spreads of their scale, so that one event does not deafen the channel.
const CUT: f64 = 3.0;
/// ... once the scale has seen this many.
const CUT_FROM: u32 = 8;
/// Memory, in blocks: 30 days of quarter hours.
const MEMORY: f64 = 2880.0;
/// Smallest spread of a block mean, in sample spreads: 15 independent samples give 0.26.
const FLOOR: f64 = 0.2;

#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
struct Scale {
    sum: f64,
    held: u8,
    count: u32,
    /// The mean before the last.
    before: Option<f64>,
    variance: f64,
}

/// Spread of block means about nought, by scale.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Wander {
    scales: [Scale; SCALES],
    /// Long-run spread that is known beforehand, in sample spreads; nought where nothing is.
    least: f64,
}

impl Wander {
    /// Takes a block mean, in sample spreads.
    /// Where a class says what the unit does, so that its doings are explained, what creeps is a change and not to be
    /// learned as noise; where `explained` is false, slow movement is part of what the channel does.
    pub(crate) fn take(&mut self, mean: f64, explained: bool) {
        let mut carried = mean;
        let mut blocks = 1.0;
        for (i, scale) in self.scales.iter_mut().enumerate() {
            if i == 0 || !explained {
                scale.learn(carried, MEMORY / blocks);
            } else if let Some(before) = scale.before.replace(carried) {
                // Half the squared difference of two neighbours (Allan 1966): a level that left for good, or creeps,
                // counts once or a little, and not again and again.
                scale.learn((carried - before) / std::f64::consts::SQRT_2, MEMORY / blocks);
            }
            scale.sum += carried;
            scale.held += 1;
            if scale.held < RATIO {
                return;
            }
            carried = scale.sum / f64::from(RATIO);
            (scale.sum, scale.held) = (0.0, 0);
            blocks *= f64::from(RATIO);
        }
    }

    /// Samples that are means over `over` samples resemble each other that long: a long-run variance of twice as many samples
    /// is known before any was seen.
    pub(crate) fn known(&mut self, over: u16, block: u32) {
        self.least = (2.0 * f64::from(over) / f64::from(block.max(1))).sqrt();
    }

    /// Nothing was seen yet, and this much is assumed, in sample spreads.
    pub(crate) fn assume(&mut self, spread: f64) {
        self.least = spread;
    }

    /// How many block means it was learned from.
    pub(crate) fn count(&self) -> u32 {
        self.scales[0].count
    }

    /// Long-run spread of a block mean, in sample spreads.
    pub(crate) fn spread(&self) -> f64 {
        let first = self.scales[0];
        let n = f64::from(first.count);
        let mut largest = (n * first.variance + PRIOR_WORTH * PRIOR) / (n + PRIOR_WORTH);
        let (mut below, mut blocks) = (largest, f64::from(RATIO));
        for scale in self.scales.iter().skip(1) {
            if scale.count >= FEWEST {
                let here = blocks * scale.variance;
                (largest, below) = (largest.max(here), here);
            } else {
                // Not seen yet: a channel that wanders more at each longer scale will do so at the next one too.
                let growth = if blocks > f64::from(RATIO) { self.growth(blocks) } else { 1.0 };
                largest = largest.max(below * growth);
                break;
            }
            blocks *= f64::from(RATIO);
        }
        largest.sqrt().max(FLOOR).max(self.least)
    }

    /// By how much the long-run variance grew over the last two scales seen, held within 1 and [`RATIO`]; `blocks` is
    /// the first scale that was not.
    fn growth(&self, blocks: f64) -> f64 {
        let ratio = f64::from(RATIO);
        let value =
            |at: usize| self.scales.get(at).map(|s| s.variance * ratio.powi(i32::try_from(at).unwrap_or(0)));
        let unseen = if blocks > ratio * ratio { 3 } else { 2 };
        match (value(unseen - 1), value(unseen - 2)) {
            (Some(last), Some(before)) if before > 0.0 => (last / before).clamp(1.0, ratio),
            _ => 1.0,
        }
    }

    /// Lets the slow scales follow quickly again: what made the channel wander slowly was found and is taken out from
    /// now on. What they hold stays until newer means replace it.
    pub(crate) fn loosen(&mut self) {
        for scale in self.scales.iter_mut().skip(1) {
            scale.count = scale.count.min(FEWEST);
        }
    }
}

impl Scale {
    fn learn(&mut self, mean: f64, memory: f64) {
        let most =
            if self.count >= CUT_FROM { CUT * CUT * self.variance.max(FLOOR * FLOOR) } else { f64::MAX };
        let gain = (1.0 / (f64::from(self.count) + 1.0)).max(1.0 / memory);
        self.variance += gain * ((mean * mean).min(most) - self.variance);
        self.count = self.count.saturating_add(1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    fn spread_of_ar(phi: f64, n: usize, explained: bool) -> f64 {
        let mut noise = Noise::new(11);
        let mut wander = Wander::default();
        let mut x = 0.0;
        for _ in 0..n {
            x = phi * x + (1.0 - phi * phi).sqrt() * noise.normal();
            wander.take(x, explained);
        }
        wander.spread()
    }

    /// Long-run spread of an autoregressive series of unit variance is sqrt((1 + phi) / (1 - phi)).
    #[test]
    fn long_run_spread_follows_autocorrelation() {
        for (phi, low) in [(0.0, 0.9), (0.5, 1.5), (0.8, 2.5)] {
            let theory = f64::sqrt((1.0 + phi) / (1.0 - phi));
            for explained in [true, false] {
                let found = spread_of_ar(phi, 6000, explained);
                assert!(
                    found > low && found < 1.35 * theory,
                    "phi {phi}, {explained}: {found}, theory {theory}"
                );
            }
        }
    }

    /// A drift that nothing explains is part of the noise; one in a state that a class names is not.
    #[test]
    fn a_drift_is_noise_only_where_nothing_explains() {
        let spread = |explained| {
            let (mut wander, mut noise) = (Wander::default(), Noise::new(5));
            for block in 0..2000 {
                wander.take(noise.normal() + 0.002 * f64::from(block), explained);
            }
            wander.spread()
        };
        let (creeps, wanders) = (spread(true), spread(false));
        assert!(wanders > 3.0 * creeps, "{wanders}, {creeps}");
    }

    #[test]
    fn one_event_does_not_deafen() {
        let mut wander = Wander::default();
        let mut noise = Noise::new(2);
        for _ in 0..200 {
            wander.take(0.3 * noise.normal(), true);
        }
        let before = wander.spread();
        wander.take(50.0, true);
        assert!(wander.spread() < 1.5 * before);
    }
}
