//! Quality of a single sample: range, sentinel codes, impossible rate. What fails here reaches no model.
//!
//! A code (85.0 at power-up, -127 for an open circuit) is refused by context, not by value alone: a climb that
//! passes through 85.0 in usual steps is honest. A value that only the rate condemns is believed once it has stood
//! for [`STANDS`] samples: sensors are exchanged, and gaps hide steps.

use notchwatch_model::Time;
use serde::{Deserialize, Serialize};

use crate::expression::Usual;
use crate::num::unset;
use crate::plan::ChannelPlan;

/// How many samples in a row must agree before a level that came impossibly fast is believed.
pub(crate) const STANDS: u8 = 3;
/// A step of up to this many usual ones is a climb, not a jump (ours; an honest climb seldom quickens more).
const CLIMB: f64 = 8.0;
/// A step of up to this many resolutions is never a jump.
const CLIMB_RESOLUTIONS: f64 = 10.0;
/// Beyond this size nothing physical is measured in any unit of measure, and squares would overflow.
const ABSURD: f64 = 1e30;
/// How much of the count of bad samples is left after a good one.
const FORGET: f64 = 0.9;
/// Count at which bad samples become a symptom: three in a row, or four in ten.
const RAISE: f64 = 2.5;
/// Count at which the symptom has ended: some thirty good samples later.
const CLEAR: f64 = 0.1;
/// Count beyond which more of the same says nothing new; bounds the time to clear.
const MOST: f64 = 5.0;
/// Weight of one step in the usual step.
const STEP_GAIN: f64 = 0.1;

/// What is wrong with a sample.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Fault {
    /// Outside the physical range, or a sensor's code.
    Range,
    /// Faster than physically possible.
    Rate,
}

/// What a channel's samples were like.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Quality {
    /// Last good sample.
    pub(crate) last: Option<(Time, f64)>,
    /// Usual size of a step.
    step: f64,
    waiting: Option<(Time, f64, u8)>,
    pub(crate) range: Tally,
    pub(crate) rate: Tally,
}

/// A count of bad samples that forgets.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Tally {
    /// The count.
    pub(crate) count: f64,
    /// First bad sample of the present spell.
    pub(crate) from: Option<Time>,
}

impl Tally {
    pub(crate) fn raises(&self) -> bool {
        self.count >= RAISE
    }

    pub(crate) fn clears(&self) -> bool {
        self.count <= CLEAR
    }

    fn take(&mut self, bad: bool, time: Time) {
        if unset(self.count) && !bad {
            return;
        }
        self.count = (self.count * FORGET + if bad { 1.0 } else { 0.0 }).min(MOST);
        if bad && self.from.is_none() {
            self.from = Some(time);
        }
        if self.clears() {
            *self = Self::default();
        }
    }
}

impl Quality {
    /// What the next reading is like, if it is like the last good one.
    pub(crate) fn usual(&self, plan: &ChannelPlan) -> Option<Usual> {
        let within = (CLIMB * self.step).max(CLIMB_RESOLUTIONS * plan.resolution);
        self.last.map(|(_, value)| Usual { value, within, share: 0.0 })
    }

    /// Takes a sample and says what is wrong with it, if anything.
    pub(crate) fn step(&mut self, plan: &ChannelPlan, time: Time, x: f64) -> Option<Fault> {
        let fault = self.fault(plan, time, x);
        self.range.take(fault == Some(Fault::Range), time);
        self.rate.take(fault == Some(Fault::Rate), time);
        if fault.is_none() {
            if let Some((_, before)) = self.last {
                let step = (x - before).abs();
                let capped =
                    if unset(self.step) { step } else { step.min(4.0 * self.step + plan.resolution) };
                self.step += if unset(self.step) { capped } else { STEP_GAIN * (capped - self.step) };
            }
            self.last = Some((time, x));
            self.waiting = None;
        }
        fault
    }

    fn fault(&mut self, plan: &ChannelPlan, time: Time, x: f64) -> Option<Fault> {
        if !x.is_finite() || x.abs() > ABSURD {
            return Some(Fault::Range);
        }
        if plan.range.is_some_and(|(low, high)| x < low || x > high) {
            return Some(Fault::Range);
        }
        let coded =
            plan.codes.iter().any(|code| (x - code).abs() <= (plan.resolution / 2.0).max(code.abs() * 1e-6));
        if coded && !self.climbs(plan, time, x) {
            return Some(Fault::Range);
        }
        if self.possible(plan, time, x) || self.stands(plan, time, x) { None } else { Some(Fault::Rate) }
    }

