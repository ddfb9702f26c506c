//! Exponentially weighted moving average with control limits: a smoothed level that forgets at a stated rate.
//!
//! Source: Roberts 1959; NIST/SEMATECH e-Handbook 6.3.2.4 (limits).

use serde::{Deserialize, Serialize};

/// A smoothed level.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Ewma {
    /// The level now.
    pub level: f64,
}

impl Ewma {
    /// Takes one value with weight `lambda`, in (0, 1].
    pub fn step(&mut self, value: f64, lambda: f64) -> f64 {
        self.level += lambda * (value - self.level);
        self.level
    }
}

/// Half width of the asymptotic control limits: `l` standard deviations of the smoothed level of independent values.
pub fn half_width(lambda: f64, l: f64, spread: f64) -> f64 {
    l * spread * (lambda / (2.0 - lambda)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook 6.3.2.4: lambda 0.3, start 50, s 2.0539; printed to two decimals, limits 52.5884 and
    /// 47.4115, no signal.
    #[test]
    fn nist_worked_example() {
        let x = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2,
            52.6, 52.4, 53.6, 52.1,
        ];
        let printed = [
            50.6, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
            49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        let half = half_width(0.3, 3.0, 2.0539);
        assert!((50.0 + half - 52.5884).abs() < 1e-4 && (50.0 - half - 47.4115).abs() < 2e-4);
        let mut ewma = Ewma { level: 50.0 };
        for (x, z) in x.iter().zip(printed) {
            let level = ewma.step(*x, 0.3);
            assert!((level - z).abs() < 0.0051 && (level - 50.0).abs() < half, "{level} against {z}");
        }
    }
}
