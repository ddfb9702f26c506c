//! Time to a limit: each operating state's own departure carried on to the class's limits.
//!
//! Owns which states and limits are asked, and when what comes of it is worth telling. How a departure goes on is `growth`'s.
//! A limit is crossed first in the state that has the least way to go, so each state is carried on by itself and the
//! soonest counts.

use notchwatch_model::{Direction, Limit, OperatingState, Regime, Time, Untold};

use crate::course::{Course, Seen};
use crate::growth::{Ahead, Frame, Stage, ahead};

/// Beyond a year nobody plans by what was seen in days: a later median is not told, in seconds.
pub(crate) const FAR_S: f64 = 31_536_000.0;
/// A state speaks from this many samples on: about 30 a bin (rule of thumb, common practice).
const ENOUGH: u32 = crate::LEARN_LEAST;
/// A limit counts once samples beyond it have lasted for its delay: that many spreads above their level do.
const STANDS_OUT: f64 = 0.75;
/// Means of a stretch stray about a smooth course by this many spreads, before any was seen.
const STAGE_NOISE: f64 = 0.3;
/// Blocks that a change is taken to have gone unseen at least: three hours of quarter hours.
const LEAST_LEAD_BLOCKS: f64 = 12.0;
/// The shortest time told, in blocks.
const LEAST_TOLD_BLOCKS: f64 = 1.0 / 3.0;
/// Told unless the level stays where it is with more than this probability ...
const MAY_STAY: f64 = 0.1;
/// ... or one in ten takes longer than so many medians: such a figure is no help.
const WIDEST: f64 = 8.0;

/// When a limit is reached, in seconds from now, and where.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Reach {
    pub(crate) limit: f64,
    /// Slot of the operating state that meets it first.
    pub(crate) slot: u8,
    pub(crate) p10_s: f64,
    pub(crate) p50_s: f64,
    pub(crate) p90_s: f64,
    /// Present speed in that state, in the channel's unit of measure a day.
    pub(crate) slope_day: f64,
}

/// The limit that is reached first, of those on the side that the level moves to; or why no time is told.
pub(crate) fn reach(limits: &[Limit], course: &Course, now: Time) -> Result<Reach, Untold> {
    let up = course.direction == Direction::Up;
    let mut side = limits.iter().filter(|l| l.high == up).peekable();
    if side.peek().is_none() {
        return Err(Untold::NoLimit);
    }
    let pairs: Vec<(&Limit, &Seen)> = side
        .flat_map(|limit| course.states.iter().map(move |seen| (limit, seen)))
        .filter(|(limit, seen)| speaks(limit, seen))
        .collect();
    if pairs.is_empty() {
        return Err(Untold::Unseen);
    }
    let first = pairs
        .into_iter()
        .filter_map(|(limit, seen)| carried(limit, seen, course, now))
        .min_by(|a, b| a.0.p50_s.total_cmp(&b.0.p50_s));
    let (ahead, reach) = first.ok_or(Untold::Unsure)?;
    if ahead.stays >= 0.5 {
        Err(Untold::Stays)
    } else if ahead.p50_s >= FAR_S {
        Err(Untold::Far)
    } else if ahead.stays > MAY_STAY || ahead.p90_s > (WIDEST * ahead.p50_s).min(FAR_S) {
        Err(Untold::Unsure)
    } else {
        Ok(reach)
    }
}

/// Whether a limit holds in a state, and enough was seen of that.
fn speaks(limit: &Limit, seen: &Seen) -> bool {
    let regime = Regime::from_slot(usize::from(seen.slot));
    let state = OperatingState { regime, steady: true, warm: true };
    limit.states.admits(state) && seen.samples >= ENOUGH
}

