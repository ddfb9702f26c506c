//! Operator load as IEC 62682 and ISA-18.2 measure it, for one position over one period.
//!
//! Owns the figures and what they are compared with. Pure: arrivals and times in, figures out.

use std::collections::BTreeMap;

use notchwatch_model::{Arrival, FaultId, Priority, Span, Time, UnitKey};

/// Length of the periods in which arrivals are counted (ISA-18.2).
pub const PERIOD: Span = Span::from_mins(10);
/// More in one period than this is a flood (ISA-18.2).
pub const FLOOD_BEGINS_ABOVE: u64 = 10;
/// A flood ends with a period of fewer than this (ISA-18.2).
pub const FLOOD_ENDS_BELOW: u64 = 5;
/// A finding that lasts longer is stale (ISA-18.2: a day).
pub const STALE_AFTER: Span = Span::from_hours(24);
/// How many of the most frequent are told (ISA-18.2: ten).
const MOST_FREQUENT: usize = 10;
/// Days that the figures are formed over (ISA-18.2: thirty at least).
pub const LOAD_DAYS: i64 = 30;

/// What came again and again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frequent {
    /// On which unit.
    pub unit: UnitKey,
    /// The fault ranked first; `None`: no fault was ranked.
    pub fault: Option<FaultId>,
    /// How many findings.
    pub count: u64,
}

/// Load of a position.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    /// New findings in the period.
    pub total: u64,
    /// New in the ten minutes before now.
    pub last_10_min: u64,
    /// New in the hour before now.
    pub last_hour: u64,
    /// Mean of new findings an hour over the period.
    pub per_hour: f64,
    /// Mean of new findings in ten minutes over the period.
    pub per_10_min: f64,
    /// Most in any ten minutes, counted from full tens of minutes.
    pub most_10_min: u64,
    /// Share of the time in flood, 0 to 1.
    pub flood_share: f64,
    /// Whether there is a flood now.
    pub flood: bool,
    /// Findings that have lasted longer than [`STALE_AFTER`].
    pub stale: u64,
    /// The most frequent, the most frequent first.
    pub top: Vec<Frequent>,
    /// How many of each priority, critical first.
    pub spread: [u64; 4],
}

impl Load {
    /// Forms the figures over the time from `from` to `now`. Arrivals outside it count as stale at most.
    pub fn of<'a>(arrivals: impl Iterator<Item = &'a Arrival>, from: Time, now: Time) -> Self {
        let (mut stale, mut last_10_min, mut last_hour) = (0, 0, 0);
        let mut periods: BTreeMap<i64, u64> = BTreeMap::new();
        let mut frequent: BTreeMap<(UnitKey, Option<FaultId>), u64> = BTreeMap::new();
        let mut spread = [0; 4];
        for arrival in arrivals {
            stale += u64::from(arrival.stale);
            if arrival.at < from || arrival.at > now {
                continue;
            }
            last_10_min += u64::from(now - arrival.at < PERIOD);
            last_hour += u64::from(now - arrival.at < Span::from_hours(1));
            *periods.entry(period(arrival.at)).or_default() += 1;
            *frequent.entry((arrival.unit.clone(), arrival.fault.clone())).or_default() += 1;
            let place = Priority::ALL.iter().position(|p| *p == arrival.priority);
            if let Some(count) = place.and_then(|place| spread.get_mut(place)) {
                *count += 1;
            }
        }
        let total: u64 = spread.iter().sum();
        let (in_flood, lasts) = floods(&periods, period(now));
        let all = (period(now) - period(from)).max(1);
        let hours = ((now - from).secs_f64() / 3600.0).max(1.0);
        Self {
            total,
            last_10_min,
            last_hour,
            per_hour: figure(total) / hours,
            per_10_min: figure(total) / (hours * 6.0),
            most_10_min: periods.values().copied().max().unwrap_or(0),
            flood_share: figure(in_flood) / figure(u64::try_from(all).unwrap_or(1)),
            flood: last_10_min > FLOOD_BEGINS_ABOVE || (lasts && last_10_min >= FLOOD_ENDS_BELOW),
            stale,
            top: top(frequent),
            spread,
        }
    }
}

fn period(at: Time) -> i64 {
    at.micros().div_euclid(PERIOD.micros())
}

/// Full periods in flood, and whether a flood lasted at the end of the one before `present`.
fn floods(periods: &BTreeMap<i64, u64>, present: i64) -> (u64, bool) {
    let (mut in_flood, mut lasts, mut next) = (0, false, i64::MIN);
    for (period, count) in periods.range(..present) {
        // A period without arrivals ends a flood.
        lasts &= *period == next;
        lasts = if lasts { *count >= FLOOD_ENDS_BELOW } else { *count > FLOOD_BEGINS_ABOVE };
        in_flood += u64::from(lasts);
        next = period + 1;
    }
    (in_flood, lasts && next == present)
}

