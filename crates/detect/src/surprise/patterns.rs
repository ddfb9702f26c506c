//! Patterns over hours: eight coarse rows on the channel's own range, against boxes of such patterns seen before.
//!
//! A coarse row is half an hour of rows, two to sixty of them, and stands for the one farthest from what went before, so
//! that a spike is not averaged away. Boxes grow over patterns that are near and are made for those that are not: fuzzy
//! adaptive resonance (Carpenter, Grossberg and Rosen 1991). Knows no future: the range is that of the rows so far, and
//! what is held moves with it.

use notchwatch_model::Time;

use super::stream::{Kind, Stream};
use crate::num::real;

/// Coarse rows of a pattern.
const LENGTH: usize = 8;
const SIZE: usize = 2 * LENGTH;
/// A coarse row ends after so many seconds and at least so many rows, or at most so many.
const COARSE: f64 = 1800.0;
const ROWS: (u32, u32) = (2, 60);
/// Levels of the range: finer moves are none.
const LEVELS: f64 = 80.0;
/// Boxes held; twice as many gain nothing.
const MOST: usize = 64;
/// A pattern within the mean novelty so far widens its box; the mean counts as this at least.
const NEAR: f64 = 0.03;
/// Novelty against its own record: coarse rows of a block and before scores, smallest spread.
const OWN: Kind = Kind { block: 32, warm: 60, floor: 0.05 };

/// The pattern's shape, then its levels.
type Pattern = [f64; SIZE];

#[derive(Clone, Debug)]
struct Box {
    low: Pattern,
    high: Pattern,
    used: u32,
}

/// The patterns of one channel.
#[derive(Clone, Debug)]
pub(super) struct Patterns {
    open: Coarse,
    closed: Option<Time>,
    follow: f64,
    range: Option<(f64, f64)>,
    last: [f64; LENGTH],
    count: u32,
    boxes: Vec<Box>,
    novelty: (f64, f64),
    record: Stream,
    score: f64,
}

/// The coarse row that is filled.
#[derive(Clone, Copy, Debug, Default)]
struct Coarse {
    rows: u32,
    sum: f64,
    low: f64,
    high: f64,
}

impl Default for Patterns {
    fn default() -> Self {
        Self {
            open: Coarse::default(),
            closed: None,
            follow: 0.0,
            range: None,
            last: [0.0; LENGTH],
            count: 0,
            boxes: Vec::new(),
            novelty: (0.0, 0.0),
            record: Stream::new(OWN),
            score: 0.0,
        }
    }
}

impl Patterns {
    /// Takes a row; returns the score of the newest whole pattern, 1 being as odd as this channel's records.
    pub(super) fn step(&mut self, time: Time, x: f64) -> f64 {
        self.open.take(x);
        let long = self.closed.is_none_or(|t| (time - t).secs_f64() >= COARSE);
        if self.open.rows >= ROWS.1 || (self.open.rows >= ROWS.0 && long) {
            self.closed = Some(time);
            let coarse = std::mem::take(&mut self.open);
            self.close(&coarse);
        }
        self.score
    }

    fn close(&mut self, coarse: &Coarse) {
        let mean = coarse.sum / f64::from(coarse.rows);
        self.follow = if self.count == 0 { mean } else { f64::midpoint(self.follow, mean) };
        let above = (coarse.high - self.follow).abs() >= (coarse.low - self.follow).abs();
        self.count = self.count.saturating_add(1);
        self.widen(coarse.low, coarse.high);
        self.last.rotate_left(1);
        if let Some(newest) = self.last.last_mut() {
            *newest = if above { coarse.high } else { coarse.low };
        }
        if self.count < u32::try_from(LENGTH).unwrap_or(u32::MAX) {
            return;
        }
        let pattern = self.pattern();
        let novelty = self.learn(&pattern);
        self.score = self.record.step(novelty, self.count > OWN.warm, true);
        if self.count.is_multiple_of(OWN.block) {
            self.record.close_block(f64::from(self.count), self.count);
        }
    }

    /// Takes new ends of the range; levels held are moved to it.
    fn widen(&mut self, low: f64, high: f64) {
        let Some((from, to)) = self.range else {
            self.range = Some((low, high));
            return;
        };
        let (new_from, new_to) = (from.min(low), to.max(high));
        self.range = Some((new_from, new_to));
        if to > from && (new_from < from || new_to > to) {
            let (scale, shift) = ((to - from) / (new_to - new_from), (from - new_from) / (new_to - new_from));
            for held in &mut self.boxes {
                for side in [&mut held.low, &mut held.high] {
                    side.iter_mut().skip(LENGTH).for_each(|level| *level = shift + scale * *level);
                }
            }
        }
    }

