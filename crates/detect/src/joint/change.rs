//! A change that all channels make at once, in one direction, by a like share: load or speed, not a fault of one part.

use std::collections::VecDeque;

use super::recent;
use crate::num::real;
use crate::robust::{MAD_TO_SD, median, median_mad};

/// Rows after the change and before it whose medians are compared.
pub(super) const AFTER: usize = 6;
const BEFORE: usize = 12;
/// Rows before them that show the noise.
pub(super) const NOISE: usize = 60;
/// A change is this many spreads of the noise.
const SPREADS: f64 = 8.0;
/// Channels that change, at least: this many and this share of all.
const FEWEST: usize = 3;
const SHARE: f64 = 0.75;
/// Relative sizes lie within this factor.
const ALIKE: f64 = 4.0;
/// Smallest spread of the noise, as a share of the level.
const STILL: f64 = 1e-6;

/// Whether the newest rows are such a change.
pub(super) fn common_change(rows: &VecDeque<Vec<f64>>) -> bool {
    let width = rows.back().map_or(0, Vec::len);
    if rows.len() < AFTER + 2 * BEFORE || width < FEWEST {
        return false;
    }
    let shares: Vec<f64> = (0..width).filter_map(|column| share(rows, column)).collect();
    let up = shares.iter().filter(|s| **s > 0.0).count();
    let sizes = || shares.iter().map(|s| s.abs());
    let (low, high) = (sizes().fold(f64::INFINITY, f64::min), sizes().fold(0.0, f64::max));
    shares.len() >= FEWEST
        && real(shares.len()) >= SHARE * real(width)
        && (up == 0 || up == shares.len())
        && high < ALIKE * low
}

/// By what share of its level a column changed, when by more than its noise.
fn share(rows: &VecDeque<Vec<f64>>, column: usize) -> Option<f64> {
    let after = median(&mut recent(rows, column, 0, AFTER).collect::<Vec<f64>>())?;
    let before = median(&mut recent(rows, column, AFTER, BEFORE).collect::<Vec<f64>>())?;
    let (jump, level) = (after - before, before.abs());
    // Cheap before dear: most rows change nothing.
    let near = recent(rows, column, AFTER, 2).sum::<f64>() / 2.0;
    if level <= 0.0 || jump.abs() < STILL * level || (after - near).abs() < STILL * level {
        return None;
    }
    let calm: Vec<f64> = recent(rows, column, AFTER, NOISE).collect();
    let steps: Vec<f64> = calm.iter().zip(calm.iter().skip(1)).map(|(a, b)| a - b).collect();
    let noise = MAD_TO_SD * median_mad(&steps)?.1 / std::f64::consts::SQRT_2 + STILL * level;
    (jump.abs() > SPREADS * noise).then_some(jump / level)
}
