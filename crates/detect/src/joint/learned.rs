//! What one channel was while its machine was learned, and how far from it the newest rows are.

use std::collections::VecDeque;

use super::recent;
use crate::num::real;

/// Rows of the short mean of a jump, and of the mean before it.
const SHORT: usize = 8;
const BEFORE: usize = 40;
/// Rows that are looked back on at most, but for the window.
pub(super) const LONGEST: usize = SHORT + BEFORE;
/// Smallest spread of a mean, and of a jump, in spreads of rows: what an engineer would not call a change.
const FLOOR: f64 = 0.4;
const JUMP_FLOOR: f64 = 0.8;
/// Rows of the blocks whose means tell a channel that wanders from one that stays.
const BLOCK: usize = 20;
/// Share of the random walk seen while learning that is allowed for, a row.
const WALK: f64 = 0.6;
/// Error of the learned mean and spread, in rows' variances over rows learned: one for the mean, two for the spread of a
/// short record.
const ERROR: f64 = 3.0;
/// A spread below this share of the level is none: a constant takes no part.
const CONSTANT: f64 = 1e-9;

/// One channel as it was learned. Figures but for the first two are in its own spreads.
#[derive(Clone, Debug)]
pub(super) struct Learned {
    centre: f64,
    spread: f64,
    reference: f64,
    /// Variance of window means, of jumps, and of the error of learning.
    window: f64,
    jump: f64,
    error: f64,
    /// Variance a row of the random walk that was seen.
    walk: f64,
    /// How settled it was: 1 for white noise, 0 for slow wandering.
    weight: f64,
}

/// How far a channel's present mean is from the reference.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Departure {
    /// In usual ones, weighted.
    pub(super) size: f64,
    /// In the channel's unit of measure, and its learned level in the same.
    pub(super) moved: f64,
    pub(super) level: f64,
}

/// A sudden change.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sudden {
    /// In usual ones, weighted.
    pub(super) size: f64,
    /// By how much it moved, and how far from the reference it ended, in spreads.
    pub(super) moved: f64,
    pub(super) left: f64,
}

impl Learned {
    pub(super) fn of(values: &[f64], window: usize) -> Self {
        let n = values.len();
        let centre = crate::robust::median(&mut values.to_vec()).unwrap_or(0.0);
        let mean = mean_of(values);
        let squares = values.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>();
        let spread = (squares / real(n.saturating_sub(1).max(1))).sqrt();
        let constant = Self {
            centre,
            spread: 0.0,
            reference: 0.0,
            window: 0.0,
            jump: 0.0,
            error: 0.0,
            walk: 0.0,
            weight: 0.0,
        };
        if !spread.is_finite() || spread <= CONSTANT * centre.abs().max(CONSTANT) {
            return constant;
        }
        let y: Vec<f64> = values.iter().map(|x| (x - centre) / spread).collect();
        let reference = mean_of(&y);
        let means: Vec<f64> = y.windows(window).map(mean_of).collect();
        let white = 1.0 / real(window);
        let about = means.iter().map(|m| (m - reference) * (m - reference)).sum::<f64>() / real(means.len());
        let apart = mean_square(means.iter().zip(means.iter().skip(window)).map(|(a, b)| b - a));
        let jumps = y.windows(LONGEST).map(|w| {
            let (before, short) = w.split_at(BEFORE);
            mean_of(short) - mean_of(before)
        });
        let jump = if n > LONGEST { mean_square(jumps) } else { 1.0 / real(SHORT) + 1.0 / real(BEFORE) };
        Self {
            centre,
            spread,
            reference,
            window: about.max(white),
            jump,
            error: ERROR / real(n),
            walk: ((apart - 2.0 * white) / real(window)).max(0.0),
            weight: 1.0 - wandering(&y),
        }
    }

    pub(super) fn live(&self) -> bool {
        self.spread > 0.0
    }

    /// Departure of the mean of the last `window` rows from the reference, `stale` rows after it was known.
    pub(super) fn departure(
        &self,
        rows: &VecDeque<Vec<f64>>,
        column: usize,
        window: usize,
        stale: f64,
    ) -> Departure {
        if !self.live() {
            return Departure::default();
        }
        let mean = self.scaled(recent(rows, column, 0, window).sum::<f64>() / real(window));
        let variance = self.window + FLOOR * FLOOR + self.error + WALK * self.walk * stale;
        let off = (mean - self.reference).abs();
        let size = self.weight * off / variance.sqrt();
        Departure { size, moved: off * self.spread, level: self.centre }
    }

    /// How sudden the newest rows are.
    pub(super) fn jump(&self, rows: &VecDeque<Vec<f64>>, column: usize) -> Sudden {
        if !self.live() || rows.len() < LONGEST {
            return Sudden::default();
        }
        let short = self.scaled(recent(rows, column, 0, SHORT).sum::<f64>() / real(SHORT));
        let before = self.scaled(recent(rows, column, SHORT, BEFORE).sum::<f64>() / real(BEFORE));
        let moved = short - before;
        let left = short - self.reference;
        Sudden {
            size: self.weight * moved.abs() / (self.jump + JUMP_FLOOR * JUMP_FLOOR).sqrt(),
            moved: moved.abs(),
            // Beyond the reference is as good as at it.
            left: if left * moved < 0.0 { 0.0 } else { left.abs() },
        }
    }

    /// Lets the reference follow a row.
    pub(super) fn follow(&mut self, x: f64, gain: f64, cut: f64) {
        if self.live() {
            let off = self.scaled(x) - self.reference;
            self.reference += gain * off.clamp(-cut, cut);
        }
    }

    fn scaled(&self, x: f64) -> f64 {
        (x - self.centre) / self.spread
    }
}

/// Share of the variance that means of blocks keep beyond what white noise would leave them: 0 to 1.
fn wandering(y: &[f64]) -> f64 {
    let length = BLOCK.min(y.len() / 4).max(2);
    let means: Vec<f64> = y.chunks_exact(length).map(mean_of).collect();
    let count = real(means.len());
    let centre = mean_of(&means);
    let between = means.iter().map(|m| (m - centre) * (m - centre)).sum::<f64>() / (count - 1.0).max(1.0);
    let used = y.get(..means.len() * length).unwrap_or(&[]);
    let middle = mean_of(used);
    let whole = mean_square(used.iter().map(|x| x - middle)).max(1e-12);
    let white = 1.0 / real(length);
    (((between / whole).min(0.999) - white) / (1.0 - white)).max(0.0)
}

fn mean_of(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / real(values.len().max(1))
}

fn mean_square(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), x| (sum + x * x, count + 1.0));
    sum / f64::max(count, 1.0)
}