/// One state carried on to a limit; `None` when it is no way off, or was to be met by now.
fn carried(limit: &Limit, seen: &Seen, course: &Course, now: Time) -> Option<(Ahead, Reach)> {
    let sign = if limit.high { 1.0 } else { -1.0 };
    let way = sign * (limit.at - seen.expected()) - STANDS_OUT * seen.strays();
    if way <= 0.0 {
        return None;
    }
    let stages: Vec<Stage> = seen
        .cells()
        .map(|(at_s, departure, samples)| Stage { at_s, way: sign * departure / way, samples })
        .collect();
    let frame = Frame {
        now_s: course.since_s(now),
        lead_s: course.lead_s().max(LEAST_LEAD_BLOCKS * course.block_s),
        noise: STAGE_NOISE * seen.spread() / way,
        strays: seen.strays() / way,
        least_s: LEAST_TOLD_BLOCKS * course.block_s,
    };
    let ahead = ahead(&stages, &frame)?;
    let reach = Reach {
        limit: limit.at,
        slot: seen.slot,
        p10_s: ahead.p10_s,
        p50_s: ahead.p50_s,
        p90_s: ahead.p90_s,
        slope_day: sign * ahead.speed * way * 86_400.0,
    };
    Some((ahead, reach))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Noise;
    use crate::track::Point;
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

    /// A course of some hours about 100 with a spread of 1, seen from hour 12 on, in two operating states: the second shows
    /// twice as much.
    fn seen(hours: i64, level: impl Fn(f64) -> f64) -> (Course, Time) {
        let at = |minute: i64| Time::EPOCH + Span::from_mins(minute);
        let mut course = Course::new(Time::EPOCH, at(12 * 60), Direction::Up, 900.0);
        let mut noise = Noise::new(3);
        for minute in 12 * 60..hours * 60 {
            let (slot, times) = if minute / 90 % 3 == 0 { (9, 2.0) } else { (1, 1.0) };
            let hour = f64::from(i32::try_from(minute).unwrap()) / 60.0;
            course.take(&Point {
                time: at(minute),
                z: 0.0,
                measured: 100.0 + times * level(hour) + noise.normal(),
                expected: 100.0,
                spread: 1.0,
                doubt: 0.0,
                slot,
                sudden: false,
            });
        }
        (course, at(hours * 60))
    }

    #[test]
    fn a_steady_slope_meets_the_limit_in_the_state_that_shows_most() {
        // A tenth of a spread an hour, twice that in one state: 120 is met there after 100 hours, 40 from now.
        let (course, now) = seen(60, |hour| 0.1 * hour);
        let found = reach(&[limit(120.0, true)], &course, now).unwrap();
        let hours = found.p50_s / 3600.0;
        assert!((25.0..45.0).contains(&hours) && found.slot == 9, "{found:?}");
        assert!(found.p10_s < 36.0 * 3600.0 && found.p90_s > 40.0 * 3600.0, "{found:?}");
        assert!((found.slope_day - 4.8).abs() < 1.0, "{found:?}");
        let below = reach(&[limit(90.0, false)], &course, now);
        assert_eq!(below, Err(Untold::NoLimit), "a low limit is not ahead of a rise");
    }

    /// A limit that holds at the other load only is met later.
    #[test]
    fn a_limit_is_met_where_it_holds() {
        let (course, now) = seen(60, |hour| 0.1 * hour);
        let mut idle = limit(120.0, true);
        idle.states.regimes = vec![Regime::from_slot(1)];
        let found = reach(&[idle.clone()], &course, now).unwrap();
        assert!(found.slot == 1 && found.p50_s > 80.0 * 3600.0, "{found:?}");
        idle.states.regimes = vec![Regime::from_slot(4)];
        assert_eq!(reach(&[idle], &course, now), Err(Untold::Unseen));
    }

    #[test]
    fn a_level_that_stays_has_no_time_and_one_that_grows_on_from_a_step_does() {
        let (course, now) = seen(72, |_| 5.0);
        let found = reach(&[limit(120.0, true)], &course, now);
        assert_eq!(found, Err(Untold::Stays));
        let (course, now) = seen(72, |hour| 3.0 + 0.05 * hour);
        let found = reach(&[limit(120.0, true)], &course, now).unwrap();
        assert!(found.p10_s < 68.0 * 3600.0 && found.p90_s > 68.0 * 3600.0, "{found:?}");
    }

    /// One that gathers pace is met sooner than a straight line would, one that flattens later.
    #[test]
    fn the_course_bends_the_time() {
        let time = |power: f64| {
            let (course, now) = seen(96, |hour| 5.0 * (hour / 96.0).powf(power));
            reach(&[limit(120.0, true)], &course, now).unwrap().p50_s / 3600.0
        };
        let times = [2.0, 1.0, 0.7].map(time);
        // 96 h times 2 to the power of 1 / exponent, less 96 h: 40, 96 and 162 h from now, less what samples stand out.
        assert!(times.is_sorted(), "{times:?}");
        assert!((25.0..55.0).contains(&times[0]) && (60.0..130.0).contains(&times[1]), "{times:?}");
        assert!(times[2] > 100.0, "{times:?}");
    }
}
