//! Counters: totals that only grow, but for resets. Judged by what a fall means, not by their level.
//!
//! A fall of one reading that comes back is a blip and is dropped. A fall that stands is a reset or an exchange: a
//! data event that rebases the count. A jump upwards that the channel's rate forbids waits the same way.

use notchwatch_model::Time;
use serde::{Deserialize, Serialize};

/// Readings that must agree before a new level is believed.
const STANDS: u8 = 3;
/// Without a stated rate, a step of more than this many usual ones waits to be confirmed.
const UNUSUAL: f64 = 20.0;
/// Steps seen before "usual" means anything.
const USUAL_FROM: u32 = 5;
/// Weight of one step in the usual step.
const STEP_GAIN: f64 = 0.1;

#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
struct Waiting {
    from: Time,
    at: Time,
    value: f64,
    seen: u8,
}

/// A counter's last believed reading and what waits to be believed.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Counter {
    last: Option<(Time, f64)>,
    /// Usual growth a second.
    rate: f64,
    steps: u32,
    waiting: Option<Waiting>,
}

/// A believed fall.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Reset {
    /// First reading of the new level.
    pub(crate) from: Time,
    /// Reading before.
    pub(crate) before: f64,
    /// Reading now.
    pub(crate) now: f64,
}

impl Counter {
    /// Takes a reading; `max_rate` is the fastest possible growth a second, where the class states one.
    pub(crate) fn step(&mut self, time: Time, x: f64, max_rate: Option<f64>) -> Option<Reset> {
        let Some((before, last)) = self.last else {
            self.last = Some((time, x));
            return None;
        };
        if self.follows((before, last), (time, x), max_rate) {
            self.grow((before, last), (time, x));
            return None;
        }
        let waiting = match self.waiting {
            Some(w) if self.follows((w.at, w.value), (time, x), max_rate) => {
                Waiting { at: time, value: x, seen: w.seen + 1, ..w }
            }
            _ => Waiting { from: time, at: time, value: x, seen: 1 },
        };
        self.waiting = Some(waiting);
        if waiting.seen < STANDS {
            return None;
        }
        self.last = Some((time, x));
        self.waiting = None;
        (x < last).then_some(Reset { from: waiting.from, before: last, now: x })
    }

    fn follows(&self, from: (Time, f64), to: (Time, f64), max_rate: Option<f64>) -> bool {
        let step = to.1 - from.1;
        let seconds = (to.0 - from.0).secs_f64();
        let most = match max_rate {
            Some(rate) => rate * seconds,
            None if self.steps >= USUAL_FROM && self.rate > 0.0 => UNUSUAL * self.rate * seconds,
            None => f64::INFINITY,
        };
        step >= 0.0 && step <= most
    }

    fn grow(&mut self, from: (Time, f64), to: (Time, f64)) {
        let seconds = (to.0 - from.0).secs_f64();
        if seconds > 0.0 {
            let gain = (1.0 / (f64::from(self.steps) + 1.0)).max(STEP_GAIN);
            self.rate += gain * ((to.1 - from.1) / seconds - self.rate);
            self.steps = self.steps.saturating_add(1);
        }
        self.last = Some(to);
        self.waiting = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use notchwatch_model::Span;

    fn resets(readings: &[f64], max_rate: Option<f64>) -> Vec<(usize, f64)> {
        let mut counter = Counter::default();
        let mut found = Vec::new();
        for (i, x) in readings.iter().enumerate() {
            let time = Time::EPOCH + Span::from_mins(10 * i64::try_from(i).unwrap());
            if let Some(reset) = counter.step(time, *x, max_rate) {
                found.push((i, reset.before));
            }
        }
        found
    }

    /// A total that grows at some pace and is disturbed once: a dip or a spike of one reading is nothing, a fall that
    /// stands is one reset, booked from the reading before it.
    #[test]
    fn only_the_fall_that_stands_is_a_reset() {
        for (start, pace) in [(3.0, 0.4), (812.5, 2.5), (65_500.0, 1.0), (2.4e6, 11.0)] {
            let grown = |from: f64, n: u32| from + pace * f64::from(n);
            for at in [12_u32, 31, 57] {
                let one = |odd: f64| -> Vec<f64> {
                    (0..80).map(|n| if n == at { odd } else { grown(start, n) }).collect()
                };
                for odd in [0.0, grown(start, at) / 2.0, grown(start, at) + 500.0 * pace, 4_294_967_295.0] {
                    assert!(resets(&one(odd), None).is_empty(), "{odd} in {start} by {pace} at {at}");
                }
                let fallen: Vec<f64> =
                    (0..80).map(|n| if n < at { grown(start, n) } else { grown(0.0, n - at) }).collect();
                let found = resets(&fallen, None);
                assert_eq!(found.len(), 1, "{start} by {pace} at {at}: {found:?}");
                assert!((found[0].1 - grown(start, at - 1)).abs() < 1e-6, "{found:?}");
            }
        }
    }

    #[test]
    fn growth_at_any_cadence_is_no_event() {
        let readings: Vec<f64> = (0..500).map(|i| f64::from(i) * 0.1 + f64::from(i / 100)).collect();
        assert!(resets(&readings, None).is_empty());
    }
}
