//! Seasonal model: what the time of day explains of a descriptor, learned over up to four weeks of hours.
//!
//! Seasonal-trend decomposition by loess (`stl`), with gaps filled here. Daily periodicity is tested, never assumed: the pattern must explain
//! variance (strength of season, Wang, Smith and Hyndman 2006) and must foretell a day it has not seen. Refitted
//! once a day, at the first sample after midnight UTC, from whole hours before it.

use std::collections::VecDeque;

use notchwatch_model::{Span, Time};
use serde::{Deserialize, Serialize};

use crate::num::{real, single};
use crate::stl::{Stl, mstl};

/// Hours of a day.
const DAY: usize = 24;
/// Hours held: four weeks.
const HELD: usize = 28 * DAY;
/// Fewest hours that a season is fitted from: three whole cycles, and the day it is tested on.
const FEWEST: usize = 4 * DAY;
/// Share of hours that must have been measured.
const COVERED: f64 = 0.7;
/// Share of the variance that the hour of the day must explain before the decomposition is worth its time.
const WORTH_FITTING: f64 = 0.15;
/// Strength of season from which the pattern is used.
const STRONG: f64 = 0.4;
/// The pattern must bring the squared error on a day it has not seen to this share of what a level leaves.
const FORETOLD: f64 = 0.8;
/// A pattern in use stays while it keeps this strength, and foretells the last day no worse than a level does: a
/// borderline pattern that came and went each day would be worse than either.
const STAYS_STRONG: f64 = 0.25;
const STAYS_FORETOLD: f64 = 1.0;
/// Cycles that the pattern is averaged over, newest last: the hours of a single day are too noisy.
const CYCLES: usize = 7;
/// Length of the seasonal smoother, in days: what R's and other programs take for one period (Bandara et al. 2021).
const SMOOTH: usize = 11;
/// Resolution of a stored hour, in spreads; an hour is held within ±127 spreads.
const STEP: f64 = 1.0 / 256.0;
/// Marks an hour without a measurement.
const MISSING: i16 = i16::MIN;
/// Strength from which a pattern is so regular that its absence is a symptom.
const REGULAR: f64 = 0.8;
/// Share of the pattern below which a day lacks it, and above which a day has it again.
const LACKING: f64 = 0.2;
const PRESENT: f64 = 0.5;
/// Days in a row that must lack it: a grey day has little swing, three have some.
const DAYS: u8 = 3;
/// Hours of a day that must have been measured to say whether it had the pattern.
const WHOLE: u32 = 18;

const HOUR_US: i64 = 3_600_000_000;

/// Hourly history and the daily pattern found in it.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Season {
    hours: VecDeque<i16>,
    /// Number of the open hour since 1970.
    hour: i64,
    sum: f64,
    count: u32,
    /// Pattern by hour of the day, UTC, in spreads. Empty while none is used.
    pattern: Vec<f32>,
    strength: f32,
    day: Projection,
    lacking: u8,
    /// Whether the channel has left its pattern.
    pub(crate) left: bool,
}

/// How much of the pattern one day showed: a regression of its hours on the pattern.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
struct Projection {
    n: u32,
    p: f64,
    v: f64,
    pp: f64,
    pv: f64,
}

/// What a new day brought.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(crate) struct NewDay {
    /// A pattern came into use that was not there before.
    pub(crate) begun: bool,
    /// The channel left its pattern (`true`) or returned to it, with the share of the pattern the day showed.
    pub(crate) left: Option<(bool, f64)>,
}

impl Season {
    /// Seasonal part at a time, in spreads; nought while no pattern is used. Straight between the hours' middles.
    pub(crate) fn at(&self, time: Time) -> f64 {
        if self.pattern.len() != DAY {
            return 0.0;
        }
        let hours = time.of_day().secs_f64() / 3600.0 + 23.5;
        let low = crate::num::whole(hours.floor(), 0, 48) as usize;
        let share = hours - hours.floor();
        let value = |i: usize| self.pattern.get(i % DAY).copied().map_or(0.0, f64::from);
        value(low) + share * (value(low + 1) - value(low))
    }

