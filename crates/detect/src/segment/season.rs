//! The season of a series, where one is clearly there: period by autocorrelation, shape by running medians.

use super::{Sums, range, steps};
use crate::num::real;
use crate::robust::{MAD_TO_SD, median};

/// Autocorrelation from which a period is a candidate.
const ACF: f64 = 0.3;
/// Share of variance that the season must explain.
const STRENGTH: f64 = 0.6;
/// Longest period looked for, in rows; at least four cycles must be there.
const LONGEST: usize = 400;
const CYCLES: usize = 4;
/// Shortest period, in rows.
const SHORTEST: usize = 3;
/// Cycles whose median makes the shape: it may change slowly, one odd cycle does not count.
const SMOOTH: usize = 7;
/// Before the autocorrelation values are clipped at this many spreads.
const CLIP: f64 = 4.0;

/// Seasonal part. Two candidates for the period: from the differences of rows, which any trend leaves alone, and from
/// what a long moving mean leaves, which sees a season under strong noise.
pub(super) fn season(rows: &[f64]) -> Option<Vec<f64>> {
    let longest = LONGEST.min(rows.len() / CYCLES);
    if longest < SHORTEST {
        return None;
    }
    let trend = centred_mean(rows, longest);
    let off: Vec<f64> = rows.iter().zip(&trend).map(|(x, t)| x - t).collect();
    [steps(rows), off]
        .iter()
        .filter_map(|candidate| period(&clipped(candidate), longest))
        .find_map(|period| part(rows, period))
}

/// The seasonal part of this period, when it explains enough.
fn part(rows: &[f64], period: usize) -> Option<Vec<f64>> {
    let trend = centred_mean(rows, period);
    let off: Vec<f64> = rows.iter().zip(&trend).map(|(x, t)| x - t).collect();
    let mut part = vec![0.0; rows.len()];
    for phase in 0..period {
        let values: Vec<f64> = off.iter().skip(phase).step_by(period).copied().collect();
        for (cycle, slot) in part.iter_mut().skip(phase).step_by(period).enumerate() {
            let from = cycle.saturating_sub(SMOOTH / 2).min(values.len().saturating_sub(SMOOTH));
            let near = values.get(from..(from + SMOOTH).min(values.len())).unwrap_or(&[]);
            *slot = median(&mut near.to_vec()).unwrap_or(0.0);
        }
    }
    let level = centred_mean(&part, period);
    for (slot, level) in part.iter_mut().zip(level) {
        *slot -= level;
    }
    let left: Vec<f64> = off.iter().zip(&part).map(|(d, s)| d - s).collect();
    (variance(&left) <= (1.0 - STRENGTH) * variance(&off)).then_some(part)
}

fn clipped(values: &[f64]) -> Vec<f64> {
    let Some((middle, mad)) = crate::robust::median_mad(values) else { return Vec::new() };
    let cut = CLIP * MAD_TO_SD * mad;
    let known = mad > super::ROUNDING * range(values).1;
    values.iter().map(|x| if known { (x - middle).clamp(-cut, cut) } else { x - middle }).collect()
}

/// Lag of the highest peak of the autocorrelation, when it is high enough.
fn period(values: &[f64], longest: usize) -> Option<usize> {
    let total: f64 = values.iter().map(|d| d * d).sum();
    if total <= 0.0 {
        return None;
    }
    let at = |lag: usize| values.iter().zip(values.iter().skip(lag)).map(|(a, b)| a * b).sum::<f64>() / total;
    let acf: Vec<f64> = (SHORTEST - 1..=longest + 1).map(at).collect();
    let peaks = acf.windows(3).enumerate().filter_map(|(i, w)| match w {
        [before, here, after] if here >= before && here >= after => Some((i + SHORTEST, *here)),
        _ => None,
    });
    peaks.filter(|p| p.1 >= ACF).reduce(|best, p| if p.1 > best.1 { p } else { best }).map(|p| p.0)
}

/// Moving mean over one period, centred (an even period takes half of each end); the ends go on with the slope of the
/// outermost period's means.
fn centred_mean(rows: &[f64], period: usize) -> Vec<f64> {
    let half = period / 2;
    let sums = Sums::of(rows);
    let inner: Vec<f64> = (half..rows.len().saturating_sub(half))
        .map(|i| {
            let total = sums.total(i - half, i + half + 1);
            let ends =
                rows.get(i - half).copied().unwrap_or(0.0) + rows.get(i + half).copied().unwrap_or(0.0);
            if period.is_multiple_of(2) { (total - ends / 2.0) / real(period) } else { total / real(period) }
        })
        .collect();
    let outer = period.min(inner.len());
    let head = slope(inner.get(..outer).unwrap_or(&[]));
    let tail = slope(inner.get(inner.len() - outer..).unwrap_or(&[]));
    let (first, last) = (inner.first().copied().unwrap_or(0.0), inner.last().copied().unwrap_or(0.0));
    let before = (1..=half).rev().map(|k| first - head * real(k));
    let after = (1..=half).map(|k| last + tail * real(k));
    before.chain(inner.iter().copied()).chain(after).collect()
}

/// Least-squares slope, a row.
fn slope(values: &[f64]) -> f64 {
    let centre = (real(values.len()) - 1.0) / 2.0;
    let (mut along, mut square) = (0.0, 0.0);
    for (i, v) in values.iter().enumerate() {
        along += (real(i) - centre) * v;
        square += (real(i) - centre) * (real(i) - centre);
    }
    if square > 0.0 { along / square } else { 0.0 }
}

fn variance(values: &[f64]) -> f64 {
    let n = real(values.len().max(1));
    let mean = values.iter().sum::<f64>() / n;
    values.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / n
}
