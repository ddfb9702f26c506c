//! A channel's scale: centre and mean absolute deviation, frozen between ages that double.
//!
//! Values are squashed: linear up to some eight deviations, logarithmic beyond, so that one giant spike does not blind
//! the channel. The scale stands still between renewals, since a scale that creeps would itself look like a change.

use crate::num::real;

/// Mean absolute deviations up to which a value stays about linear.
const LINEAR: f64 = 8.0;
/// Rows before the first scale.
const FIRST: u32 = 200;

/// Centre and deviation, as they run and as they stand.
#[derive(Clone, Debug, Default)]
pub(super) struct Scale {
    mean: f64,
    deviation: f64,
    centre: f64,
    unit: f64,
    renewals: u32,
    first: Vec<f64>,
}

/// From the scale before to the one now.
#[derive(Clone, Copy, Debug)]
pub(super) struct Move {
    old: (f64, f64),
    new: (f64, f64),
    /// What a difference is multiplied by.
    pub(super) factor: f64,
}

impl Move {
    /// A squashed value on the new scale.
    pub(super) fn level(&self, y: f64) -> f64 {
        let x = self.old.0 + LINEAR * self.old.1 * y.sinh();
        ((x - self.new.0) / (LINEAR * self.new.1)).asinh()
    }
}

impl Scale {
    /// Takes a value. `None` before there is a scale; with a move when it was renewed at this row.
    #[expect(clippy::option_option, reason = "no scale yet, a scale, a new scale")]
    pub(super) fn step(&mut self, x: f64, rows: u32) -> Option<Option<Move>> {
        let age = f64::from(rows);
        let off = x - self.mean;
        if rows > 1 {
            self.deviation += (off.abs() - self.deviation) / age;
        }
        self.mean += off / age;
        if rows <= FIRST {
            self.first.push(x);
        }
        if rows < FIRST {
            return None;
        }
        let due = FIRST.saturating_mul(1 << self.renewals.min(20));
        let mut moved = None;
        if rows == due {
            self.renewals += 1;
            moved = self.renew();
        }
        if self.unit <= 0.0 {
            // Constant so far: the first change sets the scale.
            self.unit = (x - self.centre).abs();
        }
        Some(moved)
    }

    pub(super) fn squash(&self, x: f64) -> f64 {
        if self.unit > 0.0 { ((x - self.centre) / (LINEAR * self.unit)).asinh() } else { 0.0 }
    }

    fn renew(&mut self) -> Option<Move> {
        if !self.first.is_empty() {
            let first = std::mem::take(&mut self.first);
            self.centre = first.iter().sum::<f64>() / real(first.len());
            self.unit = first.iter().map(|x| (x - self.centre).abs()).sum::<f64>() / real(first.len());
            return None;
        }
        if self.unit <= 0.0 || self.deviation <= 0.0 {
            return None;
        }
        let old = (self.centre, self.unit);
        (self.centre, self.unit) = (self.mean, self.deviation);
        Some(Move { old, new: (self.centre, self.unit), factor: old.1 / self.unit })
    }
}