    /// Whether a pattern is in use.
    pub(crate) fn used(&self) -> bool {
        !self.pattern.is_empty()
    }

    /// Strength of the pattern in use, 0 to 1.
    pub(crate) fn strength(&self) -> f64 {
        f64::from(self.strength)
    }

    /// Takes a residual in spreads, the seasonal part still in it. `learning` is false for data that must not be
    /// learned from. Returns what a new day brought, at its first sample.
    pub(crate) fn take(&mut self, time: Time, z: f64, learning: bool) -> Option<NewDay> {
        let hour = time.micros().div_euclid(HOUR_US);
        let mut news = None;
        if self.hour == 0 && self.hours.is_empty() {
            self.hour = hour;
        }
        if hour > self.hour {
            let before = self.hour;
            self.close_hour(learning);
            self.pad(hour - before - 1);
            self.hour = hour;
            if hour.div_euclid(24) > before.div_euclid(24) {
                news = Some(self.new_day());
            }
        }
        if z.is_finite() {
            self.sum += z.clamp(-100.0, 100.0);
            self.count += 1;
        }
        news
    }

    fn close_hour(&mut self, learning: bool) {
        let mean = self.sum / f64::from(self.count.max(1));
        let stored = if self.count > 0 && learning { quantised(mean) } else { MISSING };
        if self.count > 0 && self.used() {
            let at = Time::from_micros(self.hour * HOUR_US).unwrap_or_default() + Span::from_mins(30);
            self.day.take(self.at(at), mean);
        }
        (self.sum, self.count) = (0.0, 0);
        self.push(stored);
    }

    fn pad(&mut self, hours: i64) {
        for _ in 0..hours.min(i64::try_from(HELD).unwrap_or(i64::MAX)) {
            self.push(MISSING);
        }
    }

    fn push(&mut self, stored: i16) {
        if self.hours.len() >= HELD {
            self.hours.pop_front();
        }
        // No room is held that is not used: a fleet has a million of these.
        if self.hours.len() == self.hours.capacity() {
            self.hours.reserve_exact(DAY);
        }
        self.hours.push_back(stored);
    }

    fn new_day(&mut self) -> NewDay {
        let left = self.judge_day();
        let used = self.used();
        // While a pattern is missed it is kept as it was: what came since is not what it should look like.
        if !self.left && self.lacking == 0 {
            self.refit();
        }
        NewDay { begun: !used && self.used(), left }
    }

    fn judge_day(&mut self) -> Option<(bool, f64)> {
        let day = std::mem::take(&mut self.day);
        if !self.used() || day.n < WHOLE {
            return None;
        }
        let share = day.share()?;
        if self.left {
            if share >= PRESENT {
                (self.left, self.lacking) = (false, 0);
                return Some((false, share));
            }
            return None;
        }
        let lacks = f64::from(self.strength) >= REGULAR && share < LACKING;
        self.lacking = if lacks { self.lacking + 1 } else { 0 };
        if self.lacking >= DAYS {
            self.left = true;
            return Some((true, share));
        }
        None
    }

    /// Hours as last stored, midnight last, so that their hour of the day is known from the end.
    fn refit(&mut self) {
        // The last hour stored ended at or before the present hour's begin; align on whole days before it.
        let after_midnight = usize::try_from(self.hour.rem_euclid(24)).unwrap_or(0);
        let end = self.hours.len().saturating_sub(after_midnight);
        let days = end / DAY;
        let values: Vec<Option<f64>> =
            self.hours.iter().skip(end - days * DAY).take(days * DAY).map(|q| value(*q)).collect();
        let fitted = fit(&values, self.used());
        (self.pattern, self.strength) = fitted.unwrap_or_default();
    }
}

