//! Baseline: what is normal for a channel of a unit in an operating state, and how far it usually strays.
//!
//! Location and spread are recursive and winsorised at three spreads (Huber 1964), so that outliers move them little
//! and memory stays bounded. Covariates that the class names enter by a ridge regression on running moments, which
//! is recursive least squares with forgetting. A state is judged only once it has learned: enough settled samples
//! over enough event time.

mod floor;
mod solve;

use notchwatch_model::Time;
use serde::{Deserialize, Serialize};

use crate::num::real;
use crate::plan::MOST_COVARIATES;

pub(crate) use floor::Floor;
use solve::{Square, get, set, solve};

/// Samples beyond this many spreads count with the weight that brings them back to it.
const WINSOR: f64 = 3.0;
/// ... once the state has this many samples.
const WINSOR_FROM: u32 = 10;
/// Covariates take part from this many samples on.
const REGRESS_FROM: u32 = 30;
/// Ridge: share of a covariate's variance added to it, so that one that hardly moves explains hardly anything.
const RIDGE: f64 = 0.05;
/// ... and how many samples the prior of no influence is worth.
const RIDGE_WORTH: f64 = 15.0;
/// A covariate is not followed further than this many of its own spreads beyond what was seen.
const REACH: f64 = 8.0;
/// A covariate within this many of its own spreads is where it was learned; beyond, what it explains is a guess ...
const FAMILIAR: f64 = 2.0;
/// ... that may be off by this share: a line stands for a curve (common practice).
const GUESS: f64 = 0.5;
/// A channel moves where its spread, without any floor, is this share of a step: rounding alone, of a level between
/// two steps, gives up to 0.5.
const MOVES_SHARE: f64 = 0.7;
/// Once it judges, a baseline follows at most this many times more slowly than while it learned: a slow fault must
/// not pull its own reference along.
const FOLLOW: f64 = 10.0;

/// How many samples an as-built level counts as: as few as a baseline is judged from, since a test cell is not the line.
const SEED_WORTH: u32 = crate::LEARN_LEAST;

/// Symmetric products of [`MOST_COVARIATES`] covariates, by rows of the lower triangle.
const PRODUCTS: usize = MOST_COVARIATES * (MOST_COVARIATES + 1) / 2;

/// Running moments of the covariates in one operating state.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
struct Moments {
    mean: [f64; MOST_COVARIATES],
    /// Covariances among covariates.
    among: [f64; PRODUCTS],
    /// Covariances with the channel.
    with: [f64; MOST_COVARIATES],
    /// Mean of the channel itself, while its level is an as-built one.
    level: f64,
}

impl Moments {
    /// Of a first sample.
    fn about(level: f64, covariates: &[f64]) -> Self {
        let mut moments = Self { level, ..Self::default() };
        for (slot, value) in moments.mean.iter_mut().zip(covariates) {
            *slot = *value;
        }
        moments
    }
}

/// Baseline of one operating state.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Normal {
    /// Slot of the regime.
    pub(crate) slot: u8,
    /// Settled samples seen.
    pub(crate) count: u32,
    /// First of them.
    pub(crate) since: Time,
    /// Samples it had learned from when it began to judge by itself; `None` while it learns.
    learned: Option<u32>,
    /// It began with an as-built level.
    seeded: bool,
    location: f64,
    variance: f64,
    moments: Option<Box<Moments>>,
}

/// What is expected of one sample.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Expected {
    /// Expected value, in the channel's unit of measure.
    pub(crate) value: f64,
    /// Spread of single samples, in the channel's unit of measure. Above nought.
    pub(crate) spread: f64,
    /// Variance of the expectation, where that of a single sample is 1: falls with every sample.
    pub(crate) doubt: f64,
}

/// What the covariates explain of a sample.
#[derive(Clone, Copy, Default)]
struct Explained {
    /// In the channel's unit of measure.
    shift: f64,
    /// How far the covariates lie from what was seen, in variances.
    leverage: f64,
    /// Spread of what is guessed beyond what was seen, in the channel's unit of measure.
    guess: f64,
}

