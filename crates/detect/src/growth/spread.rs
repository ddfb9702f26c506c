//! A distribution of times on a logarithmic scale, in bins of equal ratio.

use crate::forecast::FAR_S;
use crate::num::{real, whole};

/// Bins from the shortest time to twice [`FAR_S`].
const BINS: usize = 160;
/// A kernel is cut at so many of its spreads.
const CUT: f64 = 3.0;

/// Weights of times; whatever lies beyond the last bin is never.
pub(super) struct Spread {
    bins: Vec<f64>,
    never: f64,
    low: f64,
    step: f64,
}

impl Spread {
    /// None yet; times below `least_s` count as that.
    pub(super) fn new(least_s: f64) -> Self {
        let low = least_s.max(f64::MIN_POSITIVE).ln();
        let step = ((2.0 * FAR_S).ln() - low).max(f64::EPSILON) / real(BINS);
        Self { bins: vec![0.0; BINS], never: 0.0, low, step }
    }

    /// Adds a time; one that is over is left out.
    pub(super) fn add(&mut self, seconds: f64, weight: f64) {
        if seconds.is_nan() || seconds <= 0.0 {
            return;
        }
        let place = ((seconds.ln() - self.low) / self.step).max(0.0).floor();
        match self.bins.get_mut(whole(place, 0, u32::MAX) as usize) {
            Some(bin) => *bin += weight,
            None => self.never += weight,
        }
    }

    /// Adds a time that does not come.
    pub(super) fn never(&mut self, weight: f64) {
        self.never += weight;
    }

    /// Widens the times that come by a normal kernel of this spread, in logarithms.
    pub(super) fn widen(&mut self, spread: f64) {
        let width = spread / self.step;
        let reach = whole((CUT * width).ceil(), 0, u32::try_from(BINS).unwrap_or(u32::MAX)) as usize;
        let kernel: Vec<f64> =
            (0..=2 * reach).map(|i| (-0.5 * ((real(i) - real(reach)) / width).powi(2)).exp()).collect();
        let total: f64 = kernel.iter().sum();
        let mut wide = vec![0.0; BINS];
        for (at, weight) in self.bins.iter().enumerate().filter(|(_, w)| **w > 0.0) {
            for (i, k) in kernel.iter().enumerate() {
                let to = (at + i).saturating_sub(reach).min(BINS - 1);
                if let Some(bin) = wide.get_mut(to) {
                    *bin += weight * k / total;
                }
            }
        }
        self.bins = wide;
    }

    /// Weight of all times together, those that do not come among them.
    pub(super) fn total(&self) -> f64 {
        self.bins.iter().sum::<f64>() + self.never
    }

    /// Times below which these shares of the weight lie, in seconds, held at twice [`FAR_S`]. `None` when it has no weight.
    pub(super) fn quantiles<const N: usize>(&self, shares: [f64; N]) -> Option<[f64; N]> {
        let total = self.total();
        (total > f64::MIN_POSITIVE).then(|| shares.map(|share| self.quantile(share * total)))
    }

    fn quantile(&self, wanted: f64) -> f64 {
        let mut sum = 0.0;
        for (at, weight) in self.bins.iter().enumerate() {
            if sum + weight >= wanted && *weight > 0.0 {
                return (self.low + self.step * (real(at) + (wanted - sum) / weight)).exp();
            }
            sum += weight;
        }
        2.0 * FAR_S
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_what_was_added() {
        let mut spread = Spread::new(300.0);
        for day in 1..=10 {
            spread.add(86_400.0 * f64::from(day), 0.1);
        }
        spread.add(-1.0, 5.0);
        let [low, mid] = spread.quantiles([0.1, 0.5]).unwrap();
        assert!((low / 86_400.0 - 1.0).abs() < 0.1 && (mid / 86_400.0 - 5.0).abs() < 0.4, "{low} {mid}");
        spread.never(9.0);
        assert_eq!(spread.quantiles([0.5]), Some([2.0 * FAR_S]));
    }

    #[test]
    fn a_kernel_widens_to_both_sides() {
        let mut spread = Spread::new(300.0);
        spread.add(86_400.0, 1.0);
        spread.widen(0.25);
        let [low, mid, high] = spread.quantiles([0.1, 0.5, 0.9]).unwrap();
        assert!((mid / 86_400.0).ln().abs() < 0.08, "{mid}");
        let log = [(mid / low).ln(), (high / mid).ln()];
        assert!(log.iter().all(|l| (l - 0.25 * 1.2816).abs() < 0.06), "{log:?}");
    }

    #[test]
    fn nothing_added_has_no_quantiles() {
        assert_eq!(Spread::new(300.0).quantiles([0.5]), None);
    }
}