impl Projection {
    fn take(&mut self, p: f64, v: f64) {
        self.n += 1;
        self.p += p;
        self.v += v;
        self.pp += p * p;
        self.pv += p * v;
    }

    /// Slope of the day's hours on the pattern; 1 when the day showed it in full.
    fn share(&self) -> Option<f64> {
        let n = f64::from(self.n);
        let spread = self.pp - self.p * self.p / n;
        (spread > 1e-9).then(|| (self.pv - self.p * self.v / n) / spread)
    }
}

fn quantised(mean: f64) -> i16 {
    #[expect(clippy::cast_possible_truncation, reason = "clamped to the type's range")]
    let q = (mean / STEP).round().clamp(-32_767.0, 32_767.0) as i16;
    q
}

fn value(stored: i16) -> Option<f64> {
    (stored != MISSING).then(|| f64::from(stored) * STEP)
}

/// Daily pattern of whole days of hours, and its strength; `None` when the tests fail.
fn fit(values: &[Option<f64>], used: bool) -> Option<(Vec<f32>, f32)> {
    let known = values.iter().flatten().count();
    if values.len() < FEWEST || real(known) < COVERED * real(values.len()) {
        return None;
    }
    let by_hour = hour_means(values)?;
    if explained(values, &by_hour) < WORTH_FITTING {
        return None;
    }
    let filled = fill(values, &by_hour);
    let (seen, unseen) = filled.split_at(filled.len() - DAY);
    let (trial, _) = decompose(seen)?;
    let actual = values.get(seen.len()..)?;
    let (strong, foretold) = if used { (STAYS_STRONG, STAYS_FORETOLD) } else { (STRONG, FORETOLD) };
    if !foretells(&trial, actual, unseen, foretold) {
        return None;
    }
    let (pattern, strength) = decompose(&filled)?;
    (strength >= strong).then(|| (pattern.iter().map(|p| single(*p)).collect(), single(strength)))
}

fn hour_means(values: &[Option<f64>]) -> Option<Vec<f64>> {
    (0..DAY)
        .map(|hour| {
            let mut seen: Vec<f64> = values.iter().skip(hour).step_by(DAY).flatten().copied().collect();
            if seen.len() < 3 { None } else { crate::robust::median(&mut seen) }
        })
        .collect()
}

fn explained(values: &[Option<f64>], by_hour: &[f64]) -> f64 {
    let known = || values.iter().enumerate().filter_map(|(i, v)| v.map(|v| (i, v)));
    let n = real(known().count().max(1));
    let mean = known().map(|(_, v)| v).sum::<f64>() / n;
    let total: f64 = known().map(|(_, v)| (v - mean).powi(2)).sum();
    let level = by_hour.iter().sum::<f64>() / real(by_hour.len().max(1));
    let left: f64 =
        known().map(|(i, v)| (v - mean - by_hour.get(i % DAY).map_or(0.0, |m| m - level)).powi(2)).sum();
    if total > 0.0 { 1.0 - left / total } else { 0.0 }
}

fn fill(values: &[Option<f64>], by_hour: &[f64]) -> Vec<f64> {
    values.iter().enumerate().map(|(i, v)| v.or(by_hour.get(i % DAY).copied()).unwrap_or(0.0)).collect()
}

/// Pattern of the last cycles by hour of the day, and strength of season.
fn decompose(hours: &[f64]) -> Option<(Vec<f64>, f64)> {
    let (seasons, trend) = mstl(hours, &[Stl::new(DAY, SMOOTH)])?;
    let season = seasons.first()?;
    let cycles = CYCLES.min(season.len() / DAY).max(1);
    let newest = season.get(season.len().checked_sub(cycles * DAY)?..)?;
    let pattern: Vec<f64> =
        (0..DAY).map(|hour| newest.iter().skip(hour).step_by(DAY).sum::<f64>() / real(cycles)).collect();
    let level = pattern.iter().sum::<f64>() / real(DAY);
    Some((pattern.iter().map(|p| p - level).collect(), strength(hours, season, &trend)))
}

