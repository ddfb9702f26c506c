//! Pace: how often a channel is measured, and what follows from it for blocks, learning and memory.
//!
//! The same settings serve a rig at one sample a second, a unit at one a minute and a machine at one an hour. What
//! counts as history is a number of samples; how much time it must span depends on how slow a process the sender
//! watches.

use notchwatch_model::{Span, Time};
use serde::{Deserialize, Serialize};

use crate::num::whole;
use crate::settings::{LEARN_LEAST, Settings};

/// At this interval, a minute, the learning need of the settings counts in full.
const REFERENCE_S: f64 = 60.0;

/// Fewest samples in a block, however slow the sender.
const BLOCK_LEAST: u32 = 5;

/// A sender at least this slow, in seconds, watches a process with a daily cycle: it learns over two whole days, so
/// that one day can be told from the next.
const DAILY_FROM_S: f64 = 10.0;

const DAY_S: f64 = 86_400.0;
const LEARN_DAYS: f64 = 2.0;

/// An interval beyond this many usual ones is a gap.
const GAP: f64 = 5.0;

/// Weight of the newest interval once the pace is known: it follows a change of cadence within some 50 samples.
const LEAST_GAIN: f64 = 0.02;

/// Usual interval of a channel, a robust mean of the logarithm.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Pace {
    last: Option<Time>,
    /// Natural logarithm of the usual interval in seconds.
    log_s: f64,
    count: u16,
}

impl Pace {
    /// Takes the time of a sample; the interval since the one before, if any.
    pub(crate) fn observe(&mut self, time: Time) -> Option<Span> {
        let before = self.last.replace(time);
        let interval = time - before?;
        let log = interval.secs_f64().max(1e-6).ln();
        if self.count == 0 {
            self.log_s = log;
        } else {
            let gain = (1.0 / f64::from(self.count)).max(LEAST_GAIN);
            self.log_s += gain * (log - self.log_s).clamp(-1.0, 1.0);
        }
        self.count = self.count.saturating_add(1);
        Some(interval)
    }

    /// Usual interval in seconds; a minute until it is known.
    pub(crate) fn seconds(&self) -> f64 {
        if self.count == 0 { REFERENCE_S } else { self.log_s.exp() }
    }

    /// Whether an interval is a gap in what is otherwise a steady stream.
    pub(crate) fn is_gap(&self, interval: Span) -> bool {
        interval.secs_f64() > GAP * self.seconds()
    }

    /// The longest interval that is not a gap.
    pub(crate) fn gap(&self) -> Span {
        Span::from_micros(i64::from(whole(GAP * self.seconds() * 1e3, 1, u32::MAX)) * 1000)
    }

    /// How many samples make a block.
    pub(crate) fn block(&self, settings: &Settings) -> u32 {
        let full = settings.block_samples.max(1);
        whole(f64::from(full) * REFERENCE_S / self.seconds(), BLOCK_LEAST.min(full), full)
    }

    /// How many settled samples an operating state learns from.
    pub(crate) fn learn(&self, settings: &Settings) -> u32 {
        let full = settings.learn_samples.max(LEARN_LEAST);
        whole(f64::from(full) * REFERENCE_S / self.seconds(), LEARN_LEAST, full)
    }

    /// How much event time the learning must span, in seconds.
    pub(crate) fn learn_span(&self, settings: &Settings) -> f64 {
        let samples = f64::from(self.learn(settings)) * self.seconds();
        if self.seconds() >= DAILY_FROM_S { samples.max(LEARN_DAYS * DAY_S) } else { samples }
    }

    /// Weight of one sample in a baseline of the settings' memory.
    pub(crate) fn memory_gain(&self, settings: &Settings) -> f64 {
        (self.seconds() / (f64::from(settings.memory_days.max(1)) * DAY_S)).clamp(1e-6, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64, intervals: usize) -> Pace {
        let mut pace = Pace::default();
        for i in 0..=intervals {
            pace.observe(Time::from_secs_f64(1e9 + crate::num::real(i) * seconds).unwrap());
        }
        pace
    }

    #[test]
    fn needs_scale_with_cadence() {
        let settings = Settings::default();
        // Interval in seconds; samples a block, samples to learn, span to learn in seconds.
        let table = [(1.0, 15, 360, 360.0), (60.0, 15, 360, 172_800.0), (3600.0, 5, 30, 172_800.0)];
        for (interval, block, learn, span) in table {
            let pace = at(interval, 40);
            assert_eq!((pace.block(&settings), pace.learn(&settings)), (block, learn), "{interval} s");
            assert!((pace.learn_span(&settings) - span).abs() < 1.0, "{interval} s");
        }
    }

    #[test]
    fn a_gap_does_not_become_the_pace() {
        let mut pace = at(60.0, 30);
        pace.observe(Time::from_secs_f64(2e9).unwrap());
        assert!((pace.seconds() / 60.0).ln().abs() < 0.1);
        assert!(pace.is_gap(Span::from_mins(6)) && !pace.is_gap(Span::from_mins(4)));
    }
}
