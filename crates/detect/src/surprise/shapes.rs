//! Shapes a channel has shown: a bounded set of prototypes, and how far the newest rows are from the nearest.
//!
//! A prototype is inserted when the newest shape is farther than a radius from all; the radius follows, so that about as
//! many are inserted in the channel's life as are held. The one unused for longest gives way.

use super::scale::Move;
use crate::num::real;

/// Rows averaged for each coordinate, newest first: 31 rows.
pub(super) const LENGTHS: [usize; 8] = [1, 1, 2, 2, 4, 4, 8, 8];
const ROWS: u32 = 31;
const SIZE: usize = 2 * LENGTHS.len();
/// Prototypes held; 48 lose about a point of the public score.
const MOST: usize = 96;
/// Prototypes from which distances mean something.
const ENOUGH: usize = 16;
/// Step of the radius, on a logarithmic scale.
const STEP: f64 = 0.05;
/// Bounds of the rate at which shapes are inserted; between them it is the number held over the age.
const RATE: (f64, f64) = (0.002, 0.2);

/// Eight means of the level, then eight of the residual.
pub(super) type Shape = [f64; SIZE];

#[derive(Clone, Debug)]
struct Prototype {
    shape: Shape,
    born: u32,
    used: u32,
}

/// The shapes of one channel.
#[derive(Clone, Debug, Default)]
pub(super) struct Shapes {
    held: Vec<Prototype>,
    radius: Option<f64>,
}

impl Shapes {
    pub(super) fn enough(&self) -> bool {
        self.held.len() >= ENOUGH
    }

    /// Distance to the nearest shape that shares no row with this one; learns the shape. `gate` is the weight of the
    /// residual's half.
    pub(super) fn step(&mut self, shape: &Shape, gate: f64, row: u32) -> f64 {
        let (mut apart, mut nearest) = (f64::INFINITY, (f64::INFINITY, 0));
        for (i, prototype) in self.held.iter().enumerate() {
            let d = distance(shape, &prototype.shape, gate);
            if d < nearest.0 {
                nearest = (d, i);
            }
            if d < apart && row - prototype.born > ROWS {
                apart = d;
            }
        }
        self.learn(shape, row, nearest);
        if apart.is_finite() { apart.sqrt() } else { 0.0 }
    }

    pub(super) fn carry(&mut self, to: &Move) {
        for prototype in &mut self.held {
            let (levels, residuals) = prototype.shape.split_at_mut(LENGTHS.len());
            for level in levels {
                *level = to.level(*level);
            }
            for residual in residuals {
                *residual *= to.factor;
            }
        }
        self.radius = self.radius.map(|r| r + to.factor.ln());
    }

    fn learn(&mut self, shape: &Shape, row: u32, nearest: (f64, usize)) {
        let distance = if self.held.is_empty() { 0.0 } else { nearest.0.sqrt() };
        let rate = (real(MOST) / f64::from(row)).clamp(RATE.0, RATE.1);
        if !self.held.is_empty() && self.radius.is_some_and(|r| distance <= r.exp()) {
            self.radius = self.radius.map(|r| r - STEP * rate);
            if let Some(prototype) = self.held.get_mut(nearest.1) {
                prototype.used = row;
            }
            return;
        }
        let new = Prototype { shape: *shape, born: row, used: row };
        if self.held.len() < MOST {
            self.held.push(new);
        } else if let Some(oldest) = self.held.iter_mut().min_by_key(|p| p.used) {
            *oldest = new;
        }
        if self.held.len() > 1 {
            self.radius = Some(self.radius.unwrap_or((distance + 1e-12).ln()) + STEP * (1.0 - rate));
        }
    }
}

/// Mean square over the coordinates.
fn distance(a: &Shape, b: &Shape, gate: f64) -> f64 {
    let square = |from: usize| {
        let (a, b) = (a.iter().skip(from), b.iter().skip(from));
        a.zip(b).take(LENGTHS.len()).map(|(a, b)| (a - b) * (a - b)).sum::<f64>()
    };
    (square(0) + gate * square(LENGTHS.len())) / real(LENGTHS.len())
}