/// Strength of season: 1 less the variance that the decomposition leaves, in the variance that season and rest have together
/// (Wang, Smith and Hyndman 2006).
fn strength(hours: &[f64], season: &[f64], trend: &[f64]) -> f64 {
    let detrended: Vec<f64> = hours.iter().zip(trend).map(|(x, t)| x - t).collect();
    let rest: Vec<f64> = detrended.iter().zip(season).map(|(x, s)| x - s).collect();
    let all = variance(&detrended);
    if all > 0.0 { (1.0 - variance(&rest) / all).max(0.0) } else { 0.0 }
}

fn variance(values: &[f64]) -> f64 {
    let n = real(values.len().max(1));
    let mean = values.iter().sum::<f64>() / n;
    values.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / n
}

/// Whether the pattern foretells a day it was not fitted to, better than that day's own level does.
fn foretells(pattern: &[f64], actual: &[Option<f64>], filled: &[f64], foretold: f64) -> bool {
    let level = filled.iter().sum::<f64>() / real(filled.len().max(1));
    let (mut with, mut without) = (0.0, 0.0);
    for (p, v) in pattern.iter().zip(actual) {
        if let Some(v) = v {
            with += (v - level - p).powi(2);
            without += (v - level).powi(2);
        }
    }
    without > 0.0 && with < foretold * without
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;

    fn run(season: &mut Season, from_day: i64, days: i64, amplitude: f64, noise: &mut Noise) -> Vec<NewDay> {
        let mut news = Vec::new();
        for minute in from_day * 288..(from_day + days) * 288 {
            let time = Time::from_secs_f64(1.7e9).unwrap() + Span::from_mins(5 * minute);
            let phase = time.of_day().secs_f64() / 86_400.0 * std::f64::consts::TAU;
            news.extend(season.take(time, amplitude * phase.sin() + 0.5 * noise.normal(), true));
        }
        news
    }

    #[test]
    fn a_daily_pattern_is_found_after_enough_days_and_not_in_noise() {
        let mut noise = Noise::new(21);
        let mut season = Season::default();
        run(&mut season, 0, 3, 2.0, &mut noise);
        assert!(!season.used(), "three days are too few to test a pattern");
        let begun = run(&mut season, 3, 5, 2.0, &mut noise);
        assert_eq!(begun.iter().filter(|n| n.begun).count(), 1);
        let six = Time::from_secs_f64(1_699_941_600.0).unwrap();
        assert_eq!(six.of_day(), Span::from_hours(6));
        assert!((season.at(six) - 2.0).abs() < 0.4, "{}", season.at(six));
        let mut flat = Season::default();
        run(&mut flat, 0, 20, 0.0, &mut noise);
        assert!(!flat.used());
    }

    #[test]
    fn a_lost_pattern_is_noticed_on_the_third_day_and_its_return_too() {
        let mut noise = Noise::new(22);
        let mut season = Season::default();
        run(&mut season, 0, 14, 3.0, &mut noise);
        assert!(season.strength() > REGULAR, "{}", season.strength());
        let lost = run(&mut season, 14, 5, 0.0, &mut noise);
        assert_eq!(lost.iter().filter(|n| matches!(n.left, Some((true, _)))).count(), 1, "{lost:?}");
        let back = run(&mut season, 19, 3, 3.0, &mut noise);
        assert_eq!(back.iter().filter(|n| matches!(n.left, Some((false, _)))).count(), 1, "{back:?}");
    }

    #[test]
    fn gaps_do_not_shift_the_pattern() {
        let mut noise = Noise::new(23);
        let mut season = Season::default();
        run(&mut season, 0, 4, 2.0, &mut noise);
        run(&mut season, 5, 6, 2.0, &mut noise);
        let six = Time::from_secs_f64(1_699_941_600.0).unwrap();
        assert!((season.at(six) - 2.0).abs() < 0.5, "{}", season.at(six));
    }
}
