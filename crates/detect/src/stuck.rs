//! Stuck: no change for too long, given how a channel usually moves.
//!
//! A run of equal values is compared with the longest run of the channel's own past. If runs end by chance, the
//! longest of `n` is about `ln n` mean runs, and one four times as long has a chance of about `n^-4`. Rows count
//! only in operating states in which the channel was seen to move.

use serde::{Deserialize, Serialize};

/// Runs that must have ended before a run can be called too long.
const RUNS: u32 = 50;
/// A run this many times the longest one before is too long.
const TIMES: u32 = 4;
/// ... and at least this many samples: six hours at a quarter of an hour, 24 minutes at one a minute.
const LEAST: u32 = 24;
/// Changes after which a channel moves again.
const MOVES: u8 = 3;

/// Runs of equal values.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Stuck {
    value: Option<f64>,
    /// Samples in the present run, after its first.
    pub(crate) run: u32,
    runs: u32,
    /// Longest run that ended.
    pub(crate) longest: u32,
    /// Mean run that ended.
    mean: f64,
    moves: u8,
    /// Whether it is stuck now.
    pub(crate) on: bool,
}

impl Stuck {
    /// Takes a good sample; `moving` says whether the channel normally moves in this operating state. Returns the
    /// new state when it changed.
    pub(crate) fn step(&mut self, x: f64, moving: bool) -> Option<bool> {
        if self.value.is_some_and(|v| v.to_bits() == x.to_bits()) {
            self.moves = 0;
            if moving {
                self.run = self.run.saturating_add(1);
            }
            let long = self.run >= LEAST.max(TIMES.saturating_mul(self.longest));
            if !self.on && self.runs >= RUNS && long {
                self.on = true;
                return Some(true);
            }
            return None;
        }
        let first = self.value.replace(x).is_none();
        if self.on {
            self.moves += 1;
            if self.moves < MOVES {
                return None;
            }
            self.on = false;
            self.run = 0;
            return Some(false);
        }
        if !first {
            self.end_run();
        }
        None
    }

    /// Whether the run is long enough to doubt the value, though not to call it stuck: half of both bounds.
    pub(crate) fn doubtful(&self) -> bool {
        self.on
            || (self.runs >= RUNS
                && self.run >= (LEAST / 2).max(TIMES / 2 * self.longest.min(u32::MAX / TIMES)))
    }

    /// Chance that a run this long is no chance: runs that end at random are exponential about their mean.
    pub(crate) fn probability(&self) -> f64 {
        1.0 - f64::from(self.runs) * (-f64::from(self.run) / self.mean.max(1.0)).exp()
    }

    fn end_run(&mut self) {
        self.runs = self.runs.saturating_add(1);
        self.longest = self.longest.max(self.run);
        self.mean += (f64::from(self.run) - self.mean) / f64::from(self.runs);
        self.run = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn swing(i: u32) -> f64 {
        // A daily swing sampled every quarter of an hour, to a hundredth.
        ((f64::from(i) * std::f64::consts::TAU / 96.0).sin() * 800.0).round() / 100.0
    }

    #[test]
    fn a_freeze_is_seen_within_hours_and_ends() {
        let mut stuck = Stuck::default();
        for i in 0..960 {
            assert_eq!(stuck.step(swing(i), true), None);
        }
        let frozen = swing(959);
        let seen = (0..100).position(|_| stuck.step(frozen, true) == Some(true)).unwrap();
        assert!(seen < 30, "after {seen} quarter hours");
        assert!(stuck.probability() > 0.99);
        let back: Vec<Option<bool>> = (0..4).map(|i| stuck.step(swing(i), true)).collect();
        assert!(back.contains(&Some(false)), "{back:?}");
    }

    #[test]
    fn a_channel_that_never_moves_is_not_stuck() {
        let mut stuck = Stuck::default();
        assert!((0..5000).all(|_| stuck.step(24.0, false).is_none()));
        assert!((0..5000).all(|_| stuck.step(24.0, true).is_none()), "no run has ever ended");
    }
}
