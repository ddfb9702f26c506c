//! Habit: how long a unit is usually quiet between two messages, in bounded memory.
//!
//! Owns the limit after which quiet is silence. Two robust numbers: a high quantile of all gaps, and the third longest
//! daily gap of a fortnight, which learns nights in a shed and dead zones and is not moved by one or two outages.

use notchwatch_model::Span;
use serde::{Deserialize, Serialize};

/// Bins of the gaps' histogram, two an octave from 1 s: the last begins at 2^21.5 s, about 34 days.
const BINS: usize = 44;
/// Counts are halved beyond this many gaps, so that the newest weigh most (ours: a month of batches).
const MOST: u32 = 4096;
/// Fewer gaps than this say nothing of a habit (ours).
const LEARNED: u32 = 16;
/// The quantile that is usual still, in hundredths: one long gap a day is for the daily ones to learn.
const QUANTILE: u32 = 95;
/// Quiet of so many usual gaps is silence: three messages missed (common practice).
const GAPS_MISSED: i64 = 3;
/// Days over which the longest daily gap is looked at.
const DAYS: i64 = 14;
/// A gap as long as this was seen on this many of those days is habit: two outages do not make one.
const NIGHTS: usize = 3;
/// Room above a habitual gap, in hundredths.
const ROOM: i64 = 125;
/// No habit allows longer quiet than this.
const LONGEST: Span = Span::from_days(7);

/// Gaps between receipts of fresh data.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Habit {
    bins: Vec<u16>,
    total: u32,
    /// Longest gap that ended on a day (UTC days since 1970), at most one a day, oldest first.
    longest: Vec<(i64, Span)>,
}

impl Habit {
    /// Learns a gap that ended on `day`.
    pub(crate) fn learn(&mut self, gap: Span, day: i64) {
        self.bins.resize(BINS, 0);
        if let Some(bin) = self.bins.get_mut(bin_of(gap)) {
            *bin = bin.saturating_add(1);
            self.total += 1;
        }
        if self.total > MOST {
            self.bins.iter_mut().for_each(|bin| *bin /= 2);
            self.total = self.bins.iter().map(|bin| u32::from(*bin)).sum();
        }
        match self.longest.iter_mut().find(|(of, _)| *of == day) {
            Some((_, held)) => *held = gap.max(*held),
            None => self.longest.push((day, gap)),
        }
        let newest = self.longest.iter().map(|(of, _)| *of).max().unwrap_or(day);
        self.longest.retain(|(of, _)| newest - *of < DAYS);
    }

    /// The gap that half do not exceed, once learned.
    pub(crate) fn usual(&self) -> Option<Span> {
        (self.total >= LEARNED).then(|| self.quantile(50))
    }

    /// Quiet for longer is silence; never less than `floor`.
    pub(crate) fn limit(&self, floor: Span) -> Span {
        if self.total < LEARNED {
            return floor;
        }
        let missed = Span::from_micros(self.quantile(QUANTILE).micros().saturating_mul(GAPS_MISSED));
        let mut daily: Vec<Span> = self.longest.iter().map(|(_, gap)| *gap).collect();
        daily.sort_unstable_by(|a, b| b.cmp(a));
        let habitual = daily.get(NIGHTS - 1).map_or(0, |gap| gap.micros().saturating_mul(ROOM) / 100);
        floor.max(missed).max(Span::from_micros(habitual)).min(LONGEST.max(floor))
    }

    /// Upper edge of the bin in which a share of all gaps is reached.
    fn quantile(&self, hundredths: u32) -> Span {
        let wanted = (self.total * hundredths).div_ceil(100);
        let mut seen = 0;
        let place = self.bins.iter().position(|bin| {
            seen += u32::from(*bin);
            seen >= wanted
        });
        edge(place.unwrap_or(BINS - 1))
    }
}

/// The bin of a gap: half octaves of seconds.
fn bin_of(gap: Span) -> usize {
    (0..BINS).find(|bin| gap < edge(*bin)).unwrap_or(BINS - 1)
}

/// Upper edge of a bin: 2^((bin + 1) / 2) seconds, in whole numbers (99/70 stands for the root of 2).
fn edge(bin: usize) -> Span {
    let above = bin + 1;
    let octave = Span::from_secs(1i64 << (above / 2)).micros();
    Span::from_micros(if above.is_multiple_of(2) { octave } else { octave * 99 / 70 })
}

#[cfg(test)]
mod tests {
    use super::*;

    const FLOOR: Span = Span::from_mins(5);

    fn habit(gaps: impl IntoIterator<Item = (i64, i64)>) -> Habit {
        let mut habit = Habit::default();
        gaps.into_iter().for_each(|(day, secs)| habit.learn(Span::from_secs(secs), day));
        habit
    }

    #[test]
    fn the_limit_follows_the_interval() {
        for (secs, least, most) in [(60, 180, 300), (720, 2160, 3100), (3600, 10_800, 16_000)] {
            let limit = habit((0..100).map(|_| (1, secs))).limit(Span::ZERO).secs_f64();
            assert!(
                (f64::from(least)..=f64::from(most)).contains(&limit),
                "gaps of {secs} s give a limit of {limit} s"
            );
        }
    }

    #[test]
    fn little_history_leaves_the_floor() {
        assert_eq!(habit((0..15).map(|_| (1, 7200))).limit(FLOOR), FLOOR);
        assert_eq!(habit([]).usual(), None);
    }

    #[test]
    fn nights_become_habit_and_one_outage_does_not() {
        let day = |day: i64, night: i64| (0..100).map(move |_| (day, 600)).chain([(day, night)]);
        let with_nights = habit((1..=5).flat_map(|d| day(d, 8 * 3600)));
        assert!(with_nights.limit(FLOOR) >= Span::from_hours(10), "{:?}", with_nights.limit(FLOOR));
        let with_outage = habit((1..=5).flat_map(|d| day(d, if d == 3 { 30 * 3600 } else { 600 })));
        assert!(with_outage.limit(FLOOR) < Span::from_hours(1), "{:?}", with_outage.limit(FLOOR));
    }

    #[test]
    fn memory_is_bounded_and_the_newest_weigh_most() {
        let mut habit = habit((0..20_000).map(|n| (n / 100, 3600)));
        (0..20_000).for_each(|n| habit.learn(Span::from_secs(60), 200 + n / 1000));
        assert!(habit.total <= MOST && habit.longest.len() <= usize::try_from(DAYS).unwrap());
        assert!(habit.limit(Span::ZERO) <= Span::from_mins(5), "{:?}", habit.limit(Span::ZERO));
    }

    #[test]
    fn every_gap_lies_below_its_edge() {
        for secs in [0, 1, 2, 3, 59, 60, 61, 1_000_000, 4_000_000] {
            let bin = bin_of(Span::from_secs(secs));
            assert!(bin == BINS - 1 || Span::from_secs(secs) < edge(bin), "{secs}");
            assert!(bin == 0 || Span::from_secs(secs) >= edge(bin - 1), "{secs}");
        }
    }
}