fn top(frequent: BTreeMap<(UnitKey, Option<FaultId>), u64>) -> Vec<Frequent> {
    let told = |((unit, fault), count)| Frequent { unit, fault, count };
    let mut all: Vec<Frequent> = frequent.into_iter().map(told).collect();
    // Stable: of equally frequent ones the order of units stays.
    all.sort_by_key(|one| std::cmp::Reverse(one.count));
    all.truncate(MOST_FREQUENT);
    all
}

fn figure(count: u64) -> f64 {
    u32::try_from(count).map_or(f64::from(u32::MAX), f64::from)
}

#[cfg(test)]
mod tests {
    use notchwatch_model::{FindingKind, RailwayId, UnitId};

    use super::*;

    fn now() -> Time {
        "2026-11-10T12:05:00Z".parse().unwrap()
    }

    fn arrival(minutes_ago: i64, unit: u32, priority: Priority) -> Arrival {
        Arrival {
            at: now() - Span::from_mins(minutes_ago),
            unit: UnitKey {
                railway: RailwayId::new("sarel").unwrap(),
                unit: UnitId::new(&unit.to_string()).unwrap(),
            },
            class: notchwatch_model::ClassId::new("demo-12").unwrap(),
            kind: FindingKind::Machine,
            priority,
            fault: (unit == 1).then(|| FaultId::new("oil-pump-wear").unwrap()),
            stale: false,
        }
    }

    fn load(arrivals: &[Arrival], days: i64) -> Load {
        Load::of(arrivals.iter(), now() - Span::from_days(days), now())
    }

    /// By hand. In the day before 12:05 there are 144 periods of ten minutes. 12 arrivals at 10:32 (period 10:30) begin
    /// a flood, 6 at 10:42 keep it, 4 at 10:52 end it: two periods of 144. One at 12:01, one at 11:30, one at 12:05.
    #[test]
    fn figures_counted_by_hand() {
        let mut arrivals = Vec::new();
        arrivals.extend((0..12).map(|_| arrival(93, 1, Priority::Low)));
        arrivals.extend((0..6).map(|_| arrival(83, 2, Priority::Medium)));
        arrivals.extend((0..4).map(|_| arrival(73, 3, Priority::Low)));
        arrivals.push(arrival(4, 4, Priority::High));
        arrivals.push(arrival(35, 5, Priority::Critical));
        arrivals.push(arrival(0, 1, Priority::Low));
        let old = Arrival { stale: true, ..arrival(3000, 9, Priority::Critical) };
        arrivals.push(old);
        let load = load(&arrivals, 1);
        assert_eq!((load.total, load.last_10_min, load.last_hour, load.most_10_min), (25, 2, 3, 12));
        assert!((load.per_hour - 25.0 / 24.0).abs() < 1e-12);
        assert!((load.per_10_min - 25.0 / 144.0).abs() < 1e-12);
        assert!((load.flood_share - 2.0 / 144.0).abs() < 1e-12, "{}", load.flood_share);
        assert!(!load.flood);
        assert_eq!((load.stale, load.spread), (1, [1, 1, 6, 17]));
        let top: Vec<(&str, u64)> = load.top.iter().map(|t| (t.unit.unit.as_str(), t.count)).collect();
        assert_eq!(top, [("1", 13), ("2", 6), ("3", 4), ("4", 1), ("5", 1)]);
        assert_eq!(load.top[0].fault.as_ref().map(FaultId::as_str), Some("oil-pump-wear"));
    }

    #[test]
    fn a_flood_is_told_while_it_lasts_and_a_pause_ends_it() {
        let of = |groups: &[(i64, usize)]| {
            let each = |(ago, n): &(i64, usize)| vec![arrival(*ago, 1, Priority::Low); *n];
            load(&groups.iter().flat_map(each).collect::<Vec<_>>(), 1)
        };
        assert!(of(&[(3, 11)]).flood, "eleven in the last ten minutes");
        assert!(!of(&[(3, 10)]).flood, "ten are not yet");
        assert!(of(&[(14, 11), (3, 5)]).flood, "it began in the period before, and five keep it");
        assert!(!of(&[(14, 11), (3, 4)]).flood);
        assert!(!of(&[(24, 11), (3, 6)]).flood, "a period without any ended it");
        let paused = of(&[(64, 11), (44, 7)]);
        assert!((paused.flood_share - 1.0 / 144.0).abs() < 1e-12);
    }

    #[test]
    fn nothing_gives_zeros() {
        let load = load(&[], 30);
        assert_eq!((load.total, load.flood, load.most_10_min), (0, false, 0));
        assert_eq!((load.per_hour, load.flood_share), (0.0, 0.0));
    }
}