    /// The shape by Haar's means and differences (Haar 1910), on 0 to 1, and the levels in shares of the range.
    fn pattern(&self) -> Pattern {
        let (from, to) = self.range.unwrap_or_default();
        let level =
            |x: f64| if to > from { ((x - from) / (to - from) * LEVELS).round() / LEVELS } else { 0.0 };
        let levels = self.last.map(level);
        let shape = unit(haar(unit(levels)));
        std::array::from_fn(|i| shape.get(i).or_else(|| levels.get(i - LENGTH)).copied().unwrap_or(0.0))
    }

    /// How far the pattern is from the nearest box, 0 to 1; then it widens that box or becomes a new one.
    fn learn(&mut self, pattern: &Pattern) -> f64 {
        let away = self.boxes.iter().map(|b| b.novelty(pattern)).enumerate();
        let nearest = away.min_by(|a, b| a.1.total_cmp(&b.1));
        let novelty = nearest.map_or(0.0, |n| n.1);
        self.novelty.1 += 1.0;
        self.novelty.0 += (novelty - self.novelty.0) / self.novelty.1;
        let near = novelty <= self.novelty.0.max(NEAR);
        if let Some(held) = nearest.and_then(|n| self.boxes.get_mut(n.0)) {
            held.used = self.count;
            if near {
                held.take(pattern);
                return novelty;
            }
        }
        let new = Box { low: *pattern, high: *pattern, used: self.count };
        if self.boxes.len() < MOST {
            self.boxes.push(new);
        } else if let Some(oldest) = self.boxes.iter_mut().min_by_key(|b| b.used) {
            *oldest = new;
        }
        novelty
    }
}

impl Coarse {
    fn take(&mut self, x: f64) {
        let first = self.rows == 0;
        self.low = if first { x } else { self.low.min(x) };
        self.high = if first { x } else { self.high.max(x) };
        self.sum += x;
        self.rows += 1;
    }
}

impl Box {
    /// 1 less the match: the share of the box's room that the pattern is outside of, in all coordinates thrice and in
    /// the newest level twice, since what is new shows there first.
    fn novelty(&self, pattern: &Pattern) -> f64 {
        let (mut outside, mut width, mut newest) = (0.0, 0.0, 0.0);
        for ((x, low), high) in pattern.iter().zip(&self.low).zip(&self.high) {
            let off = (low - x).max(x - high).max(0.0);
            outside += off;
            width += high - low;
            newest = off / (1.0 - (high - low)).max(0.001);
        }
        let all = outside / (real(SIZE) - width).max(0.001);
        1.0 - (1.0 - all).max(0.0).powi(3) * (1.0 - newest).max(0.0).powi(2)
    }

    fn take(&mut self, pattern: &Pattern) {
        for ((x, low), high) in pattern.iter().zip(&mut self.low).zip(&mut self.high) {
            *low = low.min(*x);
            *high = high.max(*x);
        }
    }
}

/// Stretched to 0 to 1; nought of a constant.
fn unit(values: [f64; LENGTH]) -> [f64; LENGTH] {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    values.map(|x| if high > low { (x - low) / (high - low) } else { 0.0 })
}

#[expect(clippy::indexing_slicing, reason = "indices stay below a length that is halved")]
fn haar(mut values: [f64; LENGTH]) -> [f64; LENGTH] {
    let mut length = LENGTH;
    while length > 1 {
        let half = length / 2;
        let before = values;
        for i in 0..half {
            let (a, b) = (before[2 * i], before[2 * i + 1]);
            values[i] = (a + b) * std::f64::consts::FRAC_1_SQRT_2;
            values[half + i] = (b - a) * std::f64::consts::FRAC_1_SQRT_2;
        }
        length = half;
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;
    use notchwatch_model::Span;

    /// Haar's transform keeps the sum of squares, and of a constant only the mean is left.
    #[test]
    fn haar_keeps_the_sum_of_squares() {
        let values = [3.0, 1.0, 0.0, 4.0, 8.0, 6.0, 9.0, 9.0];
        let squares = |v: [f64; LENGTH]| v.iter().map(|x| x * x).sum::<f64>();
        assert!((squares(values) - squares(haar(values))).abs() < 1e-9);
        let flat = haar([2.0; LENGTH]);
        assert!((flat[0] - 2.0 * 8.0_f64.sqrt()).abs() < 1e-9 && flat[1..].iter().all(|d| d.abs() < 1e-9));
    }

    /// A step held for hours in a daily swing scores at its first coarse rows, and nothing does before.
    #[test]
    fn a_pattern_never_seen_scores() {
        let mut noise = Noise::new(5);
        let mut patterns = Patterns::default();
        let mut most = [0.0_f64; 2];
        for row in 0..3000_i64 {
            let time = Time::EPOCH + Span::from_mins(5 * row);
            let swing = (time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU).sin();
            let x = 20.0 + 5.0 * swing + 0.1 * noise.normal() + if row >= 2600 { 12.0 } else { 0.0 };
            let score = patterns.step(time, x);
            let part = usize::from(row >= 2600);
            if (1500..2630).contains(&row) {
                most[part] = most[part].max(score);
            }
        }
        assert!(most[0] < 1.0 && most[1] > 2.0, "{most:?}");
    }
}
