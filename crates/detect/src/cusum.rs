//! Tabular CUSUM: has the mean moved, a little but for good?
//!
//! Source: Page 1954; NIST/SEMATECH e-Handbook 6.3.2.3. The two sums are also log-likelihood ratios of a shift of
//! `2 k` against none, when the input has unit spread and `k` is half the shift: [`llr`].

use serde::{Deserialize, Serialize};

/// The two one-sided sums, in the unit of the deviations fed.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Cusum {
    /// Evidence for a move upwards.
    pub high: f64,
    /// Evidence for a move downwards.
    pub low: f64,
}

impl Cusum {
    /// Takes one deviation from target; `k` is the reference value in the same unit.
    pub fn step(&mut self, deviation: f64, k: f64) {
        self.high = (self.high + deviation - k).max(0.0);
        self.low = (self.low - deviation - k).max(0.0);
    }

    /// The larger of the two sums.
    pub fn largest(&self) -> f64 {
        self.high.max(self.low)
    }
}

/// Log-likelihood ratio that a sum stands for: a shift of `2 k` spreads against none, unit spread.
pub fn llr(sum: f64, k: f64) -> f64 {
    2.0 * k * sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    fn walk(x: &[f64], target: f64, k: f64) -> Vec<Cusum> {
        let mut sums = Cusum::default();
        x.iter()
            .map(|x| {
                sums.step(x - target, k);
                sums
            })
            .collect()
    }

    /// NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959; table printed to two decimals, first signal
    /// at group 14.
    #[test]
    fn nist_worked_example() {
        let x = [
            324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6, 324.625,
            325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
        ];
        let high = [
            0.0, 0.0, 0.0, 0.0, 0.03, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3.01, 4.94, 7.45, 10.63, 11.99,
            14.44, 16.0, 19.04,
        ];
        let low = [
            0.0, 0.01, 0.0, 0.33, 0.0, 0.0, 0.56, 0.72, 0.17, 0.25, 0.31, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0,
            0.0, 0.0,
        ];
        let sums = walk(&x, 325.0, 0.3175);
        for (i, s) in sums.iter().enumerate() {
            assert!((s.high - high[i]).abs() < 0.0051 && (s.low - low[i]).abs() < 0.0051, "row {i}: {s:?}");
        }
        assert_eq!(sums.iter().position(|s| s.largest() > 4.1959), Some(13));
    }

    /// Montgomery, Introduction to Statistical Quality Control, example 9.1: target 10, k 0.5, h 5; C+ of
    /// observation 29 is 5.28 and the first beyond h (values as public test suites quote the book).
    #[test]
    fn montgomery_example_9_1() {
        let x = [
            9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4, 10.08,
            9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62, 11.31,
            10.52,
        ];
        let sums = walk(&x, 10.0, 0.5);
        assert_eq!(sums.iter().position(|s| s.largest() > 5.0), Some(28));
        assert!((sums[28].high - 5.28).abs() < 0.005);
    }

    /// Published two-sided average run length at k 0.5, h 5 is 465 in control and 10.4 at a shift of one spread
    /// (Montgomery; Lucas and Crosier 1982). 3,000 simulated runs have a standard error of about 8.
    #[test]
    fn average_run_length_is_the_published_one() {
        let mut noise = Noise::new(5);
        let mut mean_run = |shift: f64| {
            let runs = 3000;
            let mut total = 0_u32;
            for _ in 0..runs {
                let mut sums = Cusum::default();
                loop {
                    sums.step(shift + noise.normal(), 0.5);
                    total += 1;
                    if sums.largest() > 5.0 {
                        break;
                    }
                }
            }
            f64::from(total) / f64::from(runs)
        };
        let (calm, shifted) = (mean_run(0.0), mean_run(1.0));
        assert!((calm - 465.0).abs() < 35.0, "in control {calm}");
        assert!((shifted - 10.4).abs() < 0.4, "one spread {shifted}");
    }
}
