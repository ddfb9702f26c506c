//! Segmentation with hindsight: at which rows did a series change, given all of it?
//!
//! Exact optimal partitioning (Jackson et al. 2005; the optimum that PELT finds, Killick, Fearnhead and Eckley 2012)
//! with a least-squares cost, where a segment is a level or, at a price, a line. The price of a change grows with the
//! noise of block means, not of single rows, so that a channel that wanders is not cut at every turn. A season that
//! is clearly there is taken off first, and spikes are clipped. Offline: nothing here runs on the live path.

mod cost;
mod refine;
mod season;

use crate::num::{real, whole};
use crate::robust::{MAD_TO_SD, median};
use cost::Sums;

/// Price of a change in noise variances, times the logarithm of the number of rows; a Bayesian information criterion
/// for a level and its date would be 2 to 3 (Yao 1988; Zhang and Siegmund 2007).
const NOISE_PRICE: f64 = 2.5;
/// ... and as a share of the squared range for each row: what an eye would not see on a plot is no change.
const SIGHT_PRICE: f64 = 0.000_25;
/// What a line costs above a level, as a share of the price of a change.
const LINE_PRICE: f64 = 0.5;
/// Shortest segment, as a share of the rows.
const SHORTEST: f64 = 0.02;
/// Length of the blocks whose differences measure the noise, as a share of the rows, and in rows at least.
const BLOCK: f64 = 0.035;
const BLOCK_ROWS: usize = 3;
/// Rows beyond which means of several rows are partitioned; bounds the cost, which grows with the square.
const MOST_ROWS: usize = 2000;
/// Fewest known rows that can be segmented.
const FEWEST: usize = 8;
/// Spikes are clipped to a running median of this many rows ...
const SPIKE_ROWS: usize = 11;
/// ... plus and minus this many spreads.
const SPIKE_SPREADS: f64 = 5.0;
/// Quantile of block differences that measures the noise: a few real changes do not lift it as they lift a median.
const QUANTILE: f64 = 0.35;
/// That quantile of a standard normal's size.
const QUANTILE_NORMAL: f64 = 0.453_76;
/// The smallest share of the range that counts as movement: below it is rounding of the arithmetic.
const ROUNDING: f64 = 1e-12;

/// 0-based row that begins each new regime, in order. Missing rows are bridged by straight lines. Empty when there is
/// no change, or too little data to say.
pub fn segment(series: &[Option<f64>]) -> Vec<usize> {
    segment_at(series, 1.0)
}

/// As [`segment`], at this many times the price of a change: fewer changes at more than 1, more at less.
pub fn segment_at(series: &[Option<f64>], times: f64) -> Vec<usize> {
    let known = series.iter().flatten().filter(|x| x.is_finite()).count();
    if known < FEWEST {
        return Vec::new();
    }
    let full = bridged(series);
    let width = full.len().div_ceil(MOST_ROWS);
    let rows: Vec<f64> = full.chunks_exact(width).map(|c| c.iter().sum::<f64>() / real(width)).collect();
    let Some(shape) = prepared(&rows) else { return Vec::new() };
    let n = shape.len();
    let block = BLOCK_ROWS.max(whole((real(n) * BLOCK).floor(), 0, u32::MAX) as usize);
    let shortest = 2.max(whole((real(n) * SHORTEST).ceil(), 0, u32::MAX) as usize);
    let noise = noise(&shape, block);
    let price = times * (NOISE_PRICE * real(n).ln() * noise * noise + SIGHT_PRICE * real(n));
    let sums = Sums::of(&shape);
    let mut bounds = sums.partition(n, price, Some(LINE_PRICE * price), shortest);
    refine::kinks(&shape, &sums, &mut bounds, LINE_PRICE * price, shortest, block);
    refine::onsets(&sums, &mut bounds);
    // A change within the first block is the start-up of the recording, not of a regime.
    let found = bounds.iter().copied().filter(|at| *at >= block && *at < n);
    if width == 1 {
        found.collect()
    } else {
        let sums = Sums::of(&full);
        found.map(|at| refine::finest(&sums, full.len(), at * width, width)).collect()
    }
}

/// 0-based first rows of all levels but the first, in the partition of a series into levels that is cheapest by squared error
/// and a price for each change, no level shorter than `shortest` rows. Exact (Jackson et al. 2005; Killick, Fearnhead and
/// Eckley 2012): for comparison with other programs; [`segment`] chooses price and preparation itself.
pub fn cheapest_levels(series: &[f64], price: f64, shortest: usize) -> Vec<usize> {
    let n = series.len();
    let found = Sums::of(series).partition(n, price, None, shortest.max(1));
    found.into_iter().filter(|at| *at > 0 && *at < n).collect()
}

