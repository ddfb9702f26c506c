//! Time to a limit: a robust slope of the descriptor carried on to the class's limits.
//!
//! Source of the slope and its interval: `robust::theil_sen` (Theil 1950, Sen 1968). The interval is that of the
//! slope alone; it holds while the course stays as it is, which is what an operator is told.

use notchwatch_model::{Direction, Limit, OperatingState, Regime, Time};

use crate::baseline::{Floor, Normal};
use crate::robust::theil_sen;

/// Standard normal deviate of 10 % and 90 %.
const DECILE: f64 = 1.281_551_565_544_6;
/// Fewest blocks that a slope is taken from.
const FEWEST: usize = 8;
/// Beyond a year nobody plans by a slope of days: further ends of an interval are held here, in seconds.
pub(crate) const FAR_S: f64 = 31_536_000.0;

/// When a limit is reached if the course holds, in seconds from the last block.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Reach {
    pub(crate) limit: f64,
    pub(crate) p10_s: f64,
    pub(crate) p50_s: f64,
    pub(crate) p90_s: f64,
    /// Slope in spreads a day.
    pub(crate) slope_day: f64,
}

/// The limit that is reached first, of those ahead. `points` are block begin and mean since the onset.
pub(crate) fn reach(
    limits: &[Limit],
    normals: &[Normal],
    floor: Floor,
    direction: Direction,
    points: &[(Time, f64)],
) -> Option<Reach> {
    if points.len() < FEWEST {
        return None;
    }
    let start = points.first()?.0;
    let course: Vec<(f64, f64)> = points.iter().map(|(at, z)| ((*at - start).secs_f64(), *z)).collect();
    let slope = theil_sen(&course, DECILE)?;
    let up = direction == Direction::Up;
    let (slow, mid, fast) =
        if up { (slope.low, slope.mid, slope.high) } else { (-slope.high, -slope.mid, -slope.low) };
    if mid <= 0.0 {
        return None;
    }
    let tail = points.iter().rev().take(FEWEST).map(|p| p.1);
    let now = crate::robust::median(&mut tail.collect::<Vec<f64>>())?;
    let (distance, limit) = limits
        .iter()
        .filter(|l| l.high == up)
        .flat_map(|l| normals.iter().filter_map(move |n| distance(l, n, floor, now)).map(move |d| (d, l.at)))
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    let after = |speed: f64| if speed > 0.0 { (distance / speed).min(FAR_S) } else { FAR_S };
    (after(mid) < FAR_S).then(|| Reach {
        limit,
        p10_s: after(fast),
        p50_s: after(mid),
        p90_s: after(slow),
        slope_day: slope.mid * 86_400.0,
    })
}

/// How many spreads the level must still move to meet the limit in a state; `None` when the limit does not hold
/// there, is met already, or nothing is known of the state.
fn distance(limit: &Limit, normal: &Normal, floor: Floor, now: f64) -> Option<f64> {
    let regime = Regime::from_slot(usize::from(normal.slot));
    let state = OperatingState { regime, steady: true, warm: true };
    if !normal.learned() || !limit.states.admits(state) {
        return None;
    }
    let expected = normal.typical(floor)?;
    let at = (limit.at - expected.0) / expected.1;
    let left = if limit.high { at - now } else { now - at };
    (left > 0.0).then_some(left)
}

#[cfg(test)]
mod tests {
    use super::*;
    use notchwatch_model::{Priority, Span, StateFilter};

    fn limit(at: f64, high: bool) -> Limit {
        Limit {
            name: "trip".into(),
            high,
            at,
            deadband: 0.0,
            on_delay_s: 0,
            off_delay_s: 0,
            states: StateFilter::default(),
            priority: Priority::High,
        }
    }

    const FINE: Floor = Floor { resolution: 0.01, least_step: 0.0, seen: 0 };

    fn normal() -> Normal {
        let mut normal = Normal::new(11, Time::EPOCH);
        for i in 0..100 {
            normal.take(if i % 2 == 0 { 99.0 } else { 101.0 }, &[], FINE, 1e-6);
        }
        normal.begin();
        normal
    }

    #[test]
    fn a_steady_slope_meets_the_limit_when_arithmetic_says() {
        // A spread of 1 about 100; the level rises by 0.1 spreads an hour and stands at about 2: 110 is 8 away.
        let points: Vec<(Time, f64)> = (0..24)
            .map(|i| (Time::EPOCH + Span::from_hours(i), 0.1 * f64::from(i32::try_from(i).unwrap())))
            .collect();
        let found = reach(&[limit(110.0, true)], &[normal()], FINE, Direction::Up, &points).unwrap();
        let hours = found.p50_s / 3600.0;
        assert!((hours - 80.0).abs() < 6.0, "{found:?}");
        assert!(found.p10_s <= found.p50_s && found.p50_s <= found.p90_s);
        let below = reach(&[limit(90.0, false)], &[normal()], FINE, Direction::Up, &points);
        assert_eq!(below, None, "a low limit is not ahead of a rise");
    }
}