    fn climbs(&self, plan: &ChannelPlan, time: Time, x: f64) -> bool {
        self.last.is_some_and(|(before, last)| {
            let by_rate = plan.max_rate.map_or(0.0, |rate| rate * (time - before).secs_f64());
            let usual = (CLIMB * self.step).max(CLIMB_RESOLUTIONS * plan.resolution).max(by_rate);
            (x - last).abs() <= usual
        })
    }

    fn possible(&self, plan: &ChannelPlan, time: Time, x: f64) -> bool {
        match (plan.max_rate, self.last) {
            (Some(rate), Some((before, last))) => within_rate(plan, rate, (before, last), (time, x)),
            _ => true,
        }
    }

    fn stands(&mut self, plan: &ChannelPlan, time: Time, x: f64) -> bool {
        let rate = plan.max_rate.unwrap_or(f64::INFINITY);
        let seen = match self.waiting {
            Some((at, value, seen)) if within_rate(plan, rate, (at, value), (time, x)) => seen + 1,
            _ => 1,
        };
        self.waiting = Some((time, x, seen));
        seen > STANDS
    }
}

fn within_rate(plan: &ChannelPlan, rate: f64, from: (Time, f64), to: (Time, f64)) -> bool {
    // One resolution of slack: two quantised values may differ by a step more than was travelled.
    (to.1 - from.1).abs() <= rate * (to.0 - from.0).secs_f64() + plan.resolution
}

#[cfg(test)]
mod tests {
    use notchwatch_model::{ChannelDef, ChannelName, Class, ClassId, OperationRule, Span, System};

    use super::*;
    use crate::{Plan, Settings};

    /// Codes of common sensors and of their registers: at power-up, for an open circuit, all bits set.
    const CODES: [f64; 5] = [85.0, -127.0, 32_767.0, 65_535.0, 2_147_483_647.0];

    fn plan() -> ChannelPlan {
        let name = ChannelName::new("bearing_temp").unwrap();
        let def =
            ChannelDef { resolution: 0.1, codes: CODES.to_vec(), ..ChannelDef::new(name, System::Machine) };
        let class = Class {
            id: ClassId::new("c").unwrap(),
            name: "C".into(),
            operation: OperationRule::default(),
            channels: vec![def],
        };
        Plan::new(&class, &Settings::default()).channels.remove(0)
    }

    /// Positions that are refused, and what is left of the count of bad ones.
    fn refused(readings: impl IntoIterator<Item = f64>) -> (Vec<usize>, Quality) {
        let (plan, mut quality) = (plan(), Quality::default());
        let mut positions = Vec::new();
        for (i, x) in readings.into_iter().enumerate() {
            let time = Time::EPOCH + Span::from_mins(i64::try_from(i).unwrap());
            if quality.step(&plan, time, x).is_some() {
                positions.push(i);
            }
        }
        (positions, quality)
    }

    fn steady(i: usize) -> f64 {
        41.0 + 0.1 * f64::from(u8::try_from(i * 7 % 5).unwrap())
    }

    #[test]
    fn a_code_among_steady_readings_is_refused_and_many_are_a_matter_of_the_sensor() {
        for code in CODES {
            let rare = |i: usize| if i % 37 == 36 { code } else { steady(i) };
            let (positions, quality) = refused((0..200).map(rare));
            assert_eq!(positions, [36, 73, 110, 147, 184], "{code}");
            assert!(!quality.range.raises(), "{code}: now and then is no symptom");
            let often = |i: usize| if i > 100 && i.is_multiple_of(2) { code } else { steady(i) };
            assert!(refused((0..120).map(often)).1.range.raises(), "{code}: every second one is");
        }
    }

    /// Whatever the pace of an honest climb, the value that is also a code counts on the way up and down.
    #[test]
    fn an_honest_climb_through_a_code_is_believed() {
        for steps in 40_u32..400 {
            let pace = 44.0 / f64::from(steps);
            let up = (0..=2 * steps).map(|n| 41.0 + pace * f64::from(n));
            let down = (0..=2 * steps).rev().map(|n| 41.0 + pace * f64::from(n));
            assert!(refused(up.chain(down)).0.is_empty(), "{steps} steps");
        }
    }
}
