//! Common causes: when many silences are one.
//!
//! Owns the statistical rule and the life of a finding with members. Made for silences of a region; another common
//! cause (a release, a heat wave, a fuelling point) brings its own members and uses the same.

use std::collections::BTreeSet;

use notchwatch_model::{MachinePart, Time, UnitKey};
use serde::{Deserialize, Serialize};

/// Fewer members make no common cause (ours: four silent units may well be four causes).
pub(super) const MEMBERS: usize = 5;
/// Smallest share of the units looked at, in hundredths: in a large group a few more than by chance are not the group.
pub(super) const SHARE: usize = 25;
/// How likely a healthy unit is overdue at any instant, at most: few gaps reach half of a limit of three times their
/// quantile; doubled for units whose habit changes (ours).
const OVERDUE: f64 = 0.02;
/// Chance below which so many at once are not chance.
const CHANCE: f64 = 1e-6;
/// Share of all units, in hundredths, whose silence at one time is our own matter.
pub(super) const EVERYBODY: usize = 90;

/// A finding with members.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Common {
    pub(super) part: MachinePart,
    /// A person closed it: nothing more is said of it.
    pub(super) closed: bool,
    pub(super) members: BTreeSet<UnitKey>,
    pub(super) peak: usize,
}

impl Common {
    pub(super) fn new(part: MachinePart, members: BTreeSet<UnitKey>) -> Self {
        let peak = members.len();
        Self { part, closed: false, members, peak }
    }

    pub(super) fn join(&mut self, unit: UnitKey, at: Time) {
        self.members.insert(unit);
        self.peak = self.peak.max(self.members.len());
        self.part.changed = at;
    }

    /// Half of those that were in it are out of it: what remains is no common matter any more.
    pub(super) fn over(&self) -> bool {
        self.members.len() * 2 <= self.peak
    }
}

/// Whether `overdue` of `looked_at` units at one time have one cause.
pub(super) fn common(overdue: usize, looked_at: usize) -> bool {
    overdue >= MEMBERS && overdue * 100 >= looked_at * SHARE && chance(overdue, looked_at) < CHANCE
}

/// Bound on the chance that at least `k` of `n` are overdue when each is with [`OVERDUE`], apart from the others:
/// exp(-n KL(k/n, p)) (Hoeffding 1963, theorem 1).
#[expect(clippy::cast_precision_loss, reason = "numbers of units are far below 2^53")]
fn chance(k: usize, n: usize) -> f64 {
    let (k, n) = (k as f64, n as f64);
    let share = k / n;
    if share <= OVERDUE {
        return 1.0;
    }
    let rest = if share < 1.0 { (1.0 - share) * ((1.0 - share) / (1.0 - OVERDUE)).ln() } else { 0.0 };
    (-n * (share * (share / OVERDUE).ln() + rest)).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_at_once_are_one_and_few_are_not() {
        for (overdue, of, one) in [
            (4, 4, false),
            (5, 5, true),
            (5, 10, false),
            (6, 10, true),
            (20, 200, false),
            (50, 200, true),
            (200, 200, true),
            (300, 10_000, false),
            (2_500, 10_000, true),
        ] {
            assert_eq!(common(overdue, of), one, "{overdue} of {of}");
        }
    }

    #[test]
    fn the_bound_holds_the_exact_tail() {
        // Exact binomial tails by summing terms.
        for (n, p) in [(5_i32, OVERDUE), (20, OVERDUE)] {
            for k in 1..=n {
                let exact: f64 = (k..=n)
                    .map(|i| {
                        let ways = (0..i).fold(1.0, |c, j| c * f64::from(n - j) / f64::from(j + 1));
                        ways * p.powi(i) * (1.0 - p).powi(n - i)
                    })
                    .sum();
                let (k, n) = (usize::try_from(k).unwrap(), usize::try_from(n).unwrap());
                assert!(chance(k, n) >= exact * 0.999, "{k} of {n}: {} < {exact}", chance(k, n));
            }
        }
    }
}