impl Normal {
    pub(crate) fn new(slot: u8, time: Time) -> Self {
        Self {
            slot,
            count: 0,
            since: time,
            learned: None,
            seeded: false,
            location: 0.0,
            variance: 0.0,
            moments: None,
        }
    }

    /// One that begins with an as-built level and spread, and judges by them from the first sample on.
    pub(crate) fn as_built(slot: u8, time: Time, level: f64, spread: f64) -> Self {
        let known = Self { count: SEED_WORTH, seeded: true, ..Self::new(slot, time) };
        Self { location: level, variance: spread * spread, ..known }
    }

    /// What is expected with these covariates. `None` while there is nothing to expect from, or no spread.
    pub(crate) fn expect(&self, covariates: &[f64], floor: Floor) -> Option<Expected> {
        if self.count < WINSOR_FROM {
            return None;
        }
        let Explained { shift, leverage, guess } = self.explained(covariates);
        let spread = self.variance.max(0.0).sqrt().max(floor.at(self.location)).hypot(guess);
        // A guess is wrong in one direction for as long as it is needed: no block averages it out.
        let doubt =
            (1.0 + leverage) / self.worth() + if spread > 0.0 { (guess / spread).powi(2) } else { 0.0 };
        (spread > 0.0 && spread.is_finite()).then_some(Expected {
            value: self.location + shift,
            spread,
            doubt,
        })
    }

    /// Takes a settled sample, with the seasonal part already taken off. `least_gain` is the memory's.
    pub(crate) fn take(&mut self, x: f64, covariates: &[f64], floor: Floor, least_gain: f64) {
        if self.count == 0 {
            self.location = x;
            self.count = 1;
            self.moments = (!covariates.is_empty()).then(|| Box::new(Moments::about(x, covariates)));
            return;
        }
        if self.own() == 0 && !covariates.is_empty() {
            self.moments = Some(Box::new(Moments::about(x, covariates)));
        }
        let Explained { shift, guess, .. } = self.explained(covariates);
        let residual = x - self.location - shift;
        let gain = (1.0 / self.pace()).max(least_gain);
        let spread = self.variance.max(0.0).sqrt().max(floor.at(self.location));
        // What a guess leaves says little of the spread, and is learned from all the same: the next guess is better.
        let known = if guess > 0.0 { spread / spread.hypot(guess) } else { 1.0 };
        let cut = if self.count >= WINSOR_FROM { WINSOR * spread / known } else { f64::INFINITY };
        let weight = if residual.abs() > cut { cut / residual.abs() } else { 1.0 };
        self.variance += gain * ((known * residual.abs().min(cut)).powi(2) - self.variance);
        // An as-built level says nothing of covariates: what they will explain is averaged from the first sample on.
        let fresh = if self.seeded_only() { 1.0 / (f64::from(self.own()) + 1.0) } else { gain };
        self.learn_covariates(x, covariates, fresh * weight);
        self.location += gain * weight * if self.moments.is_some() { x - self.location } else { residual };
        self.count = self.count.saturating_add(1);
    }

    /// Whether it may judge: it has learned, or knows an as-built level.
    pub(crate) fn judges(&self) -> bool {
        self.reference().is_some()
    }

    /// Whether it has learned from its own samples.
    pub(crate) fn learned(&self) -> bool {
        self.learned.is_some()
    }

    /// Whether it judges by an as-built level alone.
    pub(crate) fn seeded_only(&self) -> bool {
        self.seeded && self.learned.is_none()
    }

    /// From now on it judges by what it has learned.
    pub(crate) fn begin(&mut self) {
        self.learned.get_or_insert(self.count);
    }

    /// Samples that it took itself.
    pub(crate) fn own(&self) -> u32 {
        self.count - if self.seeded { SEED_WORTH } else { 0 }
    }

