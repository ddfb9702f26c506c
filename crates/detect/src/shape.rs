//! Shape of a change: a step or a slope, and when it began.
//!
//! Dating uses `augurs`' Bayesian changepoint detector with hindsight on the blocks held, where it finds a change
//! (its cost grows with the square of the window, which is short); else the CUSUM's own start, the argument of the
//! path's minimum (Page 1954; Hinkley 1971).

use augurs::changepoint::{Detector, NormalInvGammaDetector};
use notchwatch_model::Time;

use crate::num::real;

/// Mean run length assumed when dating, in blocks.
const LAMBDA: f64 = 100.0;
/// Fewest blocks that can be dated.
const FEWEST: usize = 8;
/// Blocks before the excursion that show where it came from.
const BEFORE: usize = 16;
/// A slope must have lasted this many blocks: shorter rises are the transit of a step.
const RISE: usize = 6;
/// A slope must leave at most this share of what a step leaves unexplained.
const SLOPE_SHARE: f64 = 0.8;

/// A dated change.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Shape {
    /// Position of the first block of the change.
    pub(crate) onset: usize,
    /// Whether it came as a slope.
    pub(crate) slope: bool,
}

/// Dates a change that a detector saw begin at `from`, among blocks of `(begin, mean)`, oldest first.
pub(crate) fn shape(means: &[(Time, f64)], from: Time) -> Option<Shape> {
    let seen = means.iter().position(|(at, _)| *at >= from)?;
    let start = seen.saturating_sub(BEFORE);
    let window: Vec<f64> = means.iter().skip(start).map(|m| m.1).collect();
    let onset = changepoint(&window).unwrap_or(seen - start);
    let slope = slopes(&window);
    let at = if slope { knee(&window).unwrap_or(onset) } else { onset };
    Some(Shape { onset: start + at, slope })
}

/// Last change that `augurs` finds in a short window. `None` where it finds none. Finite values only.
fn changepoint(window: &[f64]) -> Option<usize> {
    if window.len() < FEWEST || window.iter().any(|x| !x.is_finite()) {
        return None;
    }
    let centre = crate::robust::median_mad(window)?;
    let scale = (centre.1 * crate::robust::MAD_TO_SD).max(0.1);
    let scaled: Vec<f64> = window.iter().map(|x| (x - centre.0) / scale).collect();
    let prior = augurs::changepoint::dist::NormalInvGamma::new(0.0, 10.0, 1.0, 1.0).ok()?;
    let found = NormalInvGammaDetector::normal_inv_gamma(LAMBDA, prior).detect_changepoints(&scaled);
    // A change needs blocks on both sides of it. The posterior's favourite is often a block off: of it and its
    // neighbours the one that leaves least unexplained is taken.
    let near = found.into_iter().rfind(|i| *i >= 2 && i + 2 <= window.len())?;
    (near - 1..=near + 1).min_by(|a, b| left_over_step(window, *a).total_cmp(&left_over_step(window, *b)))
}

/// Whether a broken line explains the window much better than a step. The block in which a step happens is a mixture
/// of both levels, so a step may leave one block out.
fn slopes(window: &[f64]) -> bool {
    let step = (1..window.len()).map(|k| left_over_transit(window, k)).fold(f64::INFINITY, f64::min);
    knees(window).map(|k| left_over_line(window, k)).fold(f64::INFINITY, f64::min) < SLOPE_SHARE * step
}

/// Where the broken line that fits best begins to rise.
fn knee(window: &[f64]) -> Option<usize> {
    knees(window)
        .min_by(|a, b| left_over_line(window, *a).total_cmp(&left_over_line(window, *b)))
        .map(|k| k + 1)
}

fn knees(window: &[f64]) -> std::ops::Range<usize> {
    0..window.len().saturating_sub(RISE)
}

/// Sum of squares about two levels, block `k` between them left out.
fn left_over_transit(window: &[f64], k: usize) -> f64 {
    let (before, after) = window.split_at(k.min(window.len()));
    about_mean(before) + about_mean(after.get(1..).unwrap_or(&[]))
}

/// Sum of squares about two levels, the second from `k` on.
fn left_over_step(window: &[f64], k: usize) -> f64 {
    let (before, after) = window.split_at(k.min(window.len()));
    about_mean(before) + about_mean(after)
}

fn about_mean(part: &[f64]) -> f64 {
    let mean = part.iter().sum::<f64>() / real(part.len().max(1));
    part.iter().map(|x| (x - mean) * (x - mean)).sum()
}

/// Sum of squares about a level up to `k` and a line from there on, joined.
fn left_over_line(window: &[f64], k: usize) -> f64 {
    // Least squares on one regressor, max(0, i - k), and a constant.
    let n = real(window.len());
    let ramp = |i: usize| real(i.saturating_sub(k));
    let (mut sx, mut sy, mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (i, y) in window.iter().enumerate() {
        let x = ramp(i);
        sx += x;
        sy += y;
        sxx += x * x;
        sxy += x * y;
        syy += y * y;
    }
    let (vx, cxy, vy) = (sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n);
    if vx <= 0.0 { vy } else { (vy - cxy * cxy / vx).max(0.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;
    use notchwatch_model::Span;

    fn blocks(level: impl Fn(usize) -> f64) -> Vec<(Time, f64)> {
        let mut noise = Noise::new(9);
        (0..40)
            .map(|i| {
                let at = Time::EPOCH + Span::from_mins(15 * i64::try_from(i).unwrap());
                (at, level(i) + 0.3 * noise.normal())
            })
            .collect()
    }

    #[test]
    fn a_step_is_dated_to_its_block() {
        let means = blocks(|i| if i < 30 { 0.0 } else { 4.0 });
        let found = shape(&means, means[31].0).unwrap();
        assert_eq!(found, Shape { onset: 30, slope: false });
    }

    #[test]
    fn a_slope_is_told_from_a_step() {
        let means = blocks(|i| 0.3 * real(i.saturating_sub(20)));
        let found = shape(&means, means[24].0).unwrap();
        assert!(found.slope && (17..=25).contains(&found.onset), "{found:?}");
    }
}
