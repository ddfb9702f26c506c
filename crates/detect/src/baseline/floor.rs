//! The smallest spread that a channel can have: what its sensor can tell.

use serde::{Deserialize, Serialize};

use crate::num::unset;

/// Two steps within this share of each other are the same step.
const SAME_STEP: f64 = 0.01;
/// A smallest step seen this often is the channel's resolution.
const STEP_SEEN: u16 = 20;
/// Share of the level that stands for a resolution nobody stated, while a channel has hardly moved.
const FLAT_SHARE: f64 = 0.02;

/// Smallest spread: what the sensor can tell, stated by the class or seen in the data.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Floor {
    /// Resolution of the class; nought where it states none.
    pub(crate) resolution: f64,
    /// Smallest step seen; nought before any.
    pub(crate) least_step: f64,
    /// How often it was seen: a smallest step that comes again and again is a resolution.
    pub(crate) seen: u16,
}

impl Floor {
    /// Notes a step between two samples.
    pub(crate) fn note(&mut self, step: f64) {
        if step <= 0.0 {
            return;
        }
        if unset(self.least_step) || step < (1.0 - SAME_STEP) * self.least_step {
            (self.least_step, self.seen) = (step, 1);
        } else if step < (1.0 + SAME_STEP) * self.least_step {
            self.seen = self.seen.saturating_add(1);
        }
    }

    /// Smallest step that the channel can show.
    pub(crate) fn step(self) -> f64 {
        self.resolution.max(self.least_step)
    }

    /// Floor of the spread of a channel about this level.
    pub(super) fn at(self, level: f64) -> f64 {
        if self.resolution > 0.0 {
            return self.resolution;
        }
        if self.seen >= STEP_SEEN {
            return self.least_step;
        }
        let flat = FLAT_SHARE * level.abs();
        if self.least_step > 0.0 { self.least_step.min(flat.max(self.least_step / 4.0)) } else { flat }
    }
}
