//! Local regression on equally spaced values: the smoother that STL is made of.
//!
//! Where no value counts less than another, what is smoothed does not change the weights: one row of them serves all inner
//! values, and those of the begin serve the end, mirrored. That is the fast way, [`Filter`]; [`Loess::smooth`] is the
//! general one. Both give the same.

use crate::num::real;

/// Values that are smoothed together; the compiler keeps so many sums in registers.
const LANES: usize = 8;
/// Within this share of the window's reach a value counts in full, and beyond the other not at all (as the published
/// program has it).
const WHOLLY: f64 = 0.001;
const HARDLY: f64 = 0.999;
/// A line is fitted where the values spread over more than this share of the series.
const SPREAD_OUT: f64 = 0.001;

/// How wide and how: values in a window (odd), a line or a level, and every how many values it is computed; straight
/// between.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Loess {
    pub(super) length: usize,
    pub(super) line: bool,
    pub(super) jump: usize,
}

impl Loess {
    /// First value of the window of a position, and how many it holds. Positions count from 1 before the first value, so
    /// that one beyond either end has a number.
    fn window(self, n: usize, position: usize) -> (usize, usize) {
        let width = self.length.min(n);
        let half = self.length.saturating_sub(1) / 2;
        (position.saturating_sub(half + 1).min(n - width), width)
    }

    /// Weights of the values `from..` of a series of `n` at a position; `None` where all count nothing.
    fn weights(
        self,
        n: usize,
        position: usize,
        (from, width): (usize, usize),
        counts: Option<&[f64]>,
        into: &mut Vec<f64>,
    ) -> Option<()> {
        let at = real(position) - 1.0;
        let (first, last) = (real(from), real(from + width) - 1.0);
        let reach = (at - first).max(last - at) + real(self.length.saturating_sub(n) / 2);
        into.clear();
        let scale = if reach > 0.0 { 1.0 / reach } else { 0.0 };
        into.extend((0..width).map(|i| tricube((first + real(i) - at).abs() * scale)));
        if let Some(counts) = counts.and_then(|c| c.get(from..from + width)) {
            into.iter_mut().zip(counts).for_each(|(w, c)| *w *= c);
        }
        let total: f64 = into.iter().sum();
        if total <= 0.0 {
            return None;
        }
        for w in &mut *into {
            *w /= total;
        }
        if reach > 0.0 && self.line {
            let off = |i: usize, centre: f64| first + real(i) - centre;
            let centre: f64 = into.iter().enumerate().map(|(i, w)| w * off(i, 0.0)).sum();
            let square: f64 = into.iter().enumerate().map(|(i, w)| w * off(i, centre).powi(2)).sum();
            if square.sqrt() > SPREAD_OUT * (real(n) - 1.0) {
                let slope = (at - centre) / square;
                into.iter_mut().enumerate().for_each(|(i, w)| *w *= slope * off(i, centre) + 1.0);
            }
        }
        Some(())
    }

    /// Smooths values of which some count less. `into` takes one value before the first, one for each, and one after the
    /// last.
    pub(super) fn smooth(self, y: &[f64], counts: Option<&[f64]>, into: &mut Vec<f64>) {
        let n = y.len();
        let mut row = Vec::with_capacity(self.length.min(n));
        let mut at = |position: usize| {
            let (from, width) = self.window(n, position);
            self.weights(n, position, (from, width), counts, &mut row)?;
            Some(dot(&row, y.get(from..from + width)?))
        };
        into.clear();
        into.resize(n + 2, 0.0);
        let jump = self.jump.clamp(1, n.max(2) - 1);
        let mut before = None;
        for position in (1..=n).step_by(jump).chain((!(n - 1).is_multiple_of(jump)).then_some(n)) {
            let own = y.get(position - 1).copied().unwrap_or(0.0);
            let value = at(position).unwrap_or(own);
            between(into, before, (position, value));
            before = Some((position, value));
        }
        for (end, next) in [(0, 1), (n + 1, n)] {
            let near = into.get(next).copied().unwrap_or(0.0);
            if let Some(slot) = into.get_mut(end) {
                *slot = at(end).unwrap_or(near);
            }
        }
    }
}

