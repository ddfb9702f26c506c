//! Places for live streams: a bound for one caller and one for all.
//!
//! Owns the counting. A place is given back when its guard is dropped, however the stream ended.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use notchwatch_model::AccountName;

/// Counts open streams.
#[derive(Debug, Clone)]
pub(crate) struct Streams {
    counts: Arc<Mutex<BTreeMap<AccountName, usize>>>,
    per_caller: usize,
    all: usize,
    gauge: prometheus::IntGauge,
}

/// Which bound was met.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Crowded {
    /// The caller has as many as one may.
    Caller(usize),
    /// Everybody together has.
    All(usize),
}

/// One place.
#[derive(Debug)]
pub(crate) struct Place {
    streams: Streams,
    name: AccountName,
}

impl Streams {
    pub(crate) fn new(per_caller: usize, all: usize, gauge: prometheus::IntGauge) -> Self {
        Self { counts: Arc::default(), per_caller, all, gauge }
    }

    /// Takes a place. Overflow policy: the new stream is refused, those that run go on.
    pub(crate) fn enter(&self, name: &AccountName) -> Result<Place, Crowded> {
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        if counts.values().sum::<usize>() >= self.all {
            return Err(Crowded::All(self.all));
        }
        let own = counts.entry(name.clone()).or_default();
        if *own >= self.per_caller {
            return Err(Crowded::Caller(self.per_caller));
        }
        *own += 1;
        self.gauge.inc();
        Ok(Place { streams: self.clone(), name: name.clone() })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut counts = self.streams.counts.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = counts.get_mut(&self.name) {
            *own = own.saturating_sub(1);
            if *own == 0 {
                counts.remove(&self.name);
            }
        }
        self.streams.gauge.dec();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_bounded_and_come_back() {
        let gauge = prometheus::IntGauge::new("streams", "test").unwrap();
        let streams = Streams::new(2, 3, gauge.clone());
        let [a, b] = ["a", "b"].map(|n| AccountName::new(n).unwrap());
        let first = streams.enter(&a).unwrap();
        let _second = streams.enter(&a).unwrap();
        assert_eq!(streams.enter(&a).unwrap_err(), Crowded::Caller(2));
        let _third = streams.enter(&b).unwrap();
        assert_eq!(streams.enter(&b).unwrap_err(), Crowded::All(3));
        drop(first);
        assert_eq!(gauge.get(), 2);
        assert!(streams.enter(&a).is_ok());
    }
}