/// Gaps filled by straight lines, ends by the nearest known value.
fn bridged(series: &[Option<f64>]) -> Vec<f64> {
    let known: Vec<(usize, f64)> =
        series.iter().enumerate().filter_map(|(i, x)| x.filter(|x| x.is_finite()).map(|x| (i, x))).collect();
    let mut next = 0;
    (0..series.len())
        .map(|i| {
            while known.get(next).is_some_and(|k| k.0 < i) {
                next += 1;
            }
            let after = known.get(next);
            let before = next.checked_sub(1).and_then(|j| known.get(j));
            match (before, after) {
                (_, Some((j, x))) if *j == i => *x,
                (Some((a, x)), Some((b, y))) => x + (y - x) * real(i - a) / real(b - a),
                (Some((_, x)), None) | (None, Some((_, x))) => *x,
                (None, None) => 0.0,
            }
        })
        .collect()
}

/// Season and spikes taken off, scaled to 0 to 1. `None` of a constant.
fn prepared(rows: &[f64]) -> Option<Vec<f64>> {
    let season = (range(rows).1 > 0.0).then(|| season::season(rows)).flatten();
    let calm = season.map_or_else(|| rows.to_vec(), |s| rows.iter().zip(s).map(|(x, s)| x - s).collect());
    let clipped = clip_spikes(&calm);
    let (low, range) = range(&clipped);
    (range > 0.0 && range.is_finite()).then(|| clipped.iter().map(|x| (x - low) / range).collect())
}

/// Lowest value, and how far above it the highest is.
fn range(rows: &[f64]) -> (f64, f64) {
    let low = rows.iter().copied().fold(f64::INFINITY, f64::min);
    (low, rows.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low)
}

/// Spread of a normal distribution with this quantile of the size of differences; their root mean square where the
/// quantile is nought (coarse steps).
fn spread(differences: &[f64], quantile: f64, normal: f64) -> f64 {
    let mut work = differences.to_vec();
    let Some(middle) = median(&mut work) else { return 0.0 };
    for (slot, d) in work.iter_mut().zip(differences) {
        *slot = (d - middle).abs();
    }
    work.sort_unstable_by(f64::total_cmp);
    let at = quantile * (real(work.len()) - 1.0);
    let low = whole(at.floor(), 0, u32::MAX) as usize;
    let (a, b) = (work.get(low).copied().unwrap_or(0.0), work.get(low + 1).or(work.last()).copied());
    let found = a + (at - at.floor()) * (b.unwrap_or(a) - a);
    if found > 0.0 {
        return found / normal;
    }
    let mean_square = work.iter().map(|d| d * d).sum::<f64>() / real(work.len());
    mean_square.sqrt()
}

/// Spread of white noise that would make means of blocks differ as much as they do.
fn noise(shape: &[f64], block: usize) -> f64 {
    let sums = Sums::of(shape);
    let mean = |from: usize| sums.total(from, from + block) / real(block);
    let last = (shape.len() + 1).saturating_sub(2 * block);
    let apart: Vec<f64> = (0..last).map(|i| mean(i + block) - mean(i)).collect();
    let slow = spread(&apart, QUANTILE, QUANTILE_NORMAL) * (real(block) / 2.0).sqrt();
    let fast = spread(&steps(shape), 0.5, 1.0 / MAD_TO_SD) / std::f64::consts::SQRT_2;
    slow.max(fast)
}

fn steps(rows: &[f64]) -> Vec<f64> {
    rows.iter().zip(rows.iter().skip(1)).map(|(a, b)| b - a).collect()
}

