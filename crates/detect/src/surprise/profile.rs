//! What the time of day explains: half-hour bins, read linearly between their centres.

use notchwatch_model::Time;

use super::scale::Move;
use crate::num::{real, whole};

/// Bins a day.
const BINS: usize = 48;
/// Weight of the newest row in its bin.
const GAIN: f64 = 0.1;
/// Rows a bin needs before it is read.
const ENOUGH: u32 = 3;
/// Slowest gain of the running mean and variances, a row.
const SLOWEST: f64 = 1.0 / 3000.0;
const DAY: f64 = 86_400.0;

/// A time-of-day profile, and how much it explains.
#[derive(Clone, Debug)]
pub(super) struct Profile {
    bins: [(f64, u32); BINS],
    mean: f64,
    left: f64,
    whole: f64,
    rows: u32,
}

impl Default for Profile {
    fn default() -> Self {
        Self { bins: [(0.0, 0); BINS], mean: 0.0, left: 0.0, whole: 0.0, rows: 0 }
    }
}

impl Profile {
    /// Takes a value and returns what the profile of the rows before leaves of it; of the slow mean before there is a
    /// profile.
    pub(super) fn step(&mut self, time: Time, y: f64) -> f64 {
        self.rows = self.rows.saturating_add(1);
        let gain = (1.0 / f64::from(self.rows)).max(SLOWEST);
        let phase = time.of_day().secs_f64() / DAY * real(BINS);
        let bin = (whole(phase.floor(), 0, u32::MAX) as usize).min(BINS - 1);
        let residual = self.expected(phase, bin).map_or(y - self.mean, |expected| {
            let (left, whole) = (y - expected, y - self.mean);
            self.left += gain * (left * left - self.left);
            self.whole += gain * (whole * whole - self.whole);
            left
        });
        self.mean += gain * (y - self.mean);
        if let Some((value, count)) = self.bins.get_mut(bin) {
            *count = count.saturating_add(1);
            *value += GAIN.max(1.0 / f64::from(*count)) * (y - *value);
        }
        residual
    }

    /// Share of the variance that the profile explains.
    pub(super) fn gate(&self) -> f64 {
        if self.whole > 1e-18 { (1.0 - self.left / self.whole).max(0.0) } else { 0.0 }
    }

    pub(super) fn carry(&mut self, to: &Move) {
        for (value, _) in &mut self.bins {
            *value = to.level(*value);
        }
        self.mean = to.level(self.mean);
        self.left *= to.factor * to.factor;
        self.whole *= to.factor * to.factor;
    }

    fn expected(&self, phase: f64, bin: usize) -> Option<f64> {
        let here = self.bins.get(bin).filter(|b| b.1 >= ENOUGH)?.0;
        let off = phase - real(bin) - 0.5;
        let next = if off > 0.0 { (bin + 1) % BINS } else { (bin + BINS - 1) % BINS };
        let beside = self.bins.get(next).filter(|b| b.1 >= ENOUGH).map_or(here, |b| b.0);
        Some(here + off.abs() * (beside - here))
    }
}
