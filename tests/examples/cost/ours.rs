//! The series that are compared on, and our side of the comparison.

use notchwatch_detect::bocpd::{Bocpd, Hazard, Prior};
use notchwatch_detect::cheapest_levels;
use notchwatch_detect::stl::{Stl, mstl};

use crate::noise::Noise;
use crate::{Run, least};

/// Hours of four weeks: what the chain keeps of a channel.
const HOURS: usize = 672;
/// Rows that are cut into levels, and the price of a change in variances of the noise.
const ROWS: usize = 1000;
pub(crate) const PRICE: f64 = 20.0;
/// Blocks of a month, and the chance of a change at each: the chain's own.
const BLOCKS: usize = 2880;
pub(crate) const HAZARD: f64 = 1.0 / 2880.0;

/// A name, and the series of that name.
pub(crate) type Series = (&'static str, Vec<f64>);

/// Hours with a day, a week and a trend; rows of eight levels; blocks with three steps.
pub(crate) fn series() -> [Series; 3] {
    let mut noise = Noise(20_260_615);
    let turn = |i: usize, period: f64| (real(i) / period * std::f64::consts::TAU).sin();
    let level = |levels: &[f64], i: usize| levels.get(i).copied().unwrap_or(0.0);
    let hours = (0..HOURS)
        .map(|i| 2.0 * turn(i, 24.0) + 0.5 * turn(i, 168.0) + 0.002 * real(i) + noise.normal())
        .collect();
    let rows = (0..ROWS)
        .map(|i| level(&[0.0, 3.0, -1.0, 2.0, 0.5, 4.0, 1.0, -2.0], i / 125) + noise.normal())
        .collect();
    let blocks = (0..BLOCKS).map(|i| level(&[0.0, 2.0, 0.5, -1.5], i / 720) + noise.normal()).collect();
    [("hours", hours), ("rows", rows), ("blocks", blocks)]
}

/// What ours takes and gives. Names are those that the Python script tells.
pub(crate) fn run() -> Vec<Run> {
    let [(_, hours), (_, rows), (_, blocks)] = series();
    let usual = |period, seasonal| Stl { seasonal_lines: true, inner: 5, ..Stl::new(period, seasonal) };
    let (seconds, parts) = least(|| usual(24, 7).fit(&hours));
    let result = parts.map(|p| [p.seasonal, p.trend].concat()).unwrap_or_default();
    let stl = Run { name: "STL: 672 hours, period 24".into(), seconds, result };
    let (seconds, parts) = least(|| mstl(&hours, &[usual(24, 11), usual(168, 15)]));
    let result = parts.map(|(seasons, trend)| [seasons.concat(), trend].concat()).unwrap_or_default();
    let several = Run { name: "MSTL: 672 hours, periods 24 and 168".into(), seconds, result };
    let (seconds, found) = least(|| cheapest_levels(&rows, PRICE, 2));
    let result = found.into_iter().map(real).collect();
    let pelt = Run { name: "PELT: 1,000 rows of eight levels".into(), seconds, result };
    let (seconds, result) = least(|| run_lengths(&blocks));
    let bocpd = Run { name: "BOCPD: 2,880 blocks with three steps".into(), seconds, result };
    vec![stl, several, pelt, bocpd]
}

/// The most probable run length after each value, and its probability.
fn run_lengths(values: &[f64]) -> Vec<f64> {
    let model = Hazard { hazard: HAZARD, prior: Prior { mean: 0.0, kappa: 1.0, alpha: 1.0, beta: 1.0 } };
    let mut posterior = Bocpd::default();
    let most = |x: &f64| {
        posterior.step(*x, &model);
        let length = posterior.most_probable();
        [f64::from(length), posterior.weight(length)]
    };
    values.iter().flat_map(most).collect()
}

#[expect(clippy::cast_precision_loss, reason = "counts of rows")]
pub(crate) fn real(n: usize) -> f64 {
    n as f64
}
