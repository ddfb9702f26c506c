//! How many wrong passwords are looked at: per name and in all.
//!
//! Owns the counts, in bounded memory. Refuses to know accounts: a name that does not exist is counted like one
//! that does, so that the answer tells nothing.

use std::collections::{HashMap, VecDeque};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Failures of one name within [`WINDOW`] before it has to wait (common practice: five to ten).
const PER_NAME: usize = 5;
/// How long a failure counts (common practice).
const WINDOW: Duration = Duration::from_mins(15);
/// Failures of all names within [`GLOBAL_WINDOW`]: bounds hashing and the growth of the audit log.
const GLOBAL: usize = 120;
/// Window of the global count.
const GLOBAL_WINDOW: Duration = Duration::from_mins(1);
/// Names remembered. `GLOBAL` failures a minute fill `WINDOW` with 1,800 names at most, so that none is forgotten
/// before its time; were it ever full, the name that failed longest ago goes.
const MAX_NAMES: usize = 2048;

/// Counts of failed sign-ins.
#[derive(Debug, Default)]
pub(crate) struct Throttle {
    counts: Mutex<Counts>,
}

#[derive(Debug, Default)]
struct Counts {
    names: HashMap<String, VecDeque<Instant>>,
    all: VecDeque<Instant>,
}

impl Throttle {
    /// Counts an attempt as a failure before its password is looked at, so that attempts side by side cannot
    /// outrun the count. Errors with the time to wait. [`Throttle::succeeded`] takes the count back.
    pub(crate) fn attempt(&self, name: &str, now: Instant) -> Result<(), Duration> {
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        forget(&mut counts.all, now, GLOBAL_WINDOW);
        counts.names.retain(|_, failures| {
            forget(failures, now, WINDOW);
            !failures.is_empty()
        });
        if let Some(first) = counts.all.front().filter(|_| counts.all.len() >= GLOBAL) {
            return Err(left(*first, now, GLOBAL_WINDOW));
        }
        if let Some(failures) = counts.names.get(name)
            && failures.len() >= PER_NAME
            && let Some(first) = failures.front()
        {
            return Err(left(*first, now, WINDOW));
        }
        counts.make_room(name);
        counts.all.push_back(now);
        counts.names.entry(name.to_owned()).or_default().push_back(now);
        Ok(())
    }

    /// Forgets the failures of a name: its owner has shown the password.
    pub(crate) fn succeeded(&self, name: &str) {
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(last) = counts.names.remove(name).and_then(|failures| failures.back().copied())
            && let Some(at) = counts.all.iter().rposition(|t| *t == last)
        {
            counts.all.remove(at);
        }
    }
}

impl Counts {
    fn make_room(&mut self, name: &str) {
        if self.names.len() < MAX_NAMES || self.names.contains_key(name) {
            return;
        }
        let oldest = self
            .names
            .iter()
            .min_by_key(|(name, f)| (f.back().copied(), *name))
            .map(|(name, _)| name.clone());
        if let Some(oldest) = oldest {
            self.names.remove(&oldest);
        }
    }
}

fn forget(failures: &mut VecDeque<Instant>, now: Instant, window: Duration) {
    while failures.front().is_some_and(|t| now.saturating_duration_since(*t) >= window) {
        failures.pop_front();
    }
}

fn left(first: Instant, now: Instant, window: Duration) -> Duration {
    window.saturating_sub(now.saturating_duration_since(first))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sixth_failure_of_a_name_waits_and_another_name_does_not() {
        let (throttle, now) = (Throttle::default(), Instant::now());
        for _ in 0..PER_NAME {
            assert_eq!(throttle.attempt("a", now), Ok(()));
        }
        assert_eq!(throttle.attempt("a", now + Duration::from_mins(5)), Err(Duration::from_mins(10)));
        assert_eq!(throttle.attempt("b", now), Ok(()));
        assert_eq!(throttle.attempt("a", now + WINDOW), Ok(()));
    }

    #[test]
    fn a_success_forgets_the_failures() {
        let (throttle, now) = (Throttle::default(), Instant::now());
        for _ in 0..20 {
            assert_eq!(throttle.attempt("a", now), Ok(()));
            throttle.succeeded("a");
        }
        assert!(throttle.counts.lock().unwrap().all.is_empty());
    }

    #[test]
    fn invented_names_meet_the_global_count_and_fill_no_memory() {
        let (throttle, mut now) = (Throttle::default(), Instant::now());
        let mut passed = 0;
        for i in 0..20_000 {
            now += Duration::from_millis(100);
            passed += usize::from(throttle.attempt(&format!("name-{i}"), now).is_ok());
        }
        let minutes = 20_000 / 600;
        assert!(passed <= GLOBAL * (minutes + 1), "{passed}");
        assert!(throttle.counts.lock().unwrap().names.len() <= MAX_NAMES);
    }
}
