//! Boundaries put right after partitioning: kinks as continuous lines, onsets walked back, single rows of long series.

use super::cost::Sums;
use crate::num::{real, whole};

/// What a continuous broken line may leave above two free lines, as a share of a line's price: it has one number less.
const KINK_PRICE: f64 = 0.1;
/// A knot is looked for this many rows about the boundary at least; else a block.
const KINK_ROWS: usize = 5;
/// An onset is looked for within this share of the rows, and in rows at least.
const ONSET: f64 = 0.005;
const ONSET_ROWS: usize = 6;
/// A boundary moves only when that at least halves what two lines about it leave: the first row of a slow step.
const ONSET_GAIN: f64 = 0.5;
/// Fewest rows on either side of a moved boundary.
const SIDE: usize = 3;

/// Where a segment at a boundary is a line: moves the boundary to the knot of the best continuous broken line, when that
/// explains as much.
pub(super) fn kinks(
    shape: &[f64],
    sums: &Sums,
    bounds: &mut [usize],
    line_price: f64,
    shortest: usize,
    block: usize,
) {
    for i in 1..bounds.len().saturating_sub(1) {
        let Some(&[from, at, to]) = bounds.get(i - 1..=i + 1) else { return };
        let (left, right) = (sums.best(from, at, line_price), sums.best(at, to, line_price));
        if !left.1 && !right.1 {
            continue;
        }
        let reach = KINK_ROWS.max(block);
        let first = (from + shortest).max(at.saturating_sub(reach));
        let last = (at + reach).min(to.saturating_sub(shortest));
        let knot = (first..=last)
            .map(|k| (broken_line(shape, sums, from, to, k), k))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        if let (Some((cost, knot)), Some(slot)) = (knot, bounds.get_mut(i))
            && cost <= left.0 + right.0 + KINK_PRICE * line_price
        {
            *slot = knot;
        }
    }
}

/// Sum of squares that the best continuous line with a knot at `knot` leaves on rows `from..to`: a line, and what the
/// hinge `max(0, row - knot)`, made orthogonal to it, explains beside.
fn broken_line(shape: &[f64], sums: &Sums, from: usize, to: usize, knot: usize) -> f64 {
    let rows = real(to - from);
    let centre = real(from + to - 1) / 2.0;
    let squares = rows * (rows * rows - 1.0) / 12.0;
    // The hinge's sums: with one, with the row number, with itself, with the values.
    let (mut one, mut along, mut own, mut with) = (0.0, 0.0, 0.0, 0.0);
    let (mut total, mut slope) = (0.0, 0.0);
    for (i, value) in shape.iter().enumerate().take(to).skip(from) {
        let (off, hinge) = (real(i) - centre, real(i.saturating_sub(knot)));
        one += hinge;
        along += hinge * off;
        own += hinge * hinge;
        with += hinge * value;
        total += value;
        slope += off * value;
    }
    let free = own - one * one / rows - along * along / squares;
    let explains = with - one * total / rows - along * slope / squares;
    let line = sums.line(from, to);
    if free <= 1e-9 * own { line } else { (line - explains * explains / free).max(0.0) }
}

/// Moves each boundary to the best break of two free lines near it, when that at least halves what they leave.
pub(super) fn onsets(sums: &Sums, bounds: &mut [usize]) {
    let n = bounds.last().copied().unwrap_or(0);
    let reach = ONSET_ROWS.max(whole((ONSET * real(n)).floor(), 0, u32::MAX) as usize);
    for i in 1..bounds.len().saturating_sub(1) {
        let Some(&[before, at, after]) = bounds.get(i - 1..=i + 1) else { return };
        let (from, to) = (before.max(at.saturating_sub(reach)), after.min(at + reach));
        if to - from < 2 * SIDE + 2 {
            continue;
        }
        let left = |k: usize| sums.line(from, k) + sums.line(k, to);
        let best = (from + SIDE..=to - SIDE).min_by(|a, b| left(*a).total_cmp(&left(*b)));
        if let (Some(best), Some(slot)) = (best, bounds.get_mut(i))
            && left(best) < ONSET_GAIN * left(at)
        {
            *slot = best;
        }
    }
}

/// The single row near `near` at which two lines fit best, in a series of which means of `width` rows were partitioned.
pub(super) fn finest(sums: &Sums, n: usize, near: usize, width: usize) -> usize {
    let (low, high) = (near.saturating_sub(6 * width), (near + 6 * width).min(n));
    let first = near.saturating_sub(2 * width).max(low + SIDE);
    let last = (near + 2 * width).min(high.saturating_sub(SIDE));
    let left = |k: usize| sums.line(low, k) + sums.line(k, high);
    (first..=last).min_by(|a, b| left(*a).total_cmp(&left(*b))).unwrap_or(near)
}
