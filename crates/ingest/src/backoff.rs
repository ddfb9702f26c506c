//! Waiting between attempts: doubling, capped, spread by jitter.
//!
//! Owns the ladders. Refuses to sleep: it says how long, its caller waits.

use std::hash::{BuildHasher, Hasher};
use std::time::Duration;

/// First and longest wait of a ladder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Ladder {
    pub(crate) first: Duration,
    pub(crate) longest: Duration,
}

/// Attempts that failed in a row.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Backoff {
    failures: u32,
}

impl Backoff {
    /// The wait before the next attempt, from half of the ladder's step to all of it.
    pub(crate) fn next(&mut self, ladder: Ladder) -> Duration {
        let step = ladder.first.saturating_mul(2_u32.saturating_pow(self.failures)).min(ladder.longest);
        self.failures = self.failures.saturating_add(1);
        step.mul_f64(f64::midpoint(1.0, chance()))
    }

    /// Begins at the first step again.
    pub(crate) fn reset(&mut self) {
        self.failures = 0;
    }
}

/// A number from 0 to 1 that differs between processes and calls. The standard library seeds its hash maps from the
/// operating system; that is random enough to spread reconnects, and needs no generator of our own.
fn chance() -> f64 {
    let bits = std::collections::hash_map::RandomState::new().build_hasher().finish();
    f64::from(u32::try_from(bits >> 32).unwrap_or(0)) / f64::from(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_to_the_cap_and_begin_again() {
        let ladder = Ladder { first: Duration::from_millis(250), longest: Duration::from_secs(5) };
        let mut backoff = Backoff::default();
        for step_ms in [250, 500, 1000, 2000, 4000, 5000, 5000] {
            let wait = backoff.next(ladder);
            let step = Duration::from_millis(step_ms);
            assert!(wait >= step / 2 && wait <= step, "{wait:?} is not within half of {step:?} and it");
        }
        (0..100).for_each(|_| assert!(backoff.next(ladder) <= ladder.longest));
        backoff.reset();
        assert!(backoff.next(ladder) <= ladder.first);
    }

    #[test]
    fn chance_spreads() {
        let draws: Vec<f64> = (0..200).map(|_| chance()).collect();
        assert!(draws.iter().any(|c| *c < 0.3) && draws.iter().any(|c| *c > 0.7));
        assert!(draws.iter().all(|c| (0.0..=1.0).contains(c)));
    }
}