    /// Samples that its reference was made from; `None` while it learns and there is none.
    fn reference(&self) -> Option<u32> {
        self.learned.or(self.seeded.then_some(SEED_WORTH))
    }

    /// Samples that the next one is weighed against.
    fn pace(&self) -> f64 {
        let count = f64::from(self.count) + 1.0;
        self.reference().map_or(count, |learned| count.max(FOLLOW * f64::from(learned)))
    }

    /// How many samples' worth its certainty is: those that followed count less.
    fn worth(&self) -> f64 {
        let learned = self.reference().unwrap_or(self.count);
        f64::from(learned) + f64::from(self.count - learned.min(self.count)) / FOLLOW
    }

    /// Whether the channel moves from sample to sample in this state, given the smallest step it can show.
    pub(crate) fn moves(&self, step: f64) -> bool {
        self.variance > 0.0 && self.variance.sqrt() > MOVES_SHARE * step
    }

    fn learn_covariates(&mut self, x: f64, covariates: &[f64], gain: f64) {
        let seeded = self.seeded_only();
        let Some(moments) = self.moments.as_deref_mut() else { return };
        let mut off = [0.0; MOST_COVARIATES];
        for ((off, mean), value) in off.iter_mut().zip(&moments.mean).zip(covariates) {
            *off = value - mean;
        }
        let dx = if seeded { x - moments.level } else { x - self.location };
        moments.level += gain * dx;
        let mut product = moments.among.iter_mut();
        for (i, a) in off.iter().enumerate() {
            for b in off.iter().take(i + 1) {
                if let Some(slot) = product.next() {
                    *slot = (1.0 - gain) * (*slot + gain * a * b);
                }
            }
        }
        for ((with, mean), off) in moments.with.iter_mut().zip(&mut moments.mean).zip(&off) {
            *with = (1.0 - gain) * (*with + gain * off * dx);
            *mean += gain * off;
        }
    }