/// Weight of a value this far off, as a share of what the window reaches (Cleveland 1979).
fn tricube(share: f64) -> f64 {
    if share <= WHOLLY {
        1.0
    } else if share <= HARDLY {
        let rest = 1.0 - share * share * share;
        rest * rest * rest
    } else {
        0.0
    }
}

/// Writes a value, and the straight line to it from the one before.
fn between(into: &mut [f64], before: Option<(usize, f64)>, (to, value): (usize, f64)) {
    let (from, first) = before.unwrap_or((to, value));
    let slope = if to > from { (value - first) / real(to - from) } else { 0.0 };
    for (i, slot) in into.iter_mut().enumerate().take(to).skip(from + 1) {
        *slot = first + slope * real(i - from);
    }
    if let Some(slot) = into.get_mut(to) {
        *slot = value;
    }
}

/// Sum of products, in several sums side by side: one alone waits for itself.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let ((a, a_rest), (b, b_rest)) = (a.as_chunks::<LANES>(), b.as_chunks::<LANES>());
    let mut sums = [0.0; LANES];
    for (a, b) in a.iter().zip(b) {
        for (sum, (a, b)) in sums.iter_mut().zip(a.iter().zip(b)) {
            *sum += a * b;
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f64>() + rest
}

/// The weights of a smoother over a series of `n` values that all count alike.
#[derive(Debug)]
pub(super) struct Filter {
    n: usize,
    width: usize,
    /// Rows of weights of the begin, from the position before the first value on.
    ends: Vec<f64>,
    /// Weights of an inner value; empty where no value is.
    inner: Vec<f64>,
}

impl Filter {
    /// The weights of this smoother, its jump aside: every value is computed.
    pub(super) fn new(loess: Loess, n: usize) -> Self {
        let width = loess.length.min(n);
        let first_inner = if loess.length < n { loess.length.div_ceil(2) } else { n.div_ceil(2) + 1 };
        let mut row = Vec::with_capacity(width);
        let mut ends = Vec::with_capacity(first_inner * width);
        for position in 0..first_inner {
            // Weights of values that all count alike are never all nought: the nearest counts.
            let _nonzero = loess.weights(n, position, (0, width), None, &mut row);
            ends.extend_from_slice(&row);
        }
        let mut inner = Vec::new();
        if loess.length < n {
            let _nonzero = loess.weights(n, first_inner, loess.window(n, first_inner), None, &mut inner);
        }
        Self { n, width, ends, inner }
    }

    /// Smooths a series of the stated length; `into` is as long.
    pub(super) fn series(&self, y: &[f64], into: &mut [f64]) {
        let low = y.get(..self.width).unwrap_or(&[]);
        let high: Vec<f64> = y.iter().rev().take(self.width).copied().collect();
        let rows = || self.ends.chunks_exact(self.width.max(1)).skip(1);
        for (slot, row) in into.iter_mut().zip(rows()) {
            *slot = dot(row, low);
        }
        for (slot, row) in into.iter_mut().rev().zip(rows()) {
            *slot = dot(row, &high);
        }
        let first = rows().len();
        if self.inner.is_empty() {
            return;
        }
        let Some(inner) = into.get_mut(first..self.n - first) else { return };
        let (blocks, rest) = inner.as_chunks_mut::<LANES>();
        for (block, y) in blocks.iter_mut().zip(y.windows(self.width + LANES - 1).step_by(LANES)) {
            let mut sums = [0.0; LANES];
            for (w, near) in self.inner.iter().zip(y.array_windows::<LANES>()) {
                for (sum, y) in sums.iter_mut().zip(near) {
                    *sum += w * y;
                }
            }
            *block = sums;
        }
        for (slot, y) in rest.iter_mut().rev().zip(y.windows(self.width).rev()) {
            *slot = dot(&self.inner, y);
        }
    }

    /// Smooths many series at once, of which value `i` of series `j` is `y[i * period + j]`. `into` takes as many more
    /// rounds as one before the first and one after the last need.
    pub(super) fn phases(&self, y: &[f64], period: usize, phases: std::ops::Range<usize>, into: &mut [f64]) {
        let rows = || self.ends.chunks_exact(self.width.max(1));
        let of = |round: usize| y.get(round * period + phases.start..).unwrap_or(&[]);
        let count = phases.len();
        let ends = rows().len();
        for (round, out) in into.chunks_mut(period).enumerate().take(self.n + 2) {
            let Some(out) = out.get_mut(phases.start..phases.start + count) else { continue };
            out.fill(0.0);
            let mut add = |weight: f64, round: usize| {
                out.iter_mut().zip(of(round)).for_each(|(o, y)| *o += weight * y);
            };
            let mirrored = self.n + 1 - round;
            if round < ends {
                let row = rows().nth(round).unwrap_or(&[]);
                row.iter().enumerate().for_each(|(i, w)| add(*w, i));
            } else if mirrored < ends {
                let row = rows().nth(mirrored).unwrap_or(&[]);
                row.iter().enumerate().for_each(|(i, w)| add(*w, self.n - 1 - i));
            } else {
                let from = round - 1 - self.width / 2;
                self.inner.iter().enumerate().for_each(|(i, w)| add(*w, from + i));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    /// One step of a window of five over nine values, by hand: tricube weights of 0, 1 and 2 of a reach of 2, and no slope in
    /// the middle.
    #[test]
    fn the_middle_of_a_window_of_five() {
        let loess = Loess { length: 5, line: true, jump: 1 };
        let mut out = Vec::new();
        loess.smooth(&[0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0], None, &mut out);
        let near = (1.0_f64 - 0.125).powi(3);
        assert!((out[5] - 1.0 / (1.0 + 2.0 * near)).abs() < 1e-12, "{out:?}");
        assert!((out[4] - near / (1.0 + 2.0 * near)).abs() < 1e-12, "{out:?}");
    }

    #[test]
    fn lines_stay_lines_beyond_both_ends() {
        let y: Vec<f64> = (0..20).map(|i| 3.0 - 0.5 * real(i)).collect();
        let mut out = Vec::new();
        for length in [3, 7, 19, 21, 41] {
            for jump in [1, 4] {
                Loess { length, line: true, jump }.smooth(&y, None, &mut out);
                for (i, x) in out.iter().enumerate() {
                    assert!((x - (3.5 - 0.5 * real(i))).abs() < 1e-9, "{length} {jump} {i} {x}");
                }
            }
        }
    }

    #[test]
    fn both_ways_give_the_same() {
        let mut noise = Noise::new(7);
        for n in [2, 3, 9, 10, 40, 41] {
            let y: Vec<f64> = (0..n).map(|_| noise.normal()).collect();
            for (length, line) in [(3, true), (7, false), (9, true), (11, true), (41, false), (43, true)] {
                let loess = Loess { length, line, jump: 1 };
                let (mut slow, mut fast, mut rounds) = (Vec::new(), vec![0.0; n], vec![0.0; n + 2]);
                loess.smooth(&y, None, &mut slow);
                let filter = Filter::new(loess, n);
                filter.series(&y, &mut fast);
                filter.phases(&y, 1, 0..1, &mut rounds);
                for i in 0..n + 2 {
                    assert!((slow[i] - rounds[i]).abs() < 1e-12, "{n} {length} {i}");
                    let inside = (1..=n).contains(&i);
                    assert!(!inside || (slow[i] - fast[i - 1]).abs() < 1e-12, "{n} {length} {i}");
                }
            }
        }
    }
}