fn clip_spikes(rows: &[f64]) -> Vec<f64> {
    if rows.len() < SPIKE_ROWS {
        return rows.to_vec();
    }
    let half = SPIKE_ROWS / 2;
    let middles: Vec<f64> = (0..rows.len())
        .map(|i| {
            let near = rows.get(i.saturating_sub(half)..(i + half + 1).min(rows.len())).unwrap_or(&[]);
            median(&mut near.to_vec()).unwrap_or(0.0)
        })
        .collect();
    let off: Vec<f64> = rows.iter().zip(&middles).map(|(x, m)| x - m).collect();
    let cut = SPIKE_SPREADS * (spread(&off, 0.5, 1.0 / MAD_TO_SD) + ROUNDING * range(rows).1);
    middles.iter().zip(&off).map(|(m, d)| m + d.clamp(-cut, cut)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    fn series(values: impl IntoIterator<Item = f64>) -> Vec<Option<f64>> {
        values.into_iter().map(Some).collect()
    }

    /// Annual flow of the Nile at Aswan, 1871 to 1970 (R `datasets::Nile`; Cobb 1978): the level falls after 1898,
    /// the 28th year.
    const NILE: [f64; 100] = [
        1120.0, 1160.0, 963.0, 1210.0, 1160.0, 1160.0, 813.0, 1230.0, 1370.0, 1140.0, 995.0, 935.0, 1110.0,
        994.0, 1020.0, 960.0, 1180.0, 799.0, 958.0, 1140.0, 1100.0, 1210.0, 1150.0, 1250.0, 1260.0, 1220.0,
        1030.0, 1100.0, 774.0, 840.0, 874.0, 694.0, 940.0, 833.0, 701.0, 916.0, 692.0, 1020.0, 1050.0, 969.0,
        831.0, 726.0, 456.0, 824.0, 702.0, 1120.0, 1100.0, 832.0, 764.0, 821.0, 768.0, 845.0, 864.0, 862.0,
        698.0, 845.0, 744.0, 796.0, 1040.0, 759.0, 781.0, 865.0, 845.0, 944.0, 984.0, 897.0, 822.0, 1010.0,
        771.0, 676.0, 649.0, 846.0, 812.0, 742.0, 801.0, 1040.0, 860.0, 874.0, 848.0, 890.0, 744.0, 749.0,
        838.0, 1050.0, 918.0, 986.0, 797.0, 923.0, 975.0, 815.0, 1020.0, 906.0, 901.0, 1170.0, 912.0, 746.0,
        919.0, 718.0, 714.0, 740.0,
    ];

    #[test]
    fn nile_changes_after_1898() {
        assert_eq!(segment(&series(NILE)), [28]);
        // The answer does not depend on the unit of measure.
        assert_eq!(segment(&series(NILE.map(|x| 35.3 * x - 7.0))), [28]);
    }

    /// With least squares on levels and the usual penalties the optimum on the Nile is the one change at 28, at a
    /// cost of 1,719,941.1 with penalty 122,483.9 (exact dynamic programming, agreed by a public library).
    #[test]
    fn optimal_cost_of_the_nile() {
        let sums = Sums::of(&NILE);
        let cost = sums.level(0, 28) + sums.level(28, 100) + 122_483.911_282_690_62;
        assert!((cost - 1_719_941.105_727_138_5).abs() < 1e-3, "{cost}");
    }

    /// The same by the public function, and whatever is dropped on the way, the partition is that of trying every start.
    #[test]
    fn nothing_is_lost_by_dropping_starts() {
        assert_eq!(cheapest_levels(&NILE, 122_483.911_282_690_62, 2), [28]);
        let mut noise = Noise::new(43);
        for case in 0..60 {
            let (n, every) = (20 + 4 * case, 9 + case / 3);
            let steps = |i: usize| real((i / every) * 7 % 5);
            let y: Vec<f64> = (0..n).map(|i| steps(i) + 0.1 * real(i % 40) + noise.normal()).collect();
            let sums = Sums::of(&y);
            for (price, line, shortest) in [
                (6.0, None, 1),
                (6.0, None, 5),
                (8.0, Some(4.0), 2),
                (8.0, Some(4.0), 3),
                (2.0, Some(0.5), 6),
            ] {
                let found = sums.partition(n, price, line, shortest);
                assert_eq!(found, every_start(&sums, n, price, line, shortest), "{case} {price} {shortest}");
            }
        }
    }

    fn every_start(sums: &Sums, n: usize, price: f64, line: Option<f64>, shortest: usize) -> Vec<usize> {
        let mut ways = vec![(f64::INFINITY, Vec::new()); n + 1];
        ways[0] = (-price, vec![0]);
        for to in shortest..=n {
            for start in 0..=to - shortest {
                let cost = ways[start].0 + price + sums.cost(start, to, line);
                if cost < ways[to].0 {
                    let mut way = ways[start].1.clone();
                    way.push(to);
                    ways[to] = (cost, way);
                }
            }
        }
        ways[n].1.clone()
    }

    #[test]
    fn noise_has_no_changes_and_steps_are_found() {
        let mut noise = Noise::new(41);
        assert_eq!(segment(&series((0..600).map(|_| noise.normal()))), Vec::<usize>::new());
        let stepped = (0..600).map(|i| noise.normal() + if i < 200 { 0.0 } else { 3.0 });
        let found = segment(&series(stepped));
        assert!(found.len() == 1 && found[0].abs_diff(200) <= 3, "{found:?}");
    }

    #[test]
    fn a_step_on_a_daily_swing_and_on_a_long_series() {
        let mut noise = Noise::new(42);
        let daily = (0..720).map(|i| {
            4.0 * (f64::from(i) * std::f64::consts::TAU / 24.0).sin()
                + 0.5 * noise.normal()
                + if i < 400 { 0.0 } else { 3.0 }
        });
        let found = segment(&series(daily));
        assert!(found.len() == 1 && found[0].abs_diff(400) <= 6, "{found:?}");
        let long = (0..9001).map(|i| noise.normal() + if i < 5000 { 0.0 } else { 2.0 });
        let found = segment(&series(long));
        assert!(found.len() == 1 && found[0].abs_diff(5000) <= 10, "{found:?}");
    }

    #[test]
    fn little_or_nothing_to_say() {
        assert!(segment(&[]).is_empty());
        assert!(segment(&series([5.0; 100])).is_empty());
        let holes: Vec<Option<f64>> = (0..100).map(|i| (i < 7).then_some(1.0)).collect();
        assert!(segment(&holes).is_empty());
    }

    #[test]
    fn gaps_are_bridged() {
        let mut gappy = series(NILE);
        for i in [5, 6, 50, 51, 52] {
            gappy[i] = None;
        }
        assert_eq!(segment(&gappy), [28]);
    }
}
