//! Seasonal-trend decomposition by loess, of one period and of several.
//!
//! Sources: Cleveland et al. 1990 (STL; equal to the netlib program's output to print precision, `tests/it/outside.rs`) and
//! Bandara et al. 2021 (MSTL; equal to R's). Ours, because a fleet is decomposed every day: without robustness the smoothers
//! are fixed rows of weights, which makes a fit tens of times faster than one that computes each weight anew (`doc/cost.md`).
//! Finite values only; gaps are the caller's to fill.

mod loess;

use crate::num::real;
use crate::robust::median;
use loess::{Filter, Loess};

/// Periods are fitted in turn so many times, where there are several (as R's and other programs do).
const ROUNDS: usize = 2;
/// Six medians of what is left make a value count nothing; within the lower of these shares it counts in full, beyond the
/// upper not at all (as the published program has it).
const OUTLYING: f64 = 6.0;
const WHOLLY: f64 = 0.001;
const HARDLY: f64 = 0.999;

/// Parameters of one decomposition. Lengths are numbers of values, odd.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stl {
    /// Values of one cycle.
    pub period: usize,
    /// Length of the seasonal smoother, in cycles.
    pub seasonal: usize,
    /// Length of the smoother of the trend.
    pub trend: usize,
    /// Length of the smoother of the low pass.
    pub low_pass: usize,
    /// Whether the seasonal smoother fits lines; else levels. The others fit lines.
    pub seasonal_lines: bool,
    /// Every how many values season, trend and low pass are computed; straight between. 1 is exact.
    pub jumps: [usize; 3],
    /// Passes of season and trend within each outer one.
    pub inner: usize,
    /// Passes with robustness weights after the first.
    pub outer: usize,
}

/// A series taken apart: what is left is the series less the two.
#[derive(Clone, PartialEq, Debug)]
pub struct Parts {
    /// Seasonal part, as long as the series.
    pub seasonal: Vec<f64>,
    /// Trend, as long as the series.
    pub trend: Vec<f64>,
    /// How much each value counted in the last pass, 0 to 1.
    pub counts: Vec<f64>,
}

impl Stl {
    /// The usual parameters for a period and a seasonal smoother of this length: trend and low pass as Cleveland et al.
    /// advise, two inner passes, no robustness.
    pub fn new(period: usize, seasonal: usize) -> Self {
        // 1.5 period / (1 - 1.5 / seasonal), up to the next odd number.
        let trend = (3 * period * seasonal).div_ceil((2 * seasonal).saturating_sub(3).max(1));
        Self {
            period,
            seasonal,
            trend: trend | 1,
            low_pass: period | 1,
            seasonal_lines: false,
            jumps: [1; 3],
            inner: 2,
            outer: 0,
        }
    }

    /// Takes a series apart. `None` of fewer values than two cycles, or a period below 2.
    pub fn fit(&self, y: &[f64]) -> Option<Parts> {
        (self.period >= 2 && y.len() >= 2 * self.period).then(|| Fitter::new(self, y.len()).fit(y))
    }

    fn loess(&self) -> [Loess; 3] {
        let [seasonal, trend, low_pass] = self.jumps;
        [
            Loess { length: self.seasonal, line: self.seasonal_lines, jump: seasonal },
            Loess { length: self.trend, line: true, jump: trend },
            Loess { length: self.low_pass, line: true, jump: low_pass },
        ]
    }
}

/// Takes a series apart by several periods, shortest first, each with the parameters given. Returns the seasonal parts in
/// that order, and the trend. `None` as of [`Stl::fit`].
pub fn mstl(y: &[f64], by: &[Stl]) -> Option<(Vec<Vec<f64>>, Vec<f64>)> {
    if by.is_empty() || by.iter().any(|stl| stl.period < 2 || y.len() < 2 * stl.period) {
        return None;
    }
    let mut fitters: Vec<Fitter<'_>> = by.iter().map(|stl| Fitter::new(stl, y.len())).collect();
    let mut seasons = vec![vec![0.0; y.len()]; by.len()];
    let (mut left, mut trend) = (y.to_vec(), Vec::new());
    for _ in 0..if by.len() > 1 { ROUNDS } else { 1 } {
        for (fitter, season) in fitters.iter_mut().zip(&mut seasons) {
            left.iter_mut().zip(season.iter()).for_each(|(l, s)| *l += s);
            let parts = fitter.fit(&left);
            (*season, trend) = (parts.seasonal, parts.trend);
            left.iter_mut().zip(season.iter()).for_each(|(l, s)| *l -= s);
        }
    }
    Some((seasons, trend))
}

/// What all fits with the same parameters to series of one length share.
struct Fitter<'a> {
    stl: &'a Stl,
    /// Seasonal smoothers of the phases that have one value more, and of the others; trend; low pass.
    filters: [Filter; 4],
    /// The seasonal part with a cycle more on either side, and rooms to work in.
    cycles: Vec<f64>,
    rooms: [Vec<f64>; 3],
}