    fn explained(&self, covariates: &[f64]) -> Explained {
        let Some(moments) =
            self.moments.as_deref().filter(|_| self.own() >= REGRESS_FROM && !self.seeded_only())
        else {
            return Explained::default();
        };
        let n = covariates.len().min(MOST_COVARIATES);
        let mut matrix = Square::default();
        let mut product = moments.among.iter();
        for i in 0..MOST_COVARIATES {
            for j in 0..=i {
                let value = product.next().copied().unwrap_or(0.0);
                set(&mut matrix, i, j, value);
                set(&mut matrix, j, i, value);
            }
        }
        let ridge = RIDGE + RIDGE_WORTH / f64::from(self.own());
        let mut off = [0.0; MOST_COVARIATES];
        let mut beyond = [0.0; MOST_COVARIATES];
        let mut leverage = 0.0;
        for i in 0..MOST_COVARIATES {
            let variance = get(&matrix, i, i);
            // A covariate that does not exist or never moved: an identity row leaves it out.
            let unused = i >= n || variance <= 0.0;
            set(&mut matrix, i, i, if unused { 1.0 } else { variance * (1.0 + ridge) });
            if let (Some(slot), Some(beyond), Some(value), Some(mean)) =
                (off.get_mut(i), beyond.get_mut(i), covariates.get(i), moments.mean.get(i))
            {
                let own = variance.max(0.0).sqrt();
                *slot = (value - mean).clamp(-REACH * own, REACH * own);
                *beyond = ((value - mean).abs() - FAMILIAR * own).max(0.0);
                if !unused {
                    leverage += *slot * *slot / variance / real(n.max(1));
                }
            }
        }
        let slopes = solve(matrix, moments.with);
        let guess = slopes.iter().zip(&beyond).map(|(b, d)| (GUESS * b * d).powi(2)).sum::<f64>();
        Explained { shift: slopes.iter().zip(&off).map(|(b, d)| b * d).sum(), leverage, guess: guess.sqrt() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    const FINE: Floor = Floor { resolution: 1e-6, least_step: 0.0, seen: 0 };

    #[test]
    fn location_and_spread_withstand_outliers() {
        let mut noise = Noise::new(1);
        let mut normal = Normal::new(11, Time::EPOCH);
        for i in 0..2000 {
            let x = if i % 50 == 20 { 400.0 } else { 100.0 + 2.0 * noise.normal() };
            normal.take(x, &[], FINE, 1e-6);
        }
        let expected = normal.expect(&[], FINE).unwrap();
        assert!((expected.value - 100.0).abs() < 0.5, "{expected:?}");
        assert!((expected.spread - 2.0).abs() < 0.5, "{expected:?}");
    }

    #[test]
    fn covariates_explain_their_share() {
        let mut noise = Noise::new(4);
        let mut normal = Normal::new(11, Time::EPOCH);
        for _ in 0..3000 {
            let c = [20.0 + 5.0 * noise.normal(), 7.0];
            normal.take(10.0 + 0.8 * c[0] + 0.5 * noise.normal(), &c, FINE, 1e-6);
        }
        let warm = normal.expect(&[30.0, 7.0], FINE).unwrap();
        assert!((warm.value - 34.0).abs() < 0.6, "{warm:?}");
        assert!(warm.spread < 0.8, "{warm:?}");
        // Far outside what was seen the regression is not followed for ever.
        let far = normal.expect(&[1000.0, 7.0], FINE).unwrap();
        assert!(far.value < 62.0 && far.spread > 100.0, "{far:?}");
    }

    /// A line learned over a narrow range is a guess far beyond it, and a better one after some hours there.
    #[test]
    fn what_a_covariate_explains_beyond_its_range_is_a_guess_that_learns() {
        let mut noise = Noise::new(6);
        let mut normal = Normal::new(11, Time::EPOCH);
        let curve = |t: f64| 40.0 * 42.0 / (86.0 - t);
        for _ in 0..360 {
            let t = 12.0 + 3.0 * noise.normal();
            normal.take(curve(t) + 0.3 * noise.normal(), &[t], FINE, 1e-6);
        }
        let z = |normal: &Normal, t: f64| {
            let expected = normal.expect(&[t], FINE).unwrap();
            (curve(t) - expected.value) / expected.spread
        };
        normal.begin();
        assert!(z(&normal, 14.0).abs() < 0.5 && z(&normal, 32.0).abs() < 1.5, "{}", z(&normal, 32.0));
        let guess = normal.expect(&[32.0], FINE).unwrap().spread;
        for _ in 0..1000 {
            let t = 32.0 + 2.0 * noise.normal();
            normal.take(curve(t) + 0.3 * noise.normal(), &[t], FINE, 1e-6);
        }
        let learned = normal.expect(&[32.0], FINE).unwrap();
        assert!(learned.spread < 0.5 * guess && z(&normal, 32.0).abs() < 1.5, "{learned:?} after {guess}");
    }

    #[test]
    fn a_flat_channel_is_floored_by_what_is_known_of_its_steps() {
        // Resolution, least step, level, floor.
        let table = [
            (0.1, 0.0, 24.0, 0.1),
            (0.0, 0.1, 24.0, 0.1),
            (0.0, 5.0, 24.0, 1.25),
            (0.0, 0.0, 24.0, 0.48),
            (0.0, 0.0, 0.0, 0.0),
        ];
        for (resolution, least_step, level, floor) in table {
            assert!(
                (Floor { resolution, least_step, seen: 1 }.at(level) - floor).abs() < 1e-12,
                "{resolution} {least_step}"
            );
        }
    }

    #[test]
    fn too_little_history_expects_nothing() {
        let mut normal = Normal::new(0, Time::EPOCH);
        for _ in 0..9 {
            normal.take(1.0, &[], FINE, 1e-6);
        }
        assert_eq!(normal.expect(&[], FINE), None);
    }
}