impl<'a> Fitter<'a> {
    fn new(stl: &'a Stl, n: usize) -> Self {
        let [seasonal, trend, low_pass] = stl.loess();
        let rounds = n / stl.period;
        let filters = [
            Filter::new(seasonal, rounds + 1),
            Filter::new(seasonal, rounds),
            Filter::new(trend, n),
            Filter::new(low_pass, n),
        ];
        let long = n + 2 * stl.period;
        Self {
            stl,
            filters,
            cycles: vec![0.0; long],
            rooms: [vec![0.0; n], vec![0.0; long], vec![0.0; long]],
        }
    }

    fn fit(&mut self, y: &[f64]) -> Parts {
        let mut parts =
            Parts { seasonal: vec![0.0; y.len()], trend: vec![0.0; y.len()], counts: vec![1.0; y.len()] };
        for outer in 0..=self.stl.outer {
            if outer > 0 {
                weigh(y, &mut parts);
            }
            for _ in 0..self.stl.inner {
                self.pass(y, &mut parts, outer > 0);
            }
        }
        parts
    }

    /// One pass: season of what the trend leaves, without what of it is slow; then trend of what the season leaves.
    fn pass(&mut self, y: &[f64], parts: &mut Parts, robust: bool) {
        let [_, trend, low_pass] = self.stl.loess();
        let period = self.stl.period;
        set(&mut self.rooms[0], y, &parts.trend);
        self.season(&parts.counts, robust);
        let [work, slow, other] = &mut self.rooms;
        means(&self.cycles, period, slow);
        means(slow, period, other);
        means(other, 3, slow);
        if low_pass.jump == 1 {
            self.filters[3].series(slow, work);
        } else {
            low_pass.smooth(slow, None, other);
            set(work, other.get(1..).unwrap_or(&[]), &[]);
        }
        set(&mut parts.seasonal, self.cycles.get(period..).unwrap_or(&[]), work);
        set(work, y, &parts.seasonal);
        if robust || trend.jump > 1 {
            trend.smooth(work, robust.then_some(parts.counts.as_slice()), other);
            set(&mut parts.trend, other.get(1..).unwrap_or(&[]), &[]);
        } else {
            self.filters[2].series(work, &mut parts.trend);
        }
    }

    /// Smooths each phase of what stands in the first room over the cycles, one cycle beyond on either side.
    fn season(&mut self, counts: &[f64], robust: bool) {
        let (period, n) = (self.stl.period, self.rooms[0].len());
        let [seasonal, ..] = self.stl.loess();
        let longer = n % period;
        let y = &self.rooms[0];
        self.cycles.resize(n + 2 * period, 0.0);
        if !robust && seasonal.jump == 1 {
            self.filters[0].phases(y, period, 0..longer, &mut self.cycles);
            self.filters[1].phases(y, period, longer..period, &mut self.cycles);
            return;
        }
        let of =
            |all: &[f64], phase: usize| all.iter().skip(phase).step_by(period).copied().collect::<Vec<f64>>();
        let mut smooth = Vec::new();
        for phase in 0..period {
            let own = robust.then(|| of(counts, phase));
            seasonal.smooth(&of(y, phase), own.as_deref(), &mut smooth);
            for (slot, value) in self.cycles.iter_mut().skip(phase).step_by(period).zip(&smooth) {
                *slot = *value;
            }
        }
    }
}

/// Bisquare weights of what the fit leaves.
fn weigh(y: &[f64], parts: &mut Parts) {
    let fit = parts.seasonal.iter().zip(&parts.trend);
    let left: Vec<f64> = y.iter().zip(fit).map(|(y, (s, t))| (y - s - t).abs()).collect();
    let most = OUTLYING * median(&mut left.clone()).unwrap_or(0.0);
    for (count, left) in parts.counts.iter_mut().zip(left) {
        *count = if left <= WHOLLY * most {
            1.0
        } else if left <= HARDLY * most {
            (1.0 - (left / most).powi(2)).powi(2)
        } else {
            0.0
        };
    }
}

/// `into` becomes one less the other, as far as both go.
fn set(into: &mut [f64], a: &[f64], less: &[f64]) {
    if less.is_empty() {
        into.iter_mut().zip(a).for_each(|(slot, a)| *slot = *a);
    } else {
        into.iter_mut().zip(a.iter().zip(less)).for_each(|(slot, (a, b))| *slot = a - b);
    }
}

/// Means of so many values in a row.
fn means(y: &[f64], length: usize, into: &mut Vec<f64>) {
    into.clear();
    let Some(first) = y.get(..length) else { return };
    let mut sum: f64 = first.iter().sum();
    into.push(sum / real(length));
    into.extend(y.iter().zip(y.iter().skip(length)).map(|(old, new)| {
        sum += new - old;
        sum / real(length)
    }));
}
